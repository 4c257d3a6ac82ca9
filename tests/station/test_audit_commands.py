"""The audit commands as an auditor calls them: exit codes, sentences, and what stands in them."""

import contextlib
import io
import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from command_line import one_sentence, polemark
from store_samples import NOW, document, started, store_record, waveform
from tamper import dump

from db.merkle import leaf_hash
from db.proofs import head_text
from db.store import Store
from station.data_folder import DataFolder
from station.sheet_command import write_sheet


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a data folder with three records, an amendment, a void, and their sheets."""
    data = tmp_path_factory.mktemp("data")
    folder = DataFolder(data)
    with folder.open_store() as store:
        store.add_job({"number": "J-26-0418", "customer": "Alder Packaging (invented)"}, "NB4-20771", NOW)
        store_record(store, started(), [waveform(1), waveform(2, dtype="int16")])
        write_sheet(store, folder, "PM-000001")
        store.add_amendment(
            "PM-000001", "Kim Sample", "misread", NOW, what="motor.shop_tag", before="T-118", after="T-181"
        )
        store_record(store, started(kind="simulated", motor_serial="NB4-2", job="J-2"), [waveform(3)])
        store.add_void("SIM-000001", "Kim Sample", "tried\nout", NOW)
        start = started(motor_serial="NB4-3", job="J-3", stage="as-left")
        begun = store.begin_run(start)
        record = document(
            begun, start, hand_instruments=[{"name": "thermometer TH-07", "serial": None, "calibration_due": None}]
        )
        store.add_record(begun.number, record)
        write_sheet(store, folder, "PM-000002")
    return data


@pytest.fixture
def data(filled: Path, tmp_path: Path) -> Path:
    """Return a copy of that folder."""
    shutil.copytree(filled, tmp_path / "data")
    return tmp_path / "data"


def head_of(data: Path) -> str:
    with Store.open(data / "records.db") as store:
        head = store.head()
    assert head is not None
    return head_text(head)


def tampered(data: Path, *statements: str) -> None:
    with closing(sqlite3.connect(data / "records.db")) as connection:
        triggers = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        for statement in [*statements, *(sql for _, sql in triggers)]:
            connection.execute(statement)
        connection.commit()


def test_a_sound_store_is_said_to_be_sound_with_its_head_and_what_stays_open(data: Path) -> None:
    done = polemark("audit", "verify", "--data", data)
    assert (done.returncode, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert lines[0].endswith("records.db: 11 entries, 3 records, 3 waveforms, 2 sheets.")
    assert f"Head: {head_of(data)}" in lines
    assert any("An older copy of the store would look as sound" in line for line in lines)
    assert lines[-1] == "Sound."


@pytest.mark.parametrize("form", ["file", "text", "text in a file", "earlier"])
def test_a_store_is_held_against_a_head_that_was_kept(data: Path, tmp_path: Path, form: str) -> None:
    head = {"file": str(tmp_path / "head.json"), "text in a file": str(tmp_path / "head.txt")}.get(form, head_of(data))
    if form == "file":
        assert polemark("audit", "head", "--out", head, "--data", data).returncode == 0
    elif form == "text in a file":
        Path(head).write_text(head_of(data) + "\n")
    with Store.open(data / "records.db") as store:
        store_record(store, started())
    done = polemark("audit", "verify", "--head", head, "--data", data)
    assert done.returncode == 0, done.stdout
    assert "It grew from the kept head of 11 entries." in done.stdout
    assert "older copy" not in done.stdout


def test_a_rollback_ends_with_the_code_for_the_store(data: Path, filled: Path) -> None:
    with Store.open(data / "records.db") as store:
        store_record(store, started())
    later = head_of(data)
    assert polemark("audit", "verify", "--head", later, "--data", data).returncode == 0
    (data / "records.db").write_bytes((filled / "records.db").read_bytes())
    done = polemark("audit", "verify", "--head", later, "--data", data)
    assert done.returncode == 4
    assert (
        "the kept head covers 13 entries and the store holds 11: entries were taken away, or this is an older copy"
        in done.stdout
    )
    assert done.stdout.splitlines()[-1].startswith("NOT SOUND: 1 problem.")


def test_each_problem_is_one_line_and_the_same_in_json(data: Path) -> None:
    tampered(
        data,
        "UPDATE runs SET motor_serial = 'X' WHERE number = 'PM-000001'",
        "UPDATE waveforms SET packed = x'00' WHERE dtype = 'int16'",
    )
    done = polemark("audit", "verify", "--data", data)
    assert (done.returncode, done.stderr) == (4, "")
    said = json.loads(polemark("audit", "verify", "--json", "--data", data).stdout)
    assert said["sound"] is False
    assert said["head"] is None
    assert done.stdout.splitlines()[1:-1] == said["problems"]
    assert said["problems"][0] == "the run PM-000001 is not listed as it is stored (entry 2)"
    assert "of record PM-000001 does not fit its digest" in said["problems"][1]


def test_json_of_a_sound_store_holds_a_head_that_can_be_kept(data: Path, tmp_path: Path) -> None:
    done = polemark("audit", "verify", "--json", "--data", data)
    said = json.loads(done.stdout)
    assert (done.returncode, said["sound"], said["problems"], said["notes"]) == (0, True, [], [])
    (tmp_path / "head.json").write_text(json.dumps(said["head"]))
    assert polemark("audit", "verify", "--head", tmp_path / "head.json", "--data", data).returncode == 0


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda html: html.replace("12.41", "2.41"), "is not what this program makes of its record and 4 ledger entries"),
        (lambda _: "<html></html>", "does not say how many ledger entries it was made of"),
        (lambda html: html.replace("taken into account: 4", "taken into account: 400"), "it names 400 ledger entries, and the store has no head of that size"),
    ],
)  # fmt: skip
def test_a_changed_sheet_is_found(data: Path, change: Any, sentence: str) -> None:
    sheet = data / "sheets" / "PM-000001.html"
    html = sheet.read_text()
    changed = change(html)
    assert changed != html
    sheet.write_text(changed)
    done = polemark("audit", "verify", "--data", data)
    assert done.returncode == 4
    assert any(line.startswith("the sheet PM-000001.html") and sentence in line for line in done.stdout.splitlines())


def test_a_sheet_of_a_record_that_is_not_there_is_found(data: Path) -> None:
    (data / "sheets" / "PM-000001.html").rename(data / "sheets" / "PM-000009.html")
    done = polemark("audit", "verify", "--data", data)
    assert done.returncode == 4
    assert "the sheet PM-000009.html belongs to no record of this store" in done.stdout


def test_a_file_that_is_no_store_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "records.db").write_bytes(b"no store at all, but long enough to be looked at" * 100)
    done = polemark("audit", "verify", "--data", tmp_path)
    assert done.returncode == 4
    assert "the file is no polemark store" in done.stdout


def test_a_bar_is_drawn_for_a_terminal_alone(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    from station.audit_verify import verify_command

    screen = Terminal()
    monkeypatch.setattr("sys.stderr", screen)
    with contextlib.redirect_stdout(io.StringIO()) as said:
        assert verify_command(data, (), json_wanted=False) == 0
    assert "Reading" in screen.getvalue()
    assert "100%" in screen.getvalue()
    assert "Reading" not in said.getvalue()


def test_show_tells_place_history_people_instruments_and_proof(data: Path) -> None:
    done = polemark("audit", "show", "PM-000001", "--data", data)
    assert done.returncode == 0, done.stderr
    said = done.stdout
    for part in (
        "PM-000001: production, as-found of motor NB4-20771 (nb4-100), job J-26-0418",
        "Record: entry 3, sha256:",
        "Robin Sample (technician): PM-000001 recorded: complete, proposes rework",
        "Kim Sample: PM-000001 amended: motor.shop_tag from 'T-118' to 'T-181': misread",
        "spin supply: Invented Instruments P60, serial II-0207, calibration due 2026-02-14, OVERDUE on the day, certificate C-0992",
        "hand instrument: milliohm meter, serial H-12, calibration due 2026-12-01",
        "switch: Invented Instruments R40, serial II-0090, calibration due not stated",
        "stated, not verified",
        "by the key for production, sha256:",
        "The entries above fit their digests and lie in this head; its signature holds.",
    ):
        assert part in said, part
    as_json = json.loads(polemark("audit", "show", "PM-000001", "--json", "--data", data).stdout)
    assert [entry["kind"] for entry in as_json["history"]] == ["started", "record", "amendment"]
    assert as_json["position"] == 3
    assert [i["overdue_on_the_day"] for i in as_json["instruments"] if i["serial"] == "II-0207"] == [True]


def test_show_says_void_and_hides_no_line_break(data: Path) -> None:
    done = polemark("audit", "show", "SIM-000001", "--data", data)
    assert "SIM-000001: VOID, simulated" in done.stdout
    assert "Kim Sample: SIM-000001 marked void: tried out" in done.stdout
    assert "by the key for simulated and training" in done.stdout


def test_show_of_a_changed_record_and_of_none(data: Path) -> None:
    done = polemark("audit", "show", "PM-000009", "--data", data)
    assert done.returncode == 4
    assert "there is no record PM-000009; `polemark records` lists" in one_sentence(done)
    tampered(data, "UPDATE entries SET content = CAST(replace(content, 'NB4', 'NB5') AS BLOB) WHERE position = 3")
    done = polemark("audit", "show", "PM-000001", "--data", data)
    assert done.returncode == 4
    assert "the record of PM-000001 does not fit its digest" in one_sentence(done)


def test_show_finds_an_entry_that_was_replaced_with_its_leaf(data: Path) -> None:
    with closing(sqlite3.connect(data / "records.db")) as connection:
        (content,) = connection.execute("SELECT content FROM entries WHERE position = 3").fetchone()
    changed = content.replace(b"12.41", b"2.41")
    forge(data, 3, changed)
    done = polemark("audit", "show", "PM-000001", "--data", data)
    assert done.returncode == 4
    assert "does not lie in the signed head of size 11" in one_sentence(done)


def forge(data: Path, position: int, content: bytes) -> None:
    """Put other content under a leaf that fits it, as somebody could who knows how leaves are made."""
    row = f"content = x'{content.hex()}', leaf = x'{leaf_hash(content).hex()}'"
    tampered(data, f"UPDATE entries SET {row} WHERE position = {position}")  # noqa: S608


FORGED = {
    "a list": b"[]",
    "half a surrogate pair": b'{"format":"polemark-record-1","number":"\\ud800","ended_utc":"2026-03-25T08:13:55.000Z"}',
    "a control character": b'{"format":"polemark-record-1","number":"\\u001b[2J","ended_utc":"2026-03-25T08:13:55.000Z"}',
    "nothing of a record": b'{"format":"polemark-record-1","number":"PM-000001","ended_utc":"2026-03-25T08:13:55.000Z","x":"II-0031"}',
    "endless lists": b"[" * 100_000,
    "a format of another time": b'{"format":"polemark-other-9","number":"PM-000001"}',
}  # fmt: skip


@pytest.mark.parametrize("name", FORGED)
def test_a_forged_entry_ends_every_command_with_a_sentence_that_can_be_printed(data: Path, name: str) -> None:
    forge(data, 3, FORGED[name])
    for command in (
        ("verify",), ("verify", "--json"), ("show", "PM-000001"), ("trail",), ("trail", "--json"), ("touched-by", "II-0031"),
        ("export", "PM-000001", "--out", str(data / "x.zip")),
    ):  # fmt: skip
        done = polemark("audit", *command, "--data", data)
        assert done.returncode in (0, 4), command
        said = done.stdout + done.stderr
        said.encode()
        assert "\x1b" not in said
        if command[0] == "verify":
            assert done.returncode == 4
            assert "entry 3" in said
    assert "\\ud800" not in polemark("audit", "verify", "--data", data).stdout


def test_the_record_of_a_run_that_died_is_shown(data: Path) -> None:
    with Store.open(data / "records.db") as store:
        dead = store.begin_run(started())
        store.close_dead_runs(NOW, "closed at the next start", lambda _: False)
    done = polemark("audit", "show", dead.number, "--data", data)
    assert (done.returncode, done.stderr) == (0, "")
    assert f"{dead.number} recorded: stopped, proposes nothing (the run was stopped)" in done.stdout
    assert "people: not stated" in done.stdout
    assert polemark("audit", "verify", "--data", data).returncode == 0
    out = data / "dead.zip"
    assert polemark("audit", "export", dead.number, "--out", out, "--data", data).returncode == 0


def test_the_trail_says_who_did_what_when(data: Path) -> None:
    lines = polemark("audit", "trail", "--data", data).stdout.splitlines()
    assert len(lines) == 12
    assert "2026-03-25 08:02:55Z  not stated: signing key for production entered: sha256:" in lines[0]
    assert "job J-26-0418 entered: motor NB4-20771, customer Alder Packaging (invented)" in lines[1]
    assert lines[-1].startswith("11 entries. Times are those of the station's clock")
    subjects = {
        "NB4-20771": ["job", "started", "record", "amendment"], "J-2": ["started", "record", "void"], "PM-000002": ["started", "record"],
        "J-26-0418": ["job", "started", "record", "amendment"], "nobody": [],
    }  # fmt: skip
    for subject, kinds in subjects.items():
        listed = json.loads(polemark("audit", "trail", "--subject", subject, "--json", "--data", data).stdout)
        assert [entry["kind"] for entry in listed] == kinds, subject


@pytest.mark.parametrize(
    ("options", "count"),
    [
        (("--from", "2026-03-25", "--to", "2026-03-25"), 11),
        (("--from", "2026-03-26"), 0),
        (("--to", "2026-03-24"), 0),
        (("--from", "2026-03-25T08:10Z"), 3),
        (("--to", "2026-03-25T09:10+01:00"), 8),
    ],
)
def test_the_trail_of_a_time(data: Path, options: tuple[str, ...], count: int) -> None:
    assert len(json.loads(polemark("audit", "trail", *options, "--json", "--data", data).stdout)) == count


@pytest.mark.parametrize("said", ["yesterday", "2026-13-01", "2026-03-25T08:00", "25.3.2026"])
def test_a_time_that_is_none_is_refused(data: Path, said: str) -> None:
    done = polemark("audit", "trail", "--from", said, "--data", data)
    assert done.returncode == 2
    assert (
        one_sentence(done) == f"--from is {said!r}; allowed: a day as 2026-03-25 (UTC), or a time as 2026-03-25T08:00Z"
    )


@pytest.mark.parametrize(
    ("instrument", "numbers"),
    [
        ("II-0031", ["PM-000001", "SIM-000001", "PM-000002"]), ("ii-0031", ["PM-000001", "SIM-000001", "PM-000002"]),
        ("Invented Instruments W4", ["PM-000001", "SIM-000001", "PM-000002"]), ("H-12", ["PM-000001", "SIM-000001"]),
        ("milliohm meter", ["PM-000001", "SIM-000001"]), ("TH-07", ["PM-000002"]), ("thermometer TH-07", ["PM-000002"]),
        ("II-003", []), ("NB4-20771", []), ("Robin", []),
    ],
)  # fmt: skip
def test_every_record_that_an_instrument_took_part_in(data: Path, instrument: str, numbers: list[str]) -> None:
    rows = json.loads(polemark("audit", "touched-by", instrument, "--json", "--data", data).stdout)
    assert [row["number"] for row in rows] == numbers


def test_touched_by_says_when_calibration_was_due_and_when_it_is_not_known(data: Path) -> None:
    overdue = polemark("audit", "touched-by", "II-0207", "--data", data).stdout.splitlines()
    assert overdue[0] == (
        "PM-000001  2026-03-25  as-found of motor NB4-20771, job J-26-0418: Invented Instruments P60, serial II-0207 "
        "as spin supply, calibration due 2026-02-14, OVERDUE on the day"
    )
    assert overdue[-1] == "3 records; calibration overdue on the day in 3, not stated in 0."
    unknown = polemark("audit", "touched-by", "TH-07", "--data", data).stdout.splitlines()
    assert unknown[-1] == "1 record; calibration overdue on the day in 0, not stated in 1."
    none = polemark("audit", "touched-by", "X-1", "--data", data)
    assert (none.returncode, none.stdout) == (
        0, "No record names an instrument X-1, neither as serial number nor as name.\n",
    )  # fmt: skip
    empty = polemark("audit", "touched-by", " ", "--data", data)
    assert (empty.returncode, one_sentence(empty)) == (2, "the instrument is empty; allowed: a serial number or a name")


def test_growth_is_proved_in_a_file_that_is_checked_without_the_store(data: Path, tmp_path: Path) -> None:
    earlier, proof = head_of(data), tmp_path / "growth.json"
    with Store.open(data / "records.db") as store:
        store_record(store, started())
    made = polemark("audit", "head", "--grown-from", earlier, "--out", proof, "--data", data)
    assert (made.returncode, made.stderr) == (0, "")
    assert proof.stat().st_size < 2000
    checked = polemark("audit", "check", proof)
    assert checked.returncode == 0, checked.stderr
    assert f"The ledger grew from the head {earlier}." in checked.stdout
    assert "The signature holds." in checked.stdout
    assert polemark("audit", "check", proof, "--head", head_of(data)).returncode == 0
    other = polemark("audit", "check", proof, "--head", earlier)
    assert other.returncode == 4
    assert "which is not the kept head of 11 entries" in one_sentence(other)
    document = json.loads(proof.read_text())
    document["path"][0] = "00" * 32
    proof.write_text(json.dumps(document))
    spoilt = polemark("audit", "check", proof)
    assert spoilt.returncode == 4
    assert "the proof does not hold" in one_sentence(spoilt)


def test_growth_from_a_strange_or_later_head_has_no_proof(data: Path) -> None:
    for head, sentence in (
        (f"5:{'ab' * 32}", "did not grow from the head of size 5"),
        (f"50:{'ab' * 32}", "this is an older copy"),
    ):
        done = polemark("audit", "head", "--grown-from", head, "--data", data)
        assert done.returncode == 4
        assert sentence in one_sentence(done)


def test_a_head_file_is_checked_and_a_spoilt_one_is_not_kept(data: Path, tmp_path: Path) -> None:
    file = tmp_path / "head.json"
    polemark("audit", "head", "--out", file, "--data", data)
    assert "The signature holds." in polemark("audit", "check", file).stdout
    document = json.loads(file.read_text()) | {"size": 12}
    file.write_text(json.dumps(document))
    checked = polemark("audit", "check", file)
    assert (checked.returncode, one_sentence(checked)) == (
        4,
        "the signature does not hold: the head or the signature was changed",
    )
    done = polemark("audit", "verify", "--head", file, "--data", data)
    assert done.returncode == 2
    assert "holds no head: the head of size 12 is not signed by the key it names" in one_sentence(done)


BAD: dict[str, tuple[tuple[str, ...], str]] = {
    "no such head": (("verify", "--head", "none"), "'none' cannot be read: No such file or directory; allowed: a head: a file"),
    "no proof": (("check", "none.json"), "'none.json' cannot be read: No such file"),
    "a number for a head": (("head", "--grown-from", "12"), "'12' cannot be read"),
    "nothing to export": (("export", "--out", "x.zip"), "name the records to export, or give --from and --to"),
    "both": (("export", "PM-000001", "--from", "2026-01-01", "--out", "x.zip"), "allowed: one of the two"),
    "nothing in that time": (("export", "--from", "2030-01-01", "--out", "x.zip"), "no record was started in that time (simulated"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_bad_input_is_one_sentence(data: Path, name: str) -> None:
    args, sentence = BAD[name]
    done = polemark("audit", *args, *(() if args[0] == "check" else ("--data", data)))
    assert done.returncode == 2
    assert sentence in one_sentence(done)


@pytest.mark.parametrize("command", [("verify",), ("show", "PM-1"), ("trail",), ("touched-by", "X"), ("head",)])
def test_an_audit_of_nothing_makes_no_store(tmp_path: Path, command: tuple[str, ...]) -> None:
    done = polemark("audit", *command, "--data", tmp_path / "none")
    assert done.returncode == 2
    assert one_sentence(done).startswith(f"there is no store {tmp_path / 'none' / 'records.db'}; allowed: --data")
    assert list(tmp_path.iterdir()) == []


def test_no_audit_command_changes_the_store(data: Path) -> None:
    before, rows = (data / "records.db").read_bytes(), dump(data / "records.db")
    for command in (("verify",), ("show", "PM-000001"), ("trail",), ("touched-by", "II-0031"), ("head",)):
        assert polemark("audit", *command, "--data", data).returncode == 0
    assert (data / "records.db").read_bytes() == before
    assert dump(data / "records.db") == rows
    assert sorted(p.name for p in data.iterdir()) == ["keys", "records.db", "sheets"]
