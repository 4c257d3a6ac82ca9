"""Tampering with a store in every way that is known here, and counting what the check finds: `make tamper`.

A flip is found if the check says so; it is missed if the check says nothing and a plain dump of the file differs from
that of the untouched one, or cannot be made. A rollback is found if any head that was kept later says so.
"""

# ruff: noqa: S608 - the names in the statements are those of our own tables

import random
import re
import sqlite3
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from people_samples import add_people
from store_samples import NOW, document, started, waveform

from db.append_only import UNPROTECTED
from db.approvals import ConfigFile, approve
from db.decisions import decide, sign
from db.engine import engine_to_read, url_of
from db.proofs import KeptHead
from db.record_rules import Attachment
from db.retests import unlock
from db.store import Store
from db.store_check import Checked, check_store
from db.tables import Base

FLIPS, SEED = 2000, 6962
TABLES = sorted(set(Base.metadata.tables) - set(UNPROTECTED))


@dataclass(frozen=True)
class Sample:
    """A store with the heads and the copies of it that were kept while it grew."""

    content: bytes
    dump: list[str]
    heads: list[KeptHead]
    copies: list[bytes]


@dataclass(frozen=True)
class Attempt:
    """One way of tampering."""

    kind: str
    what: str
    content: bytes
    kept: tuple[KeptHead, ...] = ()


def sample(folder: Path) -> Sample:
    """Make a store with every kind of entry, both sorts of keys, waveforms of both widths and an attachment."""
    folder.mkdir(parents=True, exist_ok=True)
    heads: list[KeptHead] = []
    copies: list[bytes] = []
    path = folder / "records.db"

    def keep(store: Store) -> None:
        head = store.head()
        assert head is not None
        heads.append(KeptHead(head.size, head.root))
        store.close()
        copies.append(path.read_bytes())

    with Store.open(path) as store:
        store.add_job({"number": "J-26-0418", "customer": "Alder Packaging (invented)"}, "NB4-20771", NOW)
        store.add_motor({"serial": "NB4-20771", "shop_tag": "T-118"}, "nb4-100", NOW)
        keep(store)
        for i, kind in enumerate(("production", "simulated", "production", "training")):
            start, photo = started(kind=kind), Attachment(f"photo {i}".encode() * 20)
            waves = [waveform(2 * i, 600), waveform(2 * i + 1, 600, "int16")]
            begun = store.begin_run(start)
            record = document(begun, start, waves, attachments=[{"digest": photo.digest}])
            record["pictures"] = {"traces": [], "dial": {"edges": []}}
            store.add_record(begun.number, record, waves, [photo])
            keep(store)
        store.add_amendment(
            "PM-000001", "Kim Sample", "misread", NOW, what="motor.shop_tag", before="T-118", after="T-181"
        )
        store.add_void("SIM-000001", "Kim Sample", "tried out", NOW)
        keep(store)
        quinn = add_people(store).person("Quinn Example")
        sign(store, "PM-000002", quinn, "reviewed", NOW)
        decide(store, "PM-000002", quinn, "rework", "as proposed", None, NOW)
        approve(store, ConfigFile("sequence", "as-left", "1", "sha256:" + "ab" * 32), "Quinn Example", None, NOW)
        unlock(store, "J-26-0418", "NB4-20771", quinn, "looked at", NOW)
        keep(store)
    return Sample(copies[-1], dump(path), heads, copies)


def dump(path: Path) -> list[str]:
    """Write a store out as SQL, without the tables that are no evidence: in a copy they are dropped unread."""
    with closing(sqlite3.connect(path)) as connection, closing(sqlite3.connect(":memory:")) as copy:
        connection.backup(copy)
        for table in UNPROTECTED:
            copy.execute(f"DROP TABLE IF EXISTS {table}")
        return list(copy.iterdump())


def check(path: Path, kept: Iterable[KeptHead] = ()) -> Checked:
    """Check a file as an auditor would."""
    engine = engine_to_read(url_of(path))
    try:
        return check_store(engine, "store", tuple(kept))
    finally:
        engine.dispose()


def flips(made: Sample, count: int, rng: random.Random) -> Iterator[Attempt]:
    """Change a byte at places spread evenly over the file, each to another value."""
    step = len(made.content) / count
    for i in range(count):
        place = min(int((i + rng.random()) * step), len(made.content) - 1)
        spoilt = bytearray(made.content)
        spoilt[place] ^= rng.choice((1, 2, 4, 8, 16, 32, 64, 128, 255, rng.randrange(1, 256)))
        yield Attempt("byte flipped", f"at {place}", bytes(spoilt))


def cuts(made: Sample, count: int, rng: random.Random) -> Iterator[Attempt]:
    """Cut the file short, at page ends and elsewhere."""
    for i in range(count):
        size = rng.randrange(1, len(made.content))
        size = max(4096, size - size % 4096) if i % 2 else size
        yield Attempt("file cut", f"to {size}", made.content[:size])


