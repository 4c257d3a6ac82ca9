"""`polemark backup` and `polemark restore`: exit codes and sentences, and a drill from loss to the next run."""

import shutil
from pathlib import Path

import pytest
from command_line import one_sentence, polemark
from store_samples import started, store_record, waveform
from tamper import dump

from db.proofs import head_text
from db.store import Store


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """Return a data folder with two records."""
    data = tmp_path / "data"
    data.mkdir()
    with Store.open(data / "records.db") as store:
        for i in range(2):
            store_record(store, started(), [waveform(i)])
    return data


def test_a_drill_from_backup_over_loss_to_the_next_record(data: Path, tmp_path: Path) -> None:
    before = dump(data / "records.db")
    made = polemark("backup", tmp_path / "copy.db", "--data", data)
    assert (made.returncode, made.stderr) == (0, "")
    lines = made.stdout.splitlines()
    assert lines[0] == f"{tmp_path / 'copy.db'}: 5 entries, 2 records, 2 waveforms; sound."
    assert lines[-1].startswith(f"Not in it: the private keys ({data / 'keys'})")
    head = lines[1].removeprefix("Head: ")
    shutil.rmtree(data)
    back = polemark("restore", tmp_path / "copy.db", "--data", data, "--head", head)
    assert (back.returncode, back.stderr) == (0, "")
    assert "It grew from the kept head of 5 entries." in back.stdout
    assert "New records will be signed by a new key, unless the old ones are put back" in back.stdout
    assert dump(data / "records.db") == before
    assert polemark("sheet", "PM-000001", "--data", data).returncode == 0
    with Store.open(data / "records.db") as store:
        store_record(store, started())
    verified = polemark("audit", "verify", "--head", head, "--data", data)
    assert verified.returncode == 0, verified.stdout
    assert "1 sheet." in verified.stdout


def test_a_restored_store_keeps_the_mode_of_the_copy(data: Path, tmp_path: Path) -> None:
    (data / "records.db").chmod(0o640)
    polemark("backup", tmp_path / "copy.db", "--data", data)
    polemark("restore", tmp_path / "copy.db", "--data", tmp_path / "new")
    assert (tmp_path / "new" / "records.db").stat().st_mode & 0o777 == 0o640


def test_neither_overwrites(data: Path, tmp_path: Path) -> None:
    polemark("backup", tmp_path / "copy.db", "--data", data)
    for done, there in (
        (polemark("backup", tmp_path / "copy.db", "--data", data), tmp_path / "copy.db"),
        (polemark("restore", tmp_path / "copy.db", "--data", data), data / "records.db"),
    ):
        assert done.returncode == 2
        assert (
            one_sentence(done) == f"{there} is there already and is not overwritten; allowed: a place where nothing is"
        )


def test_an_older_copy_and_a_damaged_one_are_refused_with_what_is_wrong(data: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    polemark("backup", copy, "--data", data)
    with Store.open(data / "records.db") as store:
        store_record(store, started())
        head = store.head()
    assert head is not None
    older = polemark("restore", copy, "--data", tmp_path / "new", "--head", head_text(head))
    assert older.returncode == 4
    assert "the kept head covers 7 entries and the store holds 5" in older.stdout
    assert one_sentence(older) == f"copy {copy}: it is not sound, nothing was written"
    content = copy.read_bytes()
    copy.write_bytes(content.replace(b'"outcome":"complete"', b'"outcome":"Complete"'))
    damaged = polemark("restore", copy, "--data", tmp_path / "new")
    assert damaged.returncode == 4
    assert "entry 2 (record PM-000001) does not fit its digest" in damaged.stdout
    assert list((tmp_path / "new").iterdir()) == []


def test_bad_places_are_one_sentence(data: Path, tmp_path: Path) -> None:
    for args, code, sentence in (
        (("backup", tmp_path / "x.db", "--data", tmp_path / "none"), 2, "there is no store"),
        (("restore", tmp_path / "none.db", "--data", tmp_path / "new"), 2, "there is no file"),
        (("backup", tmp_path / "none" / "x.db", "--data", data), 4, "cannot be written: No such file or directory"),
        (("restore", tmp_path / "none.db"), 2, "--data"),
        (("restore", data / "keys" / "production-key.pem", "--data", tmp_path / "new"), 4, "is no polemark store"),
    ):
        done = polemark(*args)
        assert (done.returncode, sentence in one_sentence(done)) == (code, True), done.stderr
