"""Running a stage again: only with a reason, never in place of the first, and twice at most without rework."""

import json
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from command_line import one_sentence, polemark
from people_samples import TEMPLATE, add_people, as_person, silent_bench
from store_samples import NOW, opened, problems, started, store_record

from drivers.bench_process import simulated_bench

MOTOR, JOB, QUINN = "MT41-20391", "J-8", "Quinn Example"
ANSWERS = "condition: sound\nambient temperature: {value: 22.4 degC, hand_instrument: TH-07}\n"
CLEARED = 3
"""The exit code of a run that passed every check and then found no bench to open."""
REASONS = "allowed: --retest-reason with one of 'connection', 'fixture', 'rework done'"


@pytest.fixture
def data(tmp_path: Path) -> Path:
    folder = tmp_path / "data"
    folder.mkdir()
    return folder


def stored(data: Path, *reasons: str | None, **changes: Any) -> list[str]:
    """Store one complete run of the motor for each reason; none for a first run."""
    start = {"kind": "simulated", "stage": "as-found", "job": JOB, "motor_serial": MOTOR}
    start |= {name: changes.pop(name) for name in tuple(changes) if name in (*start, "started_utc")}
    numbers = []
    with opened(data) as store:
        for reason in reasons:
            retest = None if reason is None else {"reason": reason, "first": "SIM-000001", "ordinal": 1}
            numbers.append(store_record(store, started(**start), retest=retest, **changes).number)
    return numbers


def run(data: Path, bench: Path, *more: str | Path, sequence: str = "as-found", job: str = JOB) -> tuple[int, str]:
    answers = data.parent / "answers.yaml"
    answers.write_text(ANSWERS, encoding="utf-8")
    done = polemark(
        "run", sequence, "--motor", MOTOR, "--type", "ostrel-mt41", "--job", job, "--bench", bench,
        "--data", data, "--answers", answers, *more,
    )  # fmt: skip
    return done.returncode, done.stdout if done.returncode in (0, 1) else one_sentence(done)


def test_a_stage_is_run_again_only_with_a_reason(data: Path, tmp_path: Path) -> None:
    bench = silent_bench(tmp_path)
    (first,) = stored(data, None)
    code, said = run(data, bench)
    assert code == 2
    assert said == f"motor {MOTOR} of job {JOB} has been through as-found already (record {first}); {REASONS}"
    for reason in ("connection", "fixture", "rework done"):
        assert run(data, bench, "--retest-reason", reason)[0] == CLEARED
    unknown = run(data, bench, "--retest-reason", "bad luck")
    assert unknown[0] == 2
    assert "'bad luck' is not one of 'connection', 'fixture', 'rework done'" in unknown[1]


def test_a_first_run_takes_no_reason_and_training_is_never_a_retest(data: Path, tmp_path: Path) -> None:
    bench = silent_bench(tmp_path)
    code, said = run(data, bench, "--retest-reason", "fixture")
    assert (code, "has no complete run of as-found yet, so this is no retest" in said) == (2, True)
    stored(data, None)
    stored(data, None, kind="training")
    assert run(data, bench, "--training")[0] == CLEARED
    code, said = run(data, bench, "--training", "--retest-reason", "fixture")
    assert (code, "a training run is no retest; allowed: no --retest-reason" in said) == (2, True)


def test_a_stopped_or_void_run_another_job_motor_stage_or_kind_makes_no_retest(data: Path, tmp_path: Path) -> None:
    stored(data, None, outcome="stopped", stop_reason="guard opened")
    (void,) = stored(data, None)
    with opened(data) as store:
        store.add_void(void, "Q", "wrong motor on the bench", NOW)
    for change in ({"job": "J-9"}, {"motor_serial": "MT41-2"}, {"stage": "as-left"}, {"kind": "production"}):
        stored(data, None, **change)
    assert run(data, silent_bench(tmp_path))[0] == CLEARED


@pytest.mark.parametrize(
    ("reasons", "locked"),
    [
        (["connection"], False),
        (["connection", "fixture"], True),
        (["connection", "rework done"], False),
        (["connection", "rework done", "fixture"], False),
        (["connection", "rework done", "fixture", "fixture"], True),
    ],
)
def test_two_retests_without_rework_lock_the_motor(
    data: Path, tmp_path: Path, reasons: list[str], locked: bool
) -> None:
    bench = silent_bench(tmp_path)
    stored(data, None, *reasons)
    code, said = run(data, bench, "--retest-reason", "rework done")
    assert code == (2 if locked else CLEARED)
    assert (f"motor {MOTOR} of job {JOB} is locked: as-found was run again 2 times without rework" in said) is locked
    # Practice goes on, and in another job the motor is not locked.
    assert (run(data, bench, "--training")[0], run(data, bench, job="J-9")[0]) == (CLEARED, CLEARED)