def rewritten(made: Sample, scratch: Path, statements: Iterable[str], *, past_triggers: bool = True) -> bytes:
    """Do what someone with full rights could: drop the triggers, change rows, put the triggers back."""
    scratch.write_bytes(made.content)
    with closing(sqlite3.connect(scratch)) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        found = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        triggers = found if past_triggers else []
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            connection.execute(statement)
        for _, sql in triggers:
            connection.execute(sql)
        connection.commit()
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return scratch.read_bytes()


def row_changes(made: Sample, scratch: Path) -> Iterator[tuple[str, list[str]]]:
    """Delete, copy, swap and reorder rows of every table, and change every column of one row to another value."""
    scratch.write_bytes(made.content)
    with closing(sqlite3.connect(scratch)) as connection:
        for table in TABLES:
            names = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            ids = [row[0] for row in connection.execute(f"SELECT rowid FROM {table} ORDER BY rowid")]
            for row in sorted({ids[0], ids[len(ids) // 2], ids[-1]}):
                yield "row deleted", [f"DELETE FROM {table} WHERE rowid = {row}"]
            for name in names:
                yield from _cell_changes(table, name, ids)
            fresh = [f"{n} || 'x'" if n in ("digest", "number", "name") else n for n in names]
            fresh = [
                "(SELECT max(position) + 1 FROM entries)" if n == "position" else f
                for n, f in zip(names, fresh, strict=True)
            ]
            fresh = [f"{f} + 1000" if n in ("size", "ordinal") else f for n, f in zip(names, fresh, strict=True)]
            yield (
                "row inserted",
                [f"INSERT INTO {table} SELECT {', '.join(fresh)} FROM {table} WHERE rowid = {ids[-1]}"],
            )
    yield "entries reordered", _swapped("entries", "position", 3, 5)
    yield "entries reordered", _swapped("heads", "size", 4, 6)
    yield "entries reordered", _swapped("findings", "ordinal", 0, 1)
    # A whole transaction taken out of the middle, and the rest moved up.
    yield "entries reordered", [
        "DELETE FROM entries WHERE position = 5", "UPDATE entries SET position = position - 1 WHERE position > 5",
        "DELETE FROM heads WHERE size = 6", "UPDATE heads SET size = size - 1 WHERE size > 6",
    ]  # fmt: skip


def _cell_changes(table: str, name: str, ids: list[int]) -> Iterator[tuple[str, list[str]]]:
    row = ids[-1]
    for value in (
        f"CASE typeof({name}) WHEN 'text' THEN {name} || ' ' WHEN 'blob' THEN CAST({name} || x'00' AS BLOB) ELSE {name} + 1 END",
        "NULL", "''", "x''", "zeroblob(32)", "0", f"CAST({name} AS TEXT)", f"CAST({name} AS BLOB)",
        f"(SELECT {name} FROM {table} WHERE rowid = {ids[0]})", f"lower({name})",
    ):  # fmt: skip
        yield "column changed", [f"UPDATE OR REPLACE {table} SET {name} = {value} WHERE rowid = {row}"]


def _swapped(table: str, key: str, one: int, other: int) -> list[str]:
    return [
        f"UPDATE {table} SET {key} = -1 WHERE {key} = {one}", f"UPDATE {table} SET {key} = {one} WHERE {key} = {other}",
        f"UPDATE {table} SET {key} = {other} WHERE {key} = -1",
    ]  # fmt: skip


def schema_changes(made: Sample, scratch: Path) -> Iterator[tuple[str, list[str]]]:
    """Drop each trigger and index, put another in its place, add what does not belong."""
    scratch.write_bytes(made.content)
    with closing(sqlite3.connect(scratch)) as connection:
        objects = connection.execute(
            "SELECT type, name, tbl_name, sql FROM sqlite_master WHERE sql NOT NULL"
        ).fetchall()
    for kind, name, table, sql in objects:
        if kind == "trigger":
            yield "trigger dropped", [f"DROP TRIGGER {name}"]
            yield "trigger replaced", [f"DROP TRIGGER {name}", re.sub(r"SELECT RAISE\(.*\)", "SELECT 1", sql)]
        if kind == "index":
            yield "index dropped", [f"DROP INDEX {name}"]
        if kind == "table":
            yield "schema added to", [f"ALTER TABLE {table} ADD COLUMN extra TEXT"]
    yield "schema added to", ["CREATE TABLE more (a)"]
    yield "schema added to", ["CREATE VIEW more AS SELECT * FROM entries"]
    yield "schema added to", ["CREATE TRIGGER more AFTER INSERT ON runs BEGIN SELECT 1; END"]
    yield "schema revision", ["UPDATE alembic_version SET version_num = '0000'"]
    yield "schema revision", ["DELETE FROM alembic_version"]


@dataclass(frozen=True)
class Change:
    """Something to be done with SQL; what changes rows is done with the triggers out of the way."""

    kind: str
    statements: list[str]
    past_triggers: bool


def asked_changes(made: Sample, scratch: Path) -> list[Change]:
    """Every change that is made with SQL."""
    return [
        *(Change(kind, statements, past_triggers=True) for kind, statements in row_changes(made, scratch)),
        *(Change(kind, statements, past_triggers=False) for kind, statements in schema_changes(made, scratch)),
    ]


def changes(made: Sample, asked: Iterable[Change], scratch: Path) -> Iterator[Attempt]:
    """Carry changes out; what SQLite itself refuses is left out."""
    for change in asked:
        try:
            content = rewritten(made, scratch, change.statements, past_triggers=change.past_triggers)
        except sqlite3.IntegrityError:
            continue
        yield Attempt(change.kind, "; ".join(change.statements), content)


def rollbacks(made: Sample, scratch: Path) -> Iterator[Attempt]:
    """Put an older copy back, cut the last entries off cleanly, or begin anew; each against every head kept later."""
    for copy, head in zip(made.copies[:-1], made.heads[:-1], strict=True):
        cut = [
            f"DELETE FROM {table} WHERE {column} >= {head.size}"
            for table, column in (
                ("findings", "record"), ("records", "position"), ("runs", "position"), ("jobs", "position"),
                ("motors", "position"), ("keys", "position"), ("entries", "position"), ("heads", "size - 1"),
            )
        ]  # fmt: skip
        # Waveforms and attachments of what was cut go too, or they would tell.
        for table in ("waveforms", "attachments"):
            cut.append(
                f"DELETE FROM {table} WHERE NOT EXISTS (SELECT 1 FROM entries WHERE kind = 'record' "
                f"AND instr(content, CAST({table}.digest AS BLOB)))"
            )
        cleanly = rewritten(made, scratch, cut)
        for later in made.heads:
            if later.size > head.size:
                yield Attempt("older copy", f"of {head.size} entries, head {later.size} kept", copy, (later,))
                yield Attempt("last entries cut off", f"{head.size} left, head {later.size} kept", cleanly, (later,))
    with tempfile.TemporaryDirectory() as folder:
        # The same entries under other keys: whole in itself.
        forged = sample(Path(folder))
    for head in made.heads:
        yield Attempt("written anew with other keys", f"head {head.size} kept", forged.content, (head,))


def outcome(attempt: Attempt, made: Sample, scratch: Path) -> str:
    """Tell what the check says of an attempt: `found`, `noted`, `missed`, or `no difference`."""
    scratch.write_bytes(attempt.content)
    checked = check(scratch, attempt.kept)
    if checked.problems:
        return "found"
    try:
        differs = bool(attempt.kept) or dump(scratch) != made.dump
    except (sqlite3.Error, UnicodeDecodeError):
        differs = True
    if differs:
        return "noted" if checked.notes else "missed"
    return "no difference"


def campaign(
    made: Sample, attempts: Iterable[Attempt], scratch: Path
) -> tuple[Counter[tuple[str, str]], list[Attempt]]:
    """Count outcomes by kind of attempt, and return the attempts that were missed."""
    counts: Counter[tuple[str, str]] = Counter()
    missed = []
    for attempt in attempts:
        said = outcome(attempt, made, scratch)
        counts[attempt.kind, said] += 1
        if said == "missed":
            missed.append(attempt)
    return counts, missed


def every_attempt(made: Sample, scratch: Path, flipped: int, cut: int) -> Iterator[Attempt]:
    """All there is."""
    rng = random.Random(SEED)  # noqa: S311 - sampling, no secret
    yield from flips(made, flipped, rng)
    yield from cuts(made, cut, rng)
    yield from changes(made, asked_changes(made, scratch), scratch)
    yield from rollbacks(made, scratch)


def main() -> int:
    """Tamper, print the counts, and fail on a miss."""
    with tempfile.TemporaryDirectory() as folder:
        made = sample(Path(folder) / "whole")
        (Path(folder) / "check.db").write_bytes(made.content)
        sound = check(Path(folder) / "check.db", made.heads)
        assert sound.problems == sound.notes == [], sound
        attempts = every_attempt(made, Path(folder) / "change.db", FLIPS, 40)
        counts, missed = campaign(made, attempts, Path(folder) / "check.db")
    print(f"a store of {len(made.content)} bytes, {made.heads[-1].size} entries")
    for kind in dict.fromkeys(kind for kind, _ in counts):
        said = ", ".join(
            f"{counts[kind, o]} {o}" for o in ("found", "noted", "no difference", "missed") if counts[kind, o]
        )
        print(f"  {kind:30} {said}")
    for attempt in missed:
        print(f"MISSED: {attempt.kind}: {attempt.what}")
    print(f"{sum(counts.values())} attempts, {len(missed)} missed")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
