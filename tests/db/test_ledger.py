"""The ledger in the store: a signed head with every commit, and every change behind the store's back is found."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import select
from store_samples import NOW, opened, problems, started, store_record, waveform

from db.canonical import digest_of
from db.engine import reading
from db.merkle import Tree, consistency_holds, inclusion_holds, leaf_hash, root_of
from db.signing import KeyUse, head_holds
from db.store import Store, StoreError
from db.tables import EntryRow, HeadRow, KeyRow
from db.waveform_codec import pack


def contents(store: Store) -> list[bytes]:
    with reading(store.engine, "here") as connection:
        return list(connection.scalars(select(EntryRow.content).order_by(EntryRow.position)))


def test_every_commit_appends_its_leaf_and_a_head_that_is_signed_over_all_leaves(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        for i in range(5):
            stored = store_record(store, started(), [waveform(i)])
            head = store.head()
            leaves = [leaf_hash(content) for content in contents(store)]
            assert head is not None
            # One key, then a start and a record for every run.
            assert head.size == len(leaves) == 1 + 2 * (i + 1)
            assert head.root == root_of(leaves)
            assert digest_of(contents(store)[-1]) == stored.digest
        with reading(store.engine, "here") as connection:
            public = connection.execute(select(KeyRow.public)).scalar_one()
            sizes = list(connection.scalars(select(HeadRow.size).order_by(HeadRow.size)))
        assert head_holds(head, public)
        # The first commit entered the key and the start together.
        assert sizes == list(range(2, 12))


def test_a_record_is_proved_to_be_in_the_ledger_and_the_ledger_to_have_grown(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        first = store_record(store, started())
        earlier = store.head()
        for _ in range(3):
            store_record(store, started())
        later, record = store.head(), store.record(first.number)
        leaves = [leaf_hash(content) for content in contents(store)]
    assert earlier is not None
    assert later is not None
    path = Tree(leaves).inclusion_path(record.position, len(leaves))
    assert inclusion_holds(leaves[record.position], record.position, later.size, path, later.root)
    grown = Tree(leaves).consistency_path(earlier.size, len(leaves))
    assert consistency_holds(earlier.size, later.size, grown, earlier.root, later.root)


def test_simulated_and_training_commits_are_signed_with_another_key(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        store_record(store, started(kind="simulated"))
        assert store.head(KeyUse.PRODUCTION) is None
        store_record(store, started())
        store_record(store, started(kind="training"))
        store.add_void("SIM-000001", "Kim Sample", "tried out", NOW)
        production, practice, latest = store.head(KeyUse.PRODUCTION), store.head(KeyUse.PRACTICE), store.head()
    assert production is not None
    assert practice == latest
    assert practice.key != production.key  # type: ignore[union-attr]
    assert problems(tmp_path / "records.db") == []


def test_a_new_private_key_is_entered_and_the_old_heads_still_hold(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        store_record(store, started())
    (tmp_path / "keys" / "production-key.pem").rename(tmp_path / "lost.pem")
    with opened(tmp_path) as store:
        store_record(store, started())
        with reading(store.engine, "here") as connection:
            assert len(list(connection.scalars(select(KeyRow.name)))) == 2
    assert problems(tmp_path / "records.db") == []


def change(path: Path, *statements: str) -> None:
    """Do to a file what someone with full rights could: drop the triggers, change it, put the triggers back."""
    with closing(sqlite3.connect(path)) as connection:
        triggers = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            connection.execute(statement)
        for _, sql in triggers:
            connection.execute(sql)
        connection.commit()


CHANGES = {
    "a digit of a record": (
        "UPDATE entries SET content = CAST(replace(content, '12.41', '13.41') AS BLOB) WHERE position = 2",
        "entry 2 (record PM-000001) does not fit its digest",
    ),
    "a record as text": (
        "UPDATE entries SET content = CAST(content AS TEXT) WHERE position = 2", "entry 2 (record PM-000001) cannot be read",
    ),
    "a digit and its leaf": (None, "the head of size 3 does not fit the entries"),
    "an entry deleted": ("DELETE FROM entries WHERE position = 3", "entry 3 is missing: entry 4 comes next"),
    "two entries swapped": (
        "UPDATE entries SET position = CASE position WHEN 3 THEN 103 ELSE position END",
        "entry 3 is missing: entry 4 comes next",
    ),
    "a column beside its document": (
        "UPDATE entries SET at_utc = '2026-01-01T00:00:00.000000Z' WHERE position = 2", "entry 2 says record PM-000001 at 2026-01-01",
    ),
    "a head deleted": ("DELETE FROM heads WHERE size = 4", "entry 3 (started PM-000002) has no signed head"),
    "a head's root": ("UPDATE heads SET root = zeroblob(32) WHERE size = 4", "the head of size 4 does not fit the entries"),
    "a head's peaks": ("UPDATE heads SET peaks = zeroblob(32) WHERE size = 4", "the head of size 4 does not fit the entries"),
    "a signature": ("UPDATE heads SET signature = zeroblob(64) WHERE size = 4", "the head of size 4 is not signed by its key"),
    "a public key": ("UPDATE keys SET public = zeroblob(32)", "is not the one that was entered"),
    "a key's use": ("UPDATE keys SET use = 'simulated and training'", "is not the one that was entered"),
    "a stranger's key": (
        "INSERT INTO keys SELECT 1, 'sha256:00', use, zeroblob(32) FROM keys", "the key sha256:00 was never entered",
    ),
    "a listed conformity": ("UPDATE records SET conformity = 'conforming'", "the record PM-000001 is not listed as it is stored"),
    "a listed finding": ("UPDATE findings SET value = 0 WHERE ordinal = 0", "the findings of record PM-000001 are not listed"),
    "a listed run": ("UPDATE runs SET motor_serial = 'X'", "the run PM-000001 is not listed as it is stored"),
    "a run listed twice": ("INSERT INTO runs SELECT 0, 'PM-9', series, 9, kind, stage, job, motor_serial, motor_type, station, "
                           "started_utc FROM runs WHERE position = 1", "run PM-9 is listed and has no entry"),
    "a waveform's bytes": ("UPDATE waveforms SET packed = zeroblob(20)", "does not fit its digest"),
    "a waveform deleted": ("DELETE FROM waveforms", "the waveform or attachment sha256:"),
}  # fmt: skip


@pytest.mark.parametrize("name", CHANGES)
def test_every_change_is_found_when_the_store_is_read_again(tmp_path: Path, name: str) -> None:
    path = tmp_path / "records.db"
    with opened(tmp_path) as store:
        for i in range(3):
            store_record(store, started(), [waveform(i)])
    assert problems(path) == []
    statement, found = CHANGES[name]
    change(path, *([statement] if statement else _with_leaf(path)))
    said = problems(path)
    assert any(found in sentence for sentence in said), said


def _with_leaf(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as connection:
        (content,) = connection.execute("SELECT content FROM entries WHERE position = 2").fetchone()
    changed = content.replace(b"12.41", b"2.41")
    assert changed != content
    row = f"content = x'{changed.hex()}', leaf = x'{leaf_hash(changed).hex()}'"
    return [f"UPDATE entries SET {row} WHERE position = 2"]  # noqa: S608


AT_OPENING: dict[str, tuple[str, str]] = {
    "the last entry is gone": ("DELETE FROM entries WHERE position = 6", "covers 7 entries and it holds 6; it was changed"),
    "the last head is gone": ("DELETE FROM heads WHERE size = 7", "covers 6 entries and it holds 7; it was changed"),
    "the last root": ("UPDATE heads SET root = zeroblob(32) WHERE size = 7", "its last head is not what was signed"),
    "the last signature": ("UPDATE heads SET signature = zeroblob(64) WHERE size = 7", "its last head is not what was signed"),
    "the last peaks": ("UPDATE heads SET peaks = x'00' WHERE size = 7", "its last head is damaged"),
    "all keys": ("DELETE FROM keys", "its last head is not what was signed"),
}  # fmt: skip


@pytest.mark.parametrize("name", AT_OPENING)
def test_a_spoilt_end_is_noticed_at_opening(tmp_path: Path, name: str) -> None:
    with opened(tmp_path) as store:
        for _ in range(3):
            store_record(store, started())
    statement, found = AT_OPENING[name]
    change(tmp_path / "records.db", statement)
    with pytest.raises(StoreError, match=found):
        Store.open(tmp_path / "records.db")


def test_a_changed_record_is_noticed_when_it_is_read(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        number = store_record(store, started(), [waveform(1)]).number
    change(
        tmp_path / "records.db", CHANGES["a digit of a record"][0] or "", "UPDATE waveforms SET packed = zeroblob(20)"
    )
    with opened(tmp_path) as store, pytest.raises(StoreError, match=f"record of {number} does not fit its digest"):
        store.record(number)


OTHER_SAMPLES = f"UPDATE waveforms SET packed = x'{pack(waveform(99).counts).hex()}'"  # noqa: S608


@pytest.mark.parametrize(
    ("statement", "sentence"),
    [
        ("UPDATE waveforms SET packed = zeroblob(20)", "record PM-000001: the waveform cannot be unpacked"),
        ("DELETE FROM waveforms", "record PM-000001: 1 of 1 waveforms missing or not as their digest says"),
        (OTHER_SAMPLES, "record PM-000001: 1 of 1 waveforms missing or not as their digest says"),
    ],
)
def test_a_lost_or_damaged_waveform_is_noticed_when_it_is_read(tmp_path: Path, statement: str, sentence: str) -> None:
    with opened(tmp_path) as store:
        store_record(store, started(), [waveform(1)])
    change(tmp_path / "records.db", statement)
    with opened(tmp_path) as store, pytest.raises(StoreError, match=sentence):
        store.waveforms("PM-000001")


def test_without_signing_keys_a_store_can_be_read_and_not_added_to(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        store_record(store, started())
    without: Callable[[], Store] = lambda: Store(Store.open(tmp_path / "records.db").engine, "here", None)  # noqa: E731
    with without() as store:
        assert len(store.find()) == 1
        with pytest.raises(
            StoreError, match="nothing can be added without this station's signing keys; name their folder"
        ):
            store.begin_run(started())
