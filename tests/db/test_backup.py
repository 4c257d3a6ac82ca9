"""Backup and restore: a copy of one moment, checked before it counts, put over nothing."""

import shutil
import sqlite3
import threading
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from store_samples import opened, problems, started, store_record, waveform
from tamper import Sample, dump, sample

from db import backup
from db.backup import UnsoundCopy, back_up, restore
from db.store import Store, StoreError


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Sample:
    """Return a store with every kind of entry."""
    return sample(tmp_path_factory.mktemp("whole"))


def laid(path: Path, content: bytes) -> Path:
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(content)
    return path


def test_a_restore_drill_brings_every_row_back_and_the_station_goes_on(tmp_path: Path) -> None:
    data = tmp_path / "data"
    data.mkdir()
    with opened(data) as store:
        for i in range(3):
            store_record(store, started(), [waveform(i)])
        before, head = dump(data / "records.db"), store.head()
        checked = back_up(data / "records.db", tmp_path / "copy.db")
        assert (checked.entries, checked.records, checked.waveforms) == (7, 3, 3)
    # The disk is lost; of the station's own, the keys were kept apart.
    shutil.copytree(data / "keys", tmp_path / "kept keys")
    shutil.rmtree(data)
    data.mkdir()
    restore(tmp_path / "copy.db", data / "records.db")
    assert dump(data / "records.db") == before
    shutil.copytree(tmp_path / "kept keys", data / "keys")
    with opened(data) as store:
        assert store.head() == head
        assert [w.digest for w in store.waveforms("PM-000002")] == [waveform(1).digest]
        assert store_record(store, started()).number == "PM-000004"
    assert problems(data / "records.db") == []
    assert sorted(p.name for p in tmp_path.iterdir()) == ["copy.db", "data", "kept keys"]


def test_a_backup_is_one_file_without_a_log(made: Sample, tmp_path: Path) -> None:
    back_up(laid(tmp_path / "records.db", made.content), tmp_path / "copy.db")
    with closing(sqlite3.connect(tmp_path / "copy.db")) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    assert dump(tmp_path / "copy.db") == made.dump
    assert sorted(p.name for p in tmp_path.iterdir()) == ["copy.db", "records.db"]


def test_backups_taken_while_the_station_writes_are_each_whole(tmp_path: Path) -> None:
    begun, enough = threading.Event(), threading.Event()

    def write() -> None:
        with opened(tmp_path) as store:
            for i in range(200):
                store_record(store, started(), [waveform(i, 20_000)])
                begun.set()
                if enough.is_set():
                    return

    writer = threading.Thread(target=write)
    writer.start()
    try:
        assert begun.wait(30)
        sizes = [back_up(tmp_path / "records.db", tmp_path / f"copy {i}.db").entries for i in range(4)]
    finally:
        enough.set()
        writer.join(60)
    assert sizes == sorted(sizes)
    assert problems(tmp_path / "records.db") == []


def test_neither_overwrites_anything(made: Sample, tmp_path: Path) -> None:
    source, there = laid(tmp_path / "records.db", made.content), laid(tmp_path / "there.db", b"something")
    for act in (back_up, restore):
        with pytest.raises(FileExistsError) as refused:
            act(source, there)
        assert refused.value.filename == str(there)
    assert there.read_bytes() == b"something"


def test_what_is_left_of_a_store_is_not_restored_over(made: Sample, tmp_path: Path) -> None:
    # A log without its file would be taken for the new store's.
    copy, log = laid(tmp_path / "copy.db", made.content), laid(tmp_path / "records.db-wal", b"log")
    with pytest.raises(FileExistsError) as refused:
        restore(copy, tmp_path / "records.db")
    assert refused.value.filename == str(log)
    assert not (tmp_path / "records.db").exists()


