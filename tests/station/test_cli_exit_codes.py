"""Every command ends with the exit code its outcome has, and says why in one sentence, with the bench left at rest."""

import io
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from command_line import one_sentence, polemark

from db.store import Store
from drivers.bench_file import read_bench
from drivers.bench_lock import BenchLock
from drivers.bench_process import simulated_bench
from drivers.link import Link
from drivers.simulation import Simulation

ROOT = Path(__file__).resolve().parents[2]
TEMPLATE = ROOT / "sequences" / "benches" / "simulated.yaml"
AS_FOUND = "condition: sound\nambient temperature: {value: 22.4 degC, hand_instrument: TH-07}\n"
AS_LEFT = """\
ambient temperature: {{value: 22.4 degC, hand_instrument: TH-07}}
winding temperature: {{value: 22.0 degC, hand_instrument: TH-07}}
resistance U-V: {{value: {ohm} ohm, hand_instrument: MO-03}}
resistance V-W: {{value: {ohm} ohm, hand_instrument: MO-03}}
resistance W-U: {{value: {ohm} ohm, hand_instrument: MO-03}}
insulation: {{value: 840 Mohm, hand_instrument: IT-02}}
"""
SETTING = """\
serial of the new unit: FU-2291
lot of the new unit: L-26-31
lock: {value: 1.2 N*m, hand_instrument: TD-11}
screw locker: SL-0417
"""


def in_a_shell(*args: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the command as a shell would, without a terminal."""
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    return subprocess.run(
        [sys.executable, "-m", "station.cli", *map(str, args)],
        cwd=ROOT, env=environment, capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=120, check=False,
    )  # fmt: skip


@pytest.fixture(autouse=True)
def no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO())


def written(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def records(data: Path) -> list[dict[str, str]]:
    done = polemark("records", "--data", data, "--json")
    assert done.returncode == 0, done.stderr
    listed: list[dict[str, str]] = json.loads(done.stdout)
    return listed


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A stepped simulated bench that every test of this file may run on, one at a time."""
    with simulated_bench(TEMPLATE, tmp_path_factory.mktemp("bench") / "bench.yaml") as started:
        yield started.bench_path


def run_args(
    bench: Path, data: Path, answers: Path | None, *, sequence: str = "as-found", serial: str = "MT41-20391",
    kind: str = "ostrel-mt41",
) -> list[str | Path]:  # fmt: skip
    given: list[str | Path] = [] if answers is None else ["--answers", answers]
    fixed: list[str | Path] = ["run", sequence, "--motor", serial, "--type", kind, "--job", "J-77", "--bench", bench]
    return [*fixed, "--data", data, *given]


def line_ohm(bench: Path) -> float:
    """Return the line resistance that a milliohmmeter would show on the motor that is mounted."""
    entry = read_bench(bench).entries()["simulation"]
    link = Link(entry.resource, None)
    link.open((entry.maker, entry.model, entry.serial))
    try:
        return float(Simulation(link).state()["line_resistance_ohm"])
    finally:
        link.close()


def test_a_sound_motor_goes_through_as_found_and_as_left_with_0_and_its_records_sheet_and_yield_can_be_read(
    bench: Path, tmp_path: Path
) -> None:
    data = tmp_path / "data"
    found = in_a_shell(*run_args(bench, data, written(tmp_path / "a.yaml", AS_FOUND)), "--json")
    assert found.returncode == 0, found.stderr
    ohm = line_ohm(bench)
    answers = written(tmp_path / "b.yaml", AS_LEFT.format(ohm=round(ohm * 1.008, 5)))
    left = polemark(*run_args(bench, data, answers, sequence="as-left"), "--json")
    assert left.returncode == 0, left.stderr
    document = json.loads(left.stdout)
    assert document["outcome"] == "complete"
    assert document["stage"] == "as-left"
    assert document["as_found_record"] == json.loads(found.stdout)["number"]
    assert {f["conformity"] for f in document["findings"]} <= {"conforming", None}

    listed = records(data)
    assert [r["stage"] for r in listed] == ["as-found", "as-left"]
    assert polemark("records", "--data", data, "--job", "J-other", "--json").stdout.strip() == "[]"

    sheet = polemark("sheet", document["number"], "--data", data, "--out", tmp_path / "again.html")
    assert sheet.returncode == 0, sheet.stderr
    assert (tmp_path / "again.html").read_bytes() == (data / "sheets" / f"{document['number']}.html").read_bytes()

    figures = json.loads(polemark("yield", "--data", data, "--json").stdout)
    as_left = next(f for f in figures if f["stage"] == "as-left")
    assert (as_left["passed"], as_left["n"], as_left["value"]) == (1, 1, 1.0)
    # Wilson's interval for 1 of 1 at 95 %, z = 1.959964: lower = n / (n + z^2) = 0.2065 (Wilson 1927, JASA 22:209).
    assert as_left["lower"] == pytest.approx(1 / (1 + 1.959964**2), abs=1e-4)


def test_setting_brings_a_wrongly_timed_unit_into_its_window_and_ends_with_0(bench: Path, tmp_path: Path) -> None:
    answers = written(tmp_path / "a.yaml", SETTING)
    done = polemark(*run_args(bench, tmp_path / "d", answers, sequence="setting", serial="MT41-20311"), "--json")
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    assert document["outcome"] == "complete"
    mean = next(f for f in document["findings"] if f["name"] == "offset_mean")
    assert mean["lower"] <= mean["value"] <= mean["upper"]
    assert mean["conformity"] == "conforming"


def test_a_motor_stays_as_the_stage_before_left_it_from_as_found_over_setting_to_as_left(
    bench: Path, tmp_path: Path
) -> None:
    def stage(sequence: str, answers: str) -> int:
        path = written(tmp_path / f"{sequence}.yaml", answers)
        return polemark(
            *run_args(bench, tmp_path / "d", path, sequence=sequence, serial="MT41-20344"), "--json"
        ).returncode

    assert stage("as-found", AS_FOUND) == 1
    assert stage("setting", SETTING) == 0
    assert stage("as-left", AS_LEFT.format(ohm=round(line_ohm(bench) * 1.008, 5))) == 0


def test_a_nonconforming_motor_ends_with_1_and_a_whole_record(bench: Path, tmp_path: Path) -> None:
    answers = written(tmp_path / "a.yaml", AS_FOUND)
    done = polemark(*run_args(bench, tmp_path / "d", answers, serial="MT41-20318"), "--json")
    assert done.returncode == 1, done.stderr
    document = json.loads(done.stdout)
    assert document["outcome"] == "complete"
    assert "nonconforming" in {f["conformity"] for f in document["findings"]}
    assert document["disposition"]["proposed"] != "release"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"serial": "MT41-20392"}, "MT41-20391"),
        ({"kind": "ostrel-mt42"}, "ostrel-mt41"),
        ({"sequence": "as-fuond"}, "as-found"),
    ],
    ids=["serial", "type", "sequence"],
)
def test_an_unknown_name_ends_with_2_and_says_which_was_meant(
    bench: Path, tmp_path: Path, change: dict[str, str], said: str
) -> None:
    data = tmp_path / "d"
    done = polemark(*run_args(bench, data, written(tmp_path / "a.yaml", AS_FOUND), **change))
    assert done.returncode == 2
    sentence = one_sentence(done)
    assert next(iter(change.values())) in sentence
    assert said in sentence
    assert records(data) == []


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        ("condition: sound\n", "ambient temperature"),
        ("condition: [sound\n", "a.yaml:"),
        ("condition: sound\nambient temperature: 22.4\n", "unit"),
        ("condition: splendid\nambient temperature: 22.4 degC\n", "splendid"),
        ("condition: sound\ncondition: wet\nambient temperature: 22.4 degC\n", "condition"),
    ],
    ids=["missing", "no YAML", "no unit", "no choice", "duplicate"],
)
def test_answers_that_do_not_serve_end_with_2_before_any_run_begins(
    bench: Path, tmp_path: Path, answers: str, said: str
) -> None:
    data = tmp_path / "d"
    done = polemark(*run_args(bench, data, written(tmp_path / "a.yaml", answers)))
    assert done.returncode == 2
    sentence = one_sentence(done)
    assert said in sentence
    assert "allowed: " in sentence
    assert records(data) == []