def test_a_locked_motor_goes_through_no_other_stage_either(data: Path, tmp_path: Path) -> None:
    stored(data, None, "connection", "fixture", stage="setting")
    code, said = run(data, silent_bench(tmp_path))
    assert (code, "is locked: setting was run again 2 times without rework" in said) == (2, True)


def test_the_policy_says_how_many_retests_are_too_many(data: Path, tmp_path: Path) -> None:
    stored(data, None, "connection", "fixture")
    (data / "policy.yaml").write_text("retests_without_rework: 3\n", encoding="utf-8")
    assert run(data, silent_bench(tmp_path), "--retest-reason", "fixture")[0] == CLEARED


def test_runs_of_the_demo_that_came_without_reasons_lock_nothing(data: Path, tmp_path: Path) -> None:
    stored(data, None, None, None, None)
    assert run(data, silent_bench(tmp_path), "--retest-reason", "fixture")[0] == CLEARED


def test_a_quality_person_unlocks_a_motor_and_it_can_be_locked_again(data: Path, tmp_path: Path) -> None:
    bench = silent_bench(tmp_path)
    (data / "policy.yaml").write_text("names: stated\n", encoding="utf-8")
    with opened(data) as store:
        add_people(store)
    stored(data, None, "connection", "fixture")
    unlock = ["unlock", "--motor", MOTOR, "--reason", "New cable fitted.", "--data", data]
    technician = polemark(*unlock, "--job", JOB, *as_person(tmp_path, "Tom Example"))
    assert technician.returncode == 2
    assert "Tom Example (technician) may not unlock a motor" in one_sentence(technician)
    elsewhere = polemark(*unlock, "--job", "J-404", *as_person(tmp_path, QUINN))
    assert (elsewhere.returncode, "there is no record of motor" in one_sentence(elsewhere)) == (2, True)
    assert run(data, bench, "--retest-reason", "fixture")[0] == 2
    assert polemark(*unlock, "--job", JOB, *as_person(tmp_path, QUINN)).returncode == 0
    assert run(data, bench, "--retest-reason", "fixture")[0] == CLEARED
    stored(data, "fixture", started_utc=NOW + timedelta(hours=1))
    assert run(data, bench, "--retest-reason", "fixture")[0] == CLEARED
    stored(data, "fixture", started_utc=NOW + timedelta(hours=2))
    assert run(data, bench, "--retest-reason", "fixture")[0] == 2
    assert problems(data / "records.db") == []
    with opened(data) as store:
        (entry,) = store.entries("unlock", subject=MOTOR)
    assert (entry.document["by"], entry.document["job"], entry.document["why"]) == (QUINN, JOB, "New cable fitted.")


def test_a_retest_never_takes_the_place_of_the_first_in_yield(data: Path) -> None:
    bad = [{"name": "offset_H1", "label": "offset of H1", "group": "timing", "value": 9.0, "unit": "deg_el", "u": 0.1,
            "lower": -3.0, "upper": 3.0, "conformity": "nonconforming"}]  # fmt: skip
    good = [bad[0] | {"value": 0.1, "conformity": "conforming"}]
    stored(data, None, stage="as-left", findings=bad)
    stored(data, "rework done", stage="as-left", findings=good, started_utc=NOW + timedelta(hours=1))
    figures = json.loads(polemark("yield", "--data", data, "--json").stdout)
    as_left = next(f for f in figures if f["stage"] == "as-left")
    assert (as_left["passed"], as_left["n"]) == (0, 1)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    with simulated_bench(TEMPLATE, tmp_path_factory.mktemp("bench") / "bench.yaml") as made:
        yield made.bench_path


def test_the_record_and_sheet_of_a_retest_name_the_first_and_the_reason(data: Path, bench: Path) -> None:
    first, again = (run(data, bench, "--json", *more) for more in ((), ("--retest-reason", "connection")))
    assert (first[0], again[0]) == (0, 0)
    assert json.loads(first[1])["retest"] is None
    document = json.loads(again[1])
    assert document["retest"] == {"reason": "connection", "first": "SIM-000001", "ordinal": 1}
    sheet = (data / "sheets" / f"{document['number']}.html").read_text(encoding="utf-8")
    assert "<strong>Retest 1</strong> after record SIM-000001, which stays the first pass. Reason: connection." in sheet
    with opened(data) as store:
        begun = store.started(document["number"])
    assert begun is not None
    assert begun["facts"]["retest"] == document["retest"]
