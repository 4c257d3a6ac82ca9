"""The check of a whole store: what it says of which record, and that it leaves the store as it is."""

# ruff: noqa: S608 - the statements are made here

import sqlite3
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from store_samples import NOW, document, opened, problems, started, store_record, waveform
from tamper import Sample, check, rewritten, sample

from db.engine import engine_to_read, url_of
from db.proofs import KeptHead
from db.record_rules import Attachment
from db.store import Store, StoreError
from db.store_check import check_store


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Sample:
    """Return a store with every kind of entry."""
    return sample(tmp_path_factory.mktemp("whole"))


@pytest.fixture
def path(made: Sample, tmp_path: Path) -> Path:
    """Return a file of that store."""
    path = tmp_path / "records.db"
    path.write_bytes(made.content)
    return path


def test_a_whole_store_is_sound_and_grew_from_every_head_that_was_kept(made: Sample, path: Path) -> None:
    checked = check(path, made.heads)
    assert (checked.problems, checked.notes) == ([], [])
    assert (checked.entries, checked.records, checked.waveforms) == (made.heads[-1].size, 4, 8)


def test_the_check_changes_no_byte_and_leaves_nothing_beside_the_store(made: Sample, path: Path) -> None:
    check(path)
    assert path.read_bytes() == made.content
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_a_store_in_a_folder_that_cannot_be_written_is_checked(
    made: Sample, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # What the system says of a read-only medium, also to root, whom no mode of a folder stops.
    monkeypatch.setattr("os.access", lambda *_: False)
    path.parent.chmod(0o500)
    try:
        assert check(path, made.heads).problems == []
    finally:
        path.parent.chmod(0o700)


def test_a_log_that_cannot_be_read_there_is_not_passed_over(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Without its log the file would be an older copy of the store.
    path.with_name("records.db-wal").write_bytes(b"log")
    monkeypatch.setattr("os.access", lambda *_: False)
    assert check(path).problems == [
        f"{path} has a log (records.db-wal) and lies where nothing can be written; copy both to a folder that can be"
    ]


def test_nothing_can_be_written_through_what_opens_a_store_to_be_read(path: Path) -> None:
    with Store.open_to_read(path) as store, pytest.raises(StoreError, match="nothing can be added without"):
        store.begin_run(started())
    engine = engine_to_read(url_of(path))
    with engine.connect() as connection, pytest.raises(Exception, match="readonly database"):
        connection.exec_driver_sql("CREATE TABLE more (a)")
    engine.dispose()


def test_progress_tells_of_every_entry_and_waveform(path: Path) -> None:
    asked, told = [], []
    engine = engine_to_read(url_of(path))

    def progress(total: int) -> object:
        asked.append(total)
        return told.append

    checked = check_store(engine, "store", (), progress)  # type: ignore[arg-type]
    engine.dispose()
    assert asked == [checked.entries + checked.waveforms] == [sum(told)]


def test_a_rollback_is_told_from_a_kept_head_alone(made: Sample, path: Path) -> None:
    path.write_bytes(made.copies[2])
    assert check(path).problems == []
    assert check(path, made.heads[:3]).problems == []
    assert check(path, made.heads[-1:]).problems == [
        f"the kept head covers {made.heads[-1].size} entries and the store holds {made.heads[2].size}: "
        "entries were taken away, or this is an older copy"
    ]


def test_another_history_is_told_from_a_kept_head(made: Sample, path: Path) -> None:
    other = KeptHead(made.heads[1].size, bytes(32))
    assert check(path, [other]).problems == [
        f"the first {other.size} entries are not those of the kept head: history was changed"
    ]


# Each change, and what must be said of it.
SAID = {
    "a job's customer": ("UPDATE jobs SET customer = 'X'", "the job J-26-0418 is not listed as it is stored (entry 1)"),
    "a motor's tag": ("UPDATE motors SET shop_tag = NULL", "the motor NB4-20771 is not listed as it is stored (entry 2)"),
    "a job that is not there": (
        "INSERT INTO jobs SELECT 5, 'J-9', motor_serial, customer, received_on FROM jobs", "job J-9 is listed and has no entry",
    ),
    "a run's ordinal": ("UPDATE runs SET ordinal = 9 WHERE number = 'PM-000001'", "the run PM-000001 is not listed as it is stored"),
    "a start by a microsecond": (
        "UPDATE runs SET started_utc = replace(started_utc, '000Z', '001Z') WHERE number = 'PM-000001'",
        "the run PM-000001 is not listed as it is stored",
    ),
    "a time in other letters": ("UPDATE entries SET at_utc = lower(at_utc)", "the file is damaged"),
    "a finding of no record": ("INSERT INTO findings SELECT 1, 99, name, value, unit, u, lower, upper, conformity FROM findings LIMIT 1",
                               "findings are listed for entry 1, which is no record"),
    "a waveform of no record": ("INSERT INTO waveforms SELECT digest || 'x', dtype, samples, codec, packed FROM waveforms LIMIT 1",
                                "belongs to no record"),
    "an attachment": ("UPDATE attachments SET content = x'00'", "of record PM-000001 does not fit its digest"),
    "an attachment that is gone": ("DELETE FROM attachments", "of record PM-000001 is missing"),
    "more bytes behind a waveform": ("UPDATE waveforms SET packed = CAST(packed || x'00' AS BLOB)",
                                     "of record PM-000001 does not fit its digest"),
    "samples without number": ("UPDATE waveforms SET samples = 1 << 62", "of record PM-000001 does not fit its digest"),
    "a key's place": ("UPDATE keys SET position = 3 WHERE position = 0", "is not the one that was entered"),
    "a reference": ("DELETE FROM runs WHERE number = 'PM-000001'", "names a row of runs that is not there"),
    "the revision": ("UPDATE alembic_version SET version_num = '0000'", "its schema is of revision 0000"),
    "no revision": ("DELETE FROM alembic_version", "its schema is of revision none"),
    "another table": ("CREATE TABLE more (a)", "the table more does not belong to its schema"),
    "another trigger": ("CREATE TRIGGER more AFTER INSERT ON runs BEGIN SELECT 1; END", "the trigger more does not belong"),
    "an index": ("DROP INDEX ix_entries_kind", "the index ix_entries_kind of its schema is missing or changed"),
}  # fmt: skip


@pytest.mark.parametrize("name", SAID)
def test_each_change_is_named_with_its_record(made: Sample, path: Path, name: str) -> None:
    statement, found = SAID[name]
    path.write_bytes(rewritten(made, path, [statement]))
    said = check(path).problems
    assert any(found in sentence for sentence in said), said


def test_a_lost_trigger_is_named(made: Sample, path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DROP TRIGGER records_no_update")
    assert check(path).problems == ["the trigger records_no_update of its schema is missing or changed"]
    del made


def test_a_changed_entry_is_named_once_and_the_heads_above_it_are_counted(made: Sample, path: Path) -> None:
    content = 'CAST(replace(content, \'"outcome":"complete"\', \'"outcome":"stopped"\') AS BLOB)'
    path.write_bytes(rewritten(made, path, [f"UPDATE entries SET content = {content} WHERE position = 4"]))
    said = check(path).problems
    assert "entry 4 (record PM-000001) does not fit its digest" in said
    assert "the head of size 5 does not fit the entries: entry 4 (record PM-000001) or the head was changed" in said
    assert [s for s in said if s.startswith("likewise")] == [
        f"likewise {made.heads[-1].size - 6} later heads: each is signed over all entries before it"
    ]


def test_a_waveform_packed_otherwise_is_noted_and_sound(made: Sample, path: Path) -> None:
    import zlib

    with closing(sqlite3.connect(path)) as connection:
        digest, packed = connection.execute("SELECT digest, packed FROM waveforms WHERE dtype = 'int16'").fetchone()
    stored = zlib.compress(zlib.decompress(packed), 0)
    change = f"UPDATE waveforms SET packed = x'{stored.hex()}' WHERE digest = '{digest}'"
    path.write_bytes(rewritten(made, path, [change]))
    checked = check(path)
    assert checked.problems == []
    assert checked.notes == [
        f"the waveform {digest} of record PM-000001 is whole, and not packed as this program packs it"
    ]


def test_another_key_for_the_same_use_is_noted(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        store_record(store, started())
        store_record(store, started(kind="simulated"))
    (tmp_path / "keys" / "production-key.pem").unlink()
    with opened(tmp_path) as store:
        store_record(store, started())
        head = store.head()
    assert head is not None
    checked = check(tmp_path / "records.db")
    assert checked.problems == []
    assert checked.notes == [
        f"from entry 6 on there is another key for production, {head.key}; was it the station's own?"
    ]


def test_a_head_of_an_earlier_release_with_finer_time_is_noted_and_sound(made: Sample, path: Path) -> None:
    path.write_bytes(
        rewritten(made, path, ["UPDATE heads SET at_utc = replace(at_utc, '000Z', '123Z') WHERE size = 4"])
    )
    checked = check(path)
    assert checked.problems == []
    assert checked.notes == ["heads whose time has more digits than the milliseconds that are signed: 1"]


@pytest.mark.parametrize("content", [b"", b"no store at all", b"SQLite format 3\x00" + bytes(4080)])
def test_what_is_no_store_is_said_to_be_none(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "records.db").write_bytes(content)
    said = check(tmp_path / "records.db").problems
    assert said
    assert all("Traceback" not in sentence for sentence in said)


def test_an_empty_store_is_sound(tmp_path: Path) -> None:
    with opened(tmp_path):
        pass
    assert problems(tmp_path / "records.db") == []


def test_what_is_written_during_the_check_is_left_out_of_it(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        store_record(store, started(), [waveform(1)])
        engine = engine_to_read(url_of(tmp_path / "records.db"))

        def begun(total: int) -> object:
            store_record(store, started(), [waveform(2)])
            assert total == 4
            return lambda _: None

        checked = check_store(engine, "store", (), begun)  # type: ignore[arg-type]
        engine.dispose()
        assert (checked.problems, checked.entries) == ([], 3)
        assert len(store.find()) == 2


def test_heads_keep_the_time_that_is_signed(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        store.add_job({"number": "J-1"}, "S-1", NOW + timedelta(microseconds=1999))
        head = store.head()
    assert head is not None
    assert head.at_utc == NOW + timedelta(milliseconds=1)


def test_a_record_with_numbers_of_every_sort_is_listed_as_it_is_stored(tmp_path: Path) -> None:
    start, photo = started(), Attachment(b"photo")
    with opened(tmp_path) as store:
        begun = store.begin_run(start)
        record = document(begun, start, attachments=[{"digest": photo.digest}])
        for finding, value in zip(record["findings"], (-0.0, 4, 4.0, 1e300, 5e-324, None, -1.5), strict=False):
            finding["value"] = value
        store.add_record(begun.number, record, (), [photo])
    assert problems(tmp_path / "records.db") == []


def test_a_store_that_is_older_is_not_read_as_if_it_were_new(made: Sample, path: Path) -> None:
    path.write_bytes(rewritten(made, path, ["UPDATE alembic_version SET version_num = '0000'"]))
    with pytest.raises(StoreError, match=r"its schema \(0000\) is older than this program's"):
        Store.open_to_read(path)
    empty = path.with_name("empty.db")
    sqlite3.connect(empty).close()
    empty.touch()
    with pytest.raises(StoreError, match="the database is empty"):
        Store.open_to_read(empty)
    with pytest.raises(StoreError, match="it cannot be opened"):
        Store.open_to_read(path.parent / "none" / "records.db")


def test_a_log_that_was_cut_is_a_rollback_and_found_by_a_kept_head(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        store_record(store, started())
    with opened(tmp_path) as store:
        store_record(store, started())
        head = store.head()
        main, log = ((tmp_path / name).read_bytes() for name in ("records.db", "records.db-wal"))
    assert head is not None
    kept = KeptHead(head.size, head.root)
    # SQLite takes what lies behind the first damaged frame of its log for not written.
    for name, found in (
        ("whole", log),
        ("cut", log[: len(log) // 2]),
        ("flipped", log[:5000] + bytes([log[5000] ^ 255]) + log[5001:]),
    ):
        copy = tmp_path / name / "records.db"
        copy.parent.mkdir()
        copy.write_bytes(main)
        copy.with_name("records.db-wal").write_bytes(found)
        said = check(copy, [kept]).problems
        assert (said == []) == (name == "whole"), (name, said)
