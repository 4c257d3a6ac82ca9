"""Full disk, no rights, locked, damaged: one sentence each, and what was stored stays."""

import os
import random
import resource
import shutil
import sqlite3
import tempfile
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from sqlalchemy import event
from store_samples import document, opened, problems, started, store_record, waveform

import db.engine
from db.store import Store, StoreError

SPOILT = 40


@contextmanager
def no_file_may_grow_beyond(size: int) -> Iterator[None]:
    """Let writes fail as on a full disk (setrlimit(2): the signal is ignored by Python, so the write returns EFBIG)."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_disk_that_fills_up_stores_nothing_of_a_record_and_keeps_the_earlier_ones(tmp_path: Path) -> None:
    start, wave = started(), waveform(1, 400_000, "int16")
    with opened(tmp_path) as store:
        first = store_record(store, start, [waveform(0)])
        begun = store.begin_run(start)
        record = document(begun, start, [wave])
        largest = max(p.stat().st_size for p in tmp_path.glob("records.db*"))
        with no_file_may_grow_beyond(largest + 100_000), pytest.raises(StoreError) as refused:
            store.add_record(begun.number, record, [wave])
        assert "full: nothing of this was stored, earlier records are intact" in str(refused.value)
        assert [s.number for s in store.find()] == [first.number]
        # Room was made: the same record goes in.
        store.add_record(begun.number, record, [wave])
    assert problems(tmp_path / "records.db") == []


def test_a_database_that_may_not_grow_says_that_the_disk_is_full(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        store_record(store, started())
        event.listen(store.engine, "connect", lambda c, _: c.execute("PRAGMA max_page_count = 1"))
        store.engine.dispose()
        with pytest.raises(
            StoreError, match="the disk is full: nothing of this was stored, earlier records are intact"
        ):
            store_many(store)
    assert problems(tmp_path / "records.db") == []


def test_no_run_begins_on_a_full_disk(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        store_record(store, started())
        with no_file_may_grow_beyond(1000), pytest.raises(StoreError, match="nothing of this was stored"):
            store.begin_run(started())
        assert store.begin_run(started()).number == "PM-000002"


def store_many(store: Store) -> None:
    for seed in range(50):
        store_record(store, started(), [waveform(seed, 50_000)])


def read_all(location: Path, digests: list[str]) -> None:
    """Read every record and waveform; what can be read must be what was stored."""
    with Store.open(location) as store:
        for summary in store.find():
            assert store.record(summary.number).digest in digests
            store.waveforms(summary.number)


@contextmanager
def folder_that_may_only_be_read(content: Path | None = None) -> Iterator[Path]:
    """Give a folder without write permission; root, who may write everywhere, becomes another user meanwhile."""
    folder = Path(tempfile.mkdtemp(prefix="polemark-read-only-"))
    if content is not None:
        shutil.copy(content, folder / "records.db")
        (folder / "records.db").chmod(0o444)
    folder.chmod(0o555)
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        yield folder
    finally:
        if root:
            os.seteuid(0)
        folder.chmod(0o755)
        shutil.rmtree(folder)


def test_a_folder_that_may_not_be_written_is_said(tmp_path: Path) -> None:
    with folder_that_may_only_be_read() as folder:
        with pytest.raises(StoreError) as refused:
            Store.open(folder / "records.db")
        assert str(refused.value) == (
            f"store {folder}/records.db: it cannot be opened; allowed: a folder that exists and may be read and written"
        )
        assert list(folder.iterdir()) == []


def test_a_store_in_a_folder_that_may_not_be_written_is_said(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        store_record(store, started())
    before = (tmp_path / "records.db").read_bytes()
    with folder_that_may_only_be_read(tmp_path / "records.db") as folder:
        with pytest.raises(StoreError, match=r"allowed: a (file and )?folder that"):
            Store.open(folder / "records.db")
        assert (folder / "records.db").read_bytes() == before


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="it cannot be opened; allowed: a folder that exists"):
        Store.open(tmp_path / "nowhere" / "records.db")
    with pytest.raises(StoreError, match="it cannot be opened; allowed: a folder that exists"):
        Store.open(tmp_path)


def test_a_store_that_another_process_holds_is_said_after_a_wait(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(db.engine, "BUSY_MS", 50)
    with opened(tmp_path) as store:
        store_record(store, started())
        with closing(sqlite3.connect(tmp_path / "records.db", isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(
                StoreError, match="another process holds it locked; nothing of this was stored, try again"
            ):
                store.begin_run(started())
            assert len(store.find()) == 1
        assert store.begin_run(started()).number == "PM-000002"


def test_a_writer_waits_for_another_that_is_soon_done(tmp_path: Path) -> None:
    with (
        opened(tmp_path) as store,
        closing(sqlite3.connect(tmp_path / "records.db", isolation_level=None, check_same_thread=False)) as other,
    ):
        other.execute("BEGIN IMMEDIATE")
        timer = threading.Timer(0.3, other.rollback)
        timer.start()
        assert store.begin_run(started()).number == "PM-000001"
        timer.join()


@pytest.mark.parametrize("content", [b"%PDF-1.7 no store", bytes(range(256)) * 64], ids=["short", "long"])
def test_a_file_that_is_no_database_is_left_as_it_is(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "records.db"
    path.write_bytes(content)
    with pytest.raises(
        StoreError, match="the file is no polemark store; allowed: a store, or a file that does not exist yet"
    ):
        Store.open(path)
    assert path.read_bytes() == content


def test_a_store_cut_short_is_said(spoilable: tuple[Path, list[str]], tmp_path: Path) -> None:
    whole, digests = spoilable
    path = tmp_path / "records.db"
    path.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    with pytest.raises(StoreError, match="the file is damaged; restore it from a backup and keep the damaged one"):
        read_all(path, digests)


@pytest.mark.parametrize("seed", range(SPOILT))
def test_damage_anywhere_ends_in_a_sentence_or_harms_nothing(
    spoilable: tuple[Path, list[str]], tmp_path: Path, seed: int
) -> None:
    whole, digests = spoilable
    rng = random.Random(seed)  # noqa: S311
    path = tmp_path / "records.db"
    content = bytearray(whole.read_bytes())
    place, length = rng.randrange(len(content)), rng.choice([1, 8, 600])
    content[place : place + length] = rng.randbytes(len(content[place : place + length]))
    path.write_bytes(content)
    said = ""
    try:
        read_all(path, digests)
    except StoreError as error:
        said = str(error)
    # Any other exception would have ended this test.
    assert said == "" or said.startswith(f"store {path}: ")
    assert "\n" not in said


@pytest.fixture(scope="module")
def spoilable(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str]]:
    folder = tmp_path_factory.mktemp("spoilable")
    with opened(folder) as store:
        digests = [store_record(store, started(), [waveform(seed, 3000)]).digest for seed in range(3)]
    return folder / "records.db", digests
