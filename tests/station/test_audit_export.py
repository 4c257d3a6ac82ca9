"""Exports: whole, the same bytes every time, and checked by their own script where no room of polemark can be imported."""

import hashlib
import json
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from command_line import one_sentence, polemark
from store_samples import NOW, document, started, store_record, waveform

from db.merkle import leaf_hash
from db.record_rules import Attachment
from db.store import Store

ROOMS = ("station", "drivers", "analysis", "db", "safety", "sqlalchemy", "numpy")
# The script asks openssl where the package is missing; that way is proved where openssl is.
WAYS = {"the package cryptography": ROOMS} | ({"openssl": (*ROOMS, "cryptography")} if shutil.which("openssl") else {})
ALONE = """
import runpy, sys
class Blocked:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {blocked}:
            raise ImportError(name + " is blocked here")
sys.meta_path.insert(0, Blocked())
runpy.run_path("check.py", run_name="__main__")
"""


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a data folder with an amended record, a simulated void one, and one with an attachment."""
    data = tmp_path_factory.mktemp("data")
    with Store.open(data / "records.db") as store:
        store_record(store, started(), [waveform(1, 300), waveform(2, 300, "int16")])
        store.add_amendment(
            "PM-000001", "Kim Sample", "misread", NOW, what="motor.shop_tag", before="T-118", after=None
        )
        store_record(store, started(kind="simulated"), [waveform(3)])
        store.add_void("SIM-000001", "Kim Sample", "tried out", NOW)
        start, photo = started(motor_serial="NB4-3"), Attachment(b"photo")
        begun = store.begin_run(start)
        record = document(begun, start, attachments=[{"digest": photo.digest}])
        store.add_record(begun.number, record, (), [photo])
    return data


def exported(data: Path, out: Path, *args: str) -> Path:
    done = polemark("audit", "export", *args, "--out", out, "--data", data)
    assert (done.returncode, done.stderr) == (0, ""), done.stderr
    return out


def unpacked(archive: Path, folder: Path) -> Path:
    with zipfile.ZipFile(archive) as file:
        file.extractall(folder)
    return folder


def checked(folder: Path, blocked: tuple[str, ...] = ROOMS) -> subprocess.CompletedProcess[str]:
    """Run the export's own script in a process that has nothing of polemark."""
    return subprocess.run(
        [sys.executable, "-I", "-c", ALONE.replace("{blocked}", repr(blocked))],
        cwd=folder, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


@pytest.fixture(scope="module", params=["csv", "numpy"])
def whole(request: pytest.FixtureRequest, data: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return an unpacked export of all records."""
    folder = tmp_path_factory.mktemp("export")
    archive = exported(data, folder / "all.zip", "PM-000001", "SIM-000001", "PM-000002", "--waveforms", request.param)
    return unpacked(archive, folder / "all")


@pytest.fixture
def export(whole: Path, tmp_path: Path) -> Path:
    """Return a copy of it that may be spoilt."""
    return Path(shutil.copytree(whole, tmp_path / "export"))


@pytest.mark.parametrize("way", WAYS)
def test_the_script_finds_an_export_sound_without_polemark(whole: Path, way: str) -> None:
    done = checked(whole, WAYS[way])
    assert (done.returncode, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert "sound: PM-000001/record.json, entry 2 of the head of size 10" in lines
    assert len([line for line in lines if line.startswith("sound: ")]) == 8
    assert len([line for line in lines if line.startswith("head ")]) == 2


def test_the_script_is_short_enough_to_be_read(whole: Path) -> None:
    lines = (whole / "check.py").read_text().splitlines()
    assert len(lines) <= 60
    assert max(map(len, lines)) <= 120


def refit(folder: Path) -> None:
    """Write the list of digests anew, as somebody who tampers would."""
    names = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    sums = [f"{hashlib.sha256((folder / n).read_bytes()).hexdigest()}  {n}\n" for n in names if n != "SHA256SUMS"]
    (folder / "SHA256SUMS").write_text("".join(sums))


def swap(old: bytes, new: bytes) -> Callable[[bytes], bytes]:
    def change(content: bytes) -> bytes:
        assert old in content
        return content.replace(old, new)

    return change


def last_digit(content: bytes) -> bytes:
    """Change a sample's count: the last byte of an array, or the first count of the last line of CSV."""
    if content.startswith(b"\x93NUMPY"):
        return content[:-1] + bytes([content[-1] ^ 1])
    lines = content.splitlines(keepends=True)
    cells = lines[-1].split(b",")
    cells[1] = b"0" if cells[1] != b"0" else b"1"
    return b"".join([*lines[:-1], b",".join(cells)])


SPOILT: dict[str, tuple[str, Callable[[bytes], bytes]]] = {
    "a digit of a record": ("PM-000001/record.json", swap(b"12.41", b"2.41")),
    "an amendment": ("PM-000001/000003-amendment.json", swap(b"misread", b"not so!")),
    "a void": ("SIM-000001/000007-void.json", swap(b"tried out", b"went wrong")),
    "a sample": ("PM-000001/waveforms/capture-001*", last_digit),
    "a proof's place": ("PM-000001/record.proof.json", swap(b'"position": 2', b'"position": 3')),
    "a proof's path": ("PM-000001/record.proof.json", swap(b'"path": [', b'"path": ["' + b"0" * 64 + b'",')),
    "a head's size": ("head-production.json", swap(b'"size":10', b'"size":11')),
    "a head's time": ("head-production.json", swap(b"2026-03", b"2025-03")),
    "a signature": ("head-production.sig", lambda content: content[:-1] + bytes([content[-1] ^ 1])),
    "a key's name": ("head-production.json", swap(b'"key":"sha256:', b'"key":"sha257:')),
}


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("name", SPOILT)
def test_the_script_finds_what_was_changed_even_where_the_digests_were_made_to_fit(
    export: Path, name: str, way: str
) -> None:
    pattern, change = SPOILT[name]
    file = sorted(export.glob(pattern))[0]
    file.write_bytes(change(file.read_bytes()))
    listed = checked(export, WAYS[way])
    assert listed.returncode != 0
    assert listed.stderr == f"NOT SOUND: {file.relative_to(export).as_posix()} is not as listed\n"
    refit(export)
    found = checked(export, WAYS[way])
    assert found.returncode != 0
    assert found.stderr.startswith("NOT SOUND: ")
    assert len(found.stderr.splitlines()) == 1


def test_another_key_under_the_name_of_the_stations_is_found(export: Path) -> None:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    key, head = Ed25519PrivateKey.generate(), export / "head-production.json"
    pem = key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    head.with_suffix(".pem").write_bytes(pem)
    head.with_suffix(".sig").write_bytes(key.sign(head.read_bytes()))
    refit(export)
    done = checked(export)
    assert done.returncode != 0
    assert done.stderr == "NOT SOUND: head-production.json is not signed by its key\n"


@pytest.mark.parametrize(
    "name", ["PM-000001/record.proof.json", "head-production.json", "head-production.sig", "PM-000001/waveforms/*"]
)
def test_what_is_taken_out_is_missed(export: Path, name: str) -> None:
    for file in export.glob(name):
        file.unlink()
    assert checked(export).returncode != 0
    refit(export)
    done = checked(export)
    assert done.returncode != 0
    assert done.stderr.startswith("NOT SOUND: ")


def test_an_export_of_nothing_is_not_sound(export: Path) -> None:
    for file in [p for p in export.rglob("*") if p.is_file() and p.name != "check.py"]:
        file.unlink()
    refit(export)
    done = checked(export)
    assert (done.returncode, done.stderr) == (1, "NOT SOUND: there is no signed head\n")


@pytest.mark.parametrize("form", ["csv", "numpy"])
def test_the_same_export_has_the_same_bytes(data: Path, tmp_path: Path, form: str) -> None:
    args = ("PM-000001", "SIM-000001", "--waveforms", form)
    first, second = (exported(data, tmp_path / f"{i}.zip", *args).read_bytes() for i in range(2))
    assert first == second


def test_records_come_out_as_they_are_stored(data: Path, whole: Path) -> None:
    with Store.open_to_read(data / "records.db") as store:
        record, waves = store.record("PM-000001"), store.waveforms("PM-000001")
    content = (whole / "PM-000001" / "record.json").read_bytes()
    assert "sha256:" + hashlib.sha256(content).hexdigest() == record.digest
    assert json.loads(content) == record.document
    assert record.digest.removeprefix("sha256:") in (whole / "PM-000001" / "sheet.html").read_text()
    assert (whole / "PM-000002" / "attachments" / hashlib.sha256(b"photo").hexdigest()).read_bytes() == b"photo"
    folder = whole / "PM-000001" / "waveforms"
    for place, wave in enumerate(waves, start=1):
        if (folder / "capture-001.csv").exists():
            table = np.loadtxt(folder / "capture-001.csv", delimiter=",", skiprows=1)
            assert table[:, 2 * place - 1].tolist() == wave.counts.tolist()
            # Volts and times are rounded to the digits that are written.
            np.testing.assert_allclose(table[:, 2 * place], wave.counts * wave.scale_v + wave.offset_v, rtol=1e-6)
            np.testing.assert_allclose(table[:, 0], np.arange(wave.counts.size) * wave.interval_s, rtol=1e-8)
        else:
            loaded = np.load(folder / f"capture-001-{place}.npy", allow_pickle=False)
            assert loaded.dtype == wave.counts.dtype
            assert loaded.tolist() == wave.counts.tolist()


def test_a_proof_of_an_export_is_checked_by_the_command_too(data: Path, whole: Path) -> None:
    folder = whole / "PM-000001"
    done = polemark("audit", "check", folder / "record.proof.json", folder / "record.json")
    assert done.returncode == 0, done.stderr
    assert "is entry 2 of the ledger." in done.stdout
    other = polemark("audit", "check", folder / "record.proof.json", whole / "PM-000002" / "record.json")
    assert other.returncode == 4
    assert "the proof does not hold for" in one_sentence(other)
    without = polemark("audit", "check", folder / "record.proof.json")
    assert (without.returncode, "give its file, such as record.json" in one_sentence(without)) == (2, True)
    head = polemark("audit", "verify", "--head", folder / "record.proof.json", "--data", data)
    assert "It grew from the kept head of 10 entries." in head.stdout
    unsigned = polemark("audit", "verify", "--head", whole / "head-production.json", "--data", data)
    assert "It grew from the kept head of 10 entries." in unsigned.stdout


def test_what_the_readme_says_of_the_leaf_is_so(whole: Path) -> None:
    # (printf '\0'; cat record.json) | sha256sum
    content = (whole / "PM-000001" / "record.json").read_bytes()
    assert hashlib.sha256(b"\0" + content).digest() == leaf_hash(content)
    assert r"(printf '\0'; cat NUMBER/record.json) | sha256sum" in (whole / "README.txt").read_text()


@pytest.mark.parametrize(
    ("args", "numbers"),
    [
        (("--from", "2026-03-25"), ["PM-000001", "PM-000002"]),
        (("--from", "2026-03-25", "--to", "2026-03-25", "--simulated"), ["PM-000001", "PM-000002", "SIM-000001"]),
        (("PM-000002", "PM-000002"), ["PM-000002"]),
    ],
)
def test_what_is_exported(data: Path, tmp_path: Path, args: tuple[str, ...], numbers: list[str]) -> None:
    with zipfile.ZipFile(exported(data, tmp_path / "out.zip", *args)) as archive:
        folders = {name.split("/")[0] for name in archive.namelist() if "/" in name}
        heads = {name for name in archive.namelist() if name.endswith(".pem")}
    assert sorted(folders) == numbers
    assert ("head-practice.pem" in heads) == ("SIM-000001" in numbers)


def test_an_export_overwrites_nothing_and_leaves_nothing_where_it_fails(data: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.zip"
    out.write_bytes(b"mine")
    done = polemark("audit", "export", "PM-000001", "--out", out, "--data", data)
    assert (done.returncode, out.read_bytes()) == (2, b"mine")
    assert one_sentence(done) == f"{out} is there already; allowed: a file that does not exist"
    done = polemark("audit", "export", "PM-000009", "--out", tmp_path / "none.zip", "--data", data)
    assert (done.returncode, "there is no record PM-000009" in one_sentence(done)) == (4, True)
    done = polemark("audit", "export", "PM-000001", "--out", tmp_path / "none" / "x.zip", "--data", data)
    assert (done.returncode, "cannot be written: No such file" in one_sentence(done)) == (2, True)
    spoilt = Path(shutil.copytree(data, tmp_path / "data"))
    with Store.open(spoilt / "records.db") as store:
        store.engine.dispose()
    content = (spoilt / "records.db").read_bytes()
    (spoilt / "records.db").write_bytes(content.replace(b'"outcome":"complete"', b'"outcome":"Complete"'))
    done = polemark("audit", "export", "PM-000001", "--out", tmp_path / "none.zip", "--data", spoilt)
    assert (done.returncode, "does not fit its digest" in one_sentence(done)) == (4, True)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["data", "out.zip"]