def test_a_store_that_appears_meanwhile_is_not_overwritten(
    made: Sample, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy, target = laid(tmp_path / "copy.db", made.content), tmp_path / "records.db"
    checks = backup._sound
    monkeypatch.setattr(backup, "_sound", lambda *asked: (checks(*asked), target.write_bytes(b"another's"))[0])
    with pytest.raises(FileExistsError):
        restore(copy, target)
    assert target.read_bytes() == b"another's"


def test_a_medium_without_links_is_written_to(made: Sample, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr("os.link", refuse)
    source = laid(tmp_path / "records.db", made.content)
    back_up(source, tmp_path / "copy.db")
    assert dump(tmp_path / "copy.db") == made.dump


def spoilt(made: Sample) -> bytes:
    """Change one byte inside a record's text."""
    place = made.content.index(b'"outcome":"complete"')
    return made.content[:place] + b'"Outcome"' + made.content[place + 9 :]


@pytest.mark.parametrize("act", [back_up, restore])
def test_a_copy_that_is_not_sound_is_not_put_in_place_and_says_why(made: Sample, tmp_path: Path, act: object) -> None:
    source = laid(tmp_path / "source.db", spoilt(made))
    with pytest.raises(UnsoundCopy, match="it is not sound, nothing was written") as refused:
        act(source, tmp_path / "target.db")  # type: ignore[operator]
    assert any("does not fit its digest" in problem for problem in refused.value.problems)
    assert [p.name for p in tmp_path.iterdir()] == ["source.db"]


def test_an_older_copy_is_refused_where_a_later_head_was_kept(made: Sample, tmp_path: Path) -> None:
    copy = laid(tmp_path / "copy.db", made.copies[1])
    with pytest.raises(UnsoundCopy) as refused:
        restore(copy, tmp_path / "records.db", made.heads[-1:])
    assert "this is an older copy" in refused.value.problems[0]
    restore(copy, tmp_path / "records.db", made.heads[:2])


@pytest.mark.parametrize("content", [b"", b"no store", b"SQLite format 3\x00" + bytes(5000)])
def test_what_is_no_store_is_not_restored(tmp_path: Path, content: bytes) -> None:
    with pytest.raises(StoreError):
        restore(laid(tmp_path / "copy.db", content), tmp_path / "records.db")
    assert [p.name for p in tmp_path.iterdir()] == ["copy.db"]


def test_a_copy_with_its_log_beside_it_is_restored_with_what_the_log_holds(tmp_path: Path) -> None:
    with Store.open(tmp_path / "records.db") as store:
        store_record(store, started())
        # As a plain copy of the files of a running station has it.
        for name in ("records.db", "records.db-wal"):
            laid(tmp_path / "files" / name, (tmp_path / name).read_bytes())
    restore(tmp_path / "files" / "records.db", tmp_path / "restored.db")
    assert dump(tmp_path / "restored.db") == dump(tmp_path / "records.db")


def test_nowhere_to_write_is_one_sentence(made: Sample, tmp_path: Path) -> None:
    source = laid(tmp_path / "records.db", made.content)
    with pytest.raises(StoreError, match="cannot be written: No such file or directory; allowed: a path in a writable"):
        back_up(source, tmp_path / "none" / "copy.db")


def test_a_copy_of_an_older_schema_is_brought_up_to_date_before_it_is_checked(
    made: Sample, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened_to_migrate = []
    opens = Store.open
    newer = tmp_path / "migrations" / "versions" / "9999_next.py"
    newer.parent.mkdir(parents=True)
    newer.touch()
    monkeypatch.setattr(backup, "STORE", replace(backup.STORE, migrations=newer.parents[1]))
    monkeypatch.setattr(Store, "open", lambda path: opened_to_migrate.append(path) or opens(path))
    restore(laid(tmp_path / "copy.db", made.content), tmp_path / "records.db")
    assert [path.parent for path in opened_to_migrate] == [tmp_path]
    assert dump(tmp_path / "records.db") == made.dump
