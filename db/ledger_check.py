"""Reading the whole ledger again: every entry, every signed head, every key, and every head that was kept elsewhere."""

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, RowMapping, select

from db.check_reading import all_rows
from db.column_types import time_of, time_text
from db.ledger import SAID_OF_RECORDS, facts_of
from db.merkle import Peaks, leaf_hash
from db.proofs import KeptHead
from db.run_start import SERIES
from db.signing import Head, KeyUse, head_holds
from db.tables import EntryRow, HeadRow, KeyRow


def ledger_problems(
    connection: Connection,
    kept: Sequence[KeptHead],
    advance: Callable[[int], object],
    note: Callable[[str], object],
) -> Iterator[str]:
    """Say what is wrong with the ledger, one sentence each; nothing where it is whole.

    The entries are read one after another, so that a store of any size can be checked.

    Parameters
    ----------
    kept
        Heads that were kept outside the store; the ledger must have grown from each of them.
    advance
        Told the number of entries that were read since it was told last.
    note
        Told what puts nothing in doubt.
    """
    walk = _Walk(connection, kept, note)
    for entry in all_rows(connection, select(EntryRow).order_by(EntryRow.position)):
        if entry["position"] != walk.peaks.size:
            yield f"entry {walk.peaks.size} is missing: entry {entry['position']} comes next"
            break
        yield from walk.step(entry)
        advance(1)
    yield from walk.end()


class _Walk:
    """The ledger up to the entry that was read last."""

    def __init__(self, connection: Connection, kept: Sequence[KeptHead], note: Callable[[str], object]) -> None:
        self.peaks = Peaks()
        self._note = note
        self._keys = {row["name"]: row for row in all_rows(connection, select(KeyRow))}
        self._heads = {row["size"]: row for row in all_rows(connection, select(HeadRow))}
        self._kept = list(kept)
        self._entered: dict[str, str] = {}
        self._sealed = 0
        self._unfit = 0
        self._finer = 0

    def step(self, entry: RowMapping) -> Iterator[str]:
        """Take one entry in, with the head that was signed after it and the heads that were kept of it."""
        self.peaks = self.peaks.added(leaf_hash(entry["content"]))
        document, problems = _read(entry)
        yield from problems
        if entry["kind"] == "key":
            self._enter_key(entry, str(document.get("use")))
            yield from _key_problems(entry["position"], document, self._keys.get(entry["subject"]))
        if self.peaks.size in self._heads:
            yield from self._head_problems(entry, KeyUse.for_kind(_kind_of(document)))
            self._sealed = self.peaks.size
        elif entry["kind"] != "key":
            # A key is entered in the transaction of the first entry that it signs, so it alone has no head.
            yield f"entry {entry['position']} ({_name(entry)}) has no signed head"
        yield from self._kept_problems()

    def end(self) -> Iterator[str]:
        """Say what should have come and did not."""
        if self._finer:
            self._note(f"heads whose time has more digits than the milliseconds that are signed: {self._finer}")
        if self._unfit > 1:
            yield f"likewise {self._unfit - 1} later heads: each is signed over all entries before it"
        there = self.peaks.size
        for size in sorted(self._heads):
            yield f"the head of size {size} covers more than the {there} entries that are there"
        for kept in self._kept:
            yield (
                f"the kept head covers {kept.size} entries and the store holds {there}: "
                "entries were taken away, or this is an older copy"
            )
        yield from (f"the key {name} was never entered" for name in self._keys if name not in self._entered)

    def _enter_key(self, entry: RowMapping, use: str) -> None:
        # Anybody who can write to the file can add a key; whether a change of keys was the station's own, people know.
        if use in self._entered.values():
            self._note(
                f"from entry {entry['position']} on there is another key for {use}, {entry['subject']}; was it the station's own?"
            )
        self._entered[entry["subject"]] = use

    def _head_problems(self, entry: RowMapping, use: KeyUse) -> Iterator[str]:
        row = self._heads.pop(self.peaks.size)
        head = Head(row["size"], row["root"], row["at_utc"], row["key"], row["signature"])
        key = self._keys.get(row["key"])
        self._finer += head.at_utc != time_of(time_text(head.at_utc))
        if row["root"] != self.peaks.root() or row["peaks"] != self.peaks.raw:
            self._unfit += 1
            if self._unfit == 1:
                entries = f"entry {entry['position']}"
                if self._sealed < entry["position"]:
                    entries = f"one of the entries {self._sealed} to {entry['position']}"
                yield f"the head of size {row['size']} does not fit the entries: {entries} ({_name(entry)}) or the head was changed"
        if key is None or not head_holds(head, key["public"]):
            yield f"the head of size {row['size']} is not signed by its key"
        elif key["use"] != use:
            yield f"the head of size {row['size']} is signed by the key for {key['use']}, due is the one for {use}"

    def _kept_problems(self) -> Iterator[str]:
        due = [kept for kept in self._kept if kept.size == self.peaks.size]
        for kept in due:
            self._kept.remove(kept)
            if kept.root != self.peaks.root():
                yield f"the first {kept.size} entries are not those of the kept head: history was changed"
            if kept.signed is not None and kept.signed.head.key not in self._keys:
                yield f"the kept head of size {kept.size} is signed by {kept.signed.head.key}, a key this store does not know"


def _read(entry: RowMapping) -> tuple[Mapping[str, Any], list[str]]:
    """Return an entry's document, and what is wrong with its row."""
    try:
        document = json.loads(entry["content"])
        facts = facts_of(document)
    except (ValueError, AttributeError, RecursionError) as error:
        return {}, [f"entry {entry['position']} ({_name(entry)}) cannot be read: {error}"]
    problems = []
    if entry["leaf"] != leaf_hash(entry["content"]):
        problems.append(f"entry {entry['position']} ({_name(entry)}) does not fit its digest")
    if (entry["kind"], entry["subject"], entry["at_utc"]) != (facts.kind, facts.subject, facts.at_utc):
        problems.append(
            f"entry {entry['position']} says {_name(entry)} at {entry['at_utc']} beside a document of "
            f"{facts.kind} {facts.subject} at {facts.at_utc}"
        )
    return document, problems


def _name(entry: RowMapping) -> str:
    return f"{entry['kind']} {entry['subject']}"


def _kind_of(document: Mapping[str, Any]) -> str:
    """Return the run's kind that an entry belongs to; notes tell it by the number's series."""
    series = str(document.get("number", "")).partition("-")[0]
    of_run = document.get("format") in {f"polemark-{kind}-1" for kind in SAID_OF_RECORDS}
    return next((k for k, s in SERIES.items() if of_run and s == series), str(document.get("kind", "production")))


def _key_problems(position: int, document: Mapping[str, Any], row: RowMapping | None) -> Iterator[str]:
    due = (position, document.get("use"), document.get("public"))
    if row is None or (row["position"], row["use"], row["public"].hex()) != due:
        yield f"the key {document.get('key')} is not the one that was entered"