def test_a_bad_sequence_file_ends_with_2_and_names_file_line_and_column(bench: Path, tmp_path: Path) -> None:
    shipped = (ROOT / "sequences" / "as-found.yaml").read_text(encoding="utf-8")
    wrong = written(tmp_path / "mine.yaml", shipped.replace("turns: 2,", "truns: 2,"))
    assert wrong.read_text(encoding="utf-8") != shipped
    for done in (
        polemark("validate", wrong),
        polemark(*run_args(bench, tmp_path / "d", written(tmp_path / "a.yaml", AS_FOUND), sequence=str(wrong))),
    ):
        assert done.returncode == 2
        assert "Traceback" not in done.stderr
        assert re.search(r"mine\.yaml:\d+:\d+: .*truns.*allowed: .*turns", done.stderr), done.stderr


def test_questions_without_a_terminal_or_answers_end_with_2_and_leave_no_open_run(bench: Path, tmp_path: Path) -> None:
    data = tmp_path / "d"
    done = polemark(*run_args(bench, data, None))
    assert done.returncode == 2
    assert "terminal" in done.stderr
    assert "--answers" in done.stderr
    assert "Traceback" not in done.stderr
    if data.exists():
        with Store.open(data / "records.db") as store:
            assert list(store.open_runs()) == []


def test_a_bench_that_does_not_answer_ends_with_3(bench: Path, tmp_path: Path) -> None:
    text = re.sub(r"(resource: TCPIP0::127\.0\.0\.1::)\d+", r"\g<1>9", bench.read_text(encoding="utf-8"))
    away = written(tmp_path / "away.yaml", text)
    done = polemark(*run_args(away, tmp_path / "d", written(tmp_path / "a.yaml", AS_FOUND)))
    assert done.returncode == 3
    assert "127.0.0.1" in one_sentence(done)
    assert polemark("bench", "check", "--bench", away).returncode == 3


def test_another_instrument_than_the_bench_file_names_ends_with_3(bench: Path, tmp_path: Path) -> None:
    text = bench.read_text(encoding="utf-8").replace("serial: SIM-SPIN", "serial: SIM-SPUN")
    other = written(tmp_path / "other.yaml", text)
    done = polemark(*run_args(other, tmp_path / "d", written(tmp_path / "a.yaml", AS_FOUND)))
    assert done.returncode == 3
    sentence = one_sentence(done)
    assert "SIM-SPUN" in sentence
    assert "SIM-SPIN" in sentence


def test_a_bench_in_use_by_another_run_ends_with_3_and_says_by_which_process(bench: Path, tmp_path: Path) -> None:
    lock = BenchLock(read_bench(bench))
    lock.take()
    try:
        done = in_a_shell(*run_args(bench, tmp_path / "d", written(tmp_path / "a.yaml", AS_FOUND)))
    finally:
        lock.release()
    assert done.returncode == 3
    sentence = one_sentence(done)
    assert "in use" in sentence
    assert str(os.getpid()) in sentence
    assert records(tmp_path / "d") == []


def test_a_data_folder_that_cannot_be_made_ends_with_4(bench: Path, tmp_path: Path) -> None:
    written(tmp_path / "file", "not a folder\n")
    done = polemark(*run_args(bench, tmp_path / "file" / "data", written(tmp_path / "a.yaml", AS_FOUND)))
    assert done.returncode == 4
    assert str(tmp_path / "file") in one_sentence(done)


def test_a_store_that_is_no_database_ends_with_4_and_is_left_as_it_was(bench: Path, tmp_path: Path) -> None:
    data = tmp_path / "d"
    data.mkdir()
    damaged = b"this is no database\n" * 300
    (data / "records.db").write_bytes(damaged)
    answers = written(tmp_path / "a.yaml", AS_FOUND)
    for done in (polemark(*run_args(bench, data, answers)), polemark("records", "--data", data)):
        assert done.returncode == 4
        assert "records.db" in one_sentence(done)
    assert (data / "records.db").read_bytes() == damaged


def test_a_sheet_that_cannot_be_written_ends_with_4_and_the_records_stay(bench: Path, tmp_path: Path) -> None:
    data, answers = tmp_path / "d", written(tmp_path / "a.yaml", AS_FOUND)
    assert polemark(*run_args(bench, data, answers)).returncode == 0
    before = records(data)
    # A folder where the next sheet's half-written file goes: nobody, root neither, can write over it.
    (data / "sheets" / "SIM-000002.part").mkdir()
    done = polemark(*run_args(bench, data, answers), "--retest-reason", "connection")
    assert done.returncode == 4
    assert "Traceback" not in done.stderr
    assert "SIM-000002" in done.stderr
    after = records(data)
    assert after[: len(before)] == before
    assert [r["number"] for r in after] == ["SIM-000001", "SIM-000002"]


def test_an_unknown_record_has_no_sheet(tmp_path: Path) -> None:
    done = polemark("sheet", "PM-000099", "--data", tmp_path / "d")
    assert done.returncode in (2, 4)
    assert "PM-000099" in one_sentence(done)


@pytest.mark.parametrize(
    "command",
    [
        [], ["demo"], ["run"], ["validate"], ["schema"], ["records"], ["sheet"], ["yield"], ["bench"],
        ["bench", "check"], ["bench", "simulate"],
    ],
)  # fmt: skip
def test_help_of_every_command_answers_with_0(command: list[str]) -> None:
    done = polemark(*command, "--help")
    assert done.returncode == 0, done.stderr
    assert "Usage:" in done.stdout


def test_help_of_the_program_itself_answers_with_0_and_a_wrong_option_with_2() -> None:
    assert in_a_shell("--help").returncode == 0
    wrong = in_a_shell("records", "--moter", "X")
    assert wrong.returncode == 2
    assert "--moter" in one_sentence(wrong)


def test_validate_and_schema_answer_without_a_bench() -> None:
    valid = polemark("validate", "as-found", "--json")
    assert (valid.returncode, json.loads(valid.stdout)) == (0, [])
    schema = polemark("schema", "bench")
    assert schema.returncode == 0
    assert json.loads(schema.stdout)["$schema"].startswith("https://json-schema.org/")


def test_bench_check_names_every_instrument_and_ends_with_0_on_a_bench_at_rest(bench: Path) -> None:
    done = polemark("bench", "check", "--bench", bench, "--json")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert set(told["instruments"]) == set(read_bench(bench).entries())
    assert all(c["ok"] for c in told["checks"])
