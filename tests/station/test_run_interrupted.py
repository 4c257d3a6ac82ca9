"""A run that is interrupted leaves the bench at rest and a whole record; one that is killed is closed by the next start."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from db.store import Store
from drivers.bench_file import read_bench
from drivers.link import Link
from drivers.simulation import Simulation

ROOT = Path(__file__).resolve().parents[2]
ANSWERS = "condition: sound\nambient temperature: {value: 22.4 degC, hand_instrument: TH-07}\n"
DEADLINE_S = 60.0


def child(*args: str | Path, start_new_session: bool = False) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-m", "station.cli", *map(str, args)],
        cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)}, text=True, stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=start_new_session,
    )  # fmt: skip


def until(there: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + DEADLINE_S
    while not there():
        assert time.monotonic() < end, f"{what} within {DEADLINE_S:g} s"
        time.sleep(0.05)


@contextmanager
def ended(process: "subprocess.Popen[str]") -> Iterator["subprocess.Popen[str]"]:
    """End a child at the end of the test, whatever happened in it."""
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


@contextmanager
def simulation_of(bench: Path) -> Iterator[Simulation]:
    """Open the control side of the bench, beside whoever runs it."""
    entry = read_bench(bench).entries()["simulation"]
    link = Link(entry.resource, None)
    link.open((entry.maker, entry.model, entry.serial))
    try:
        yield Simulation(link)
    finally:
        link.close()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Path]:
    """A bench on its own clock, kept by `polemark bench simulate`, as a person at a second terminal would."""
    path = tmp_path / "bench.yaml"
    with ended(child("bench", "simulate", "--clock", "scaled", "--factor", "5", "--out", path)) as process:
        until(lambda: path.exists() and "clock_factor" in path.read_text(encoding="utf-8"), "the bench is there")
        yield path
        process.send_signal(signal.SIGTERM)
        assert process.wait(DEADLINE_S) == 0
        assert not path.exists()


def begin(bench: Path, data: Path, answers: Path) -> "subprocess.Popen[str]":
    answers.write_text(ANSWERS, encoding="utf-8")
    return child(
        "run", "as-found", "--motor", "MT41-20391", "--type", "ostrel-mt41", "--job", "J-9", "--bench", bench,
        "--data", data, "--answers", answers,
    )  # fmt: skip


def wait_until_it_turns(bench: Path) -> None:
    with simulation_of(bench) as simulation:
        until(lambda: abs(float(simulation.state()["speed_rpm"])) > 100.0, "the shaft turns")


def records_of(data: Path) -> list[dict[str, Any]]:
    with Store.open(data / "records.db") as store:
        return [dict(store.record(s.number).document) for s in store.find()]


def last_values(log: list[dict[str, Any]]) -> dict[str, Any]:
    return {e["what"]: e["value"] for e in log}


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT], ids=["SIGTERM", "SIGINT"])
def test_a_signal_while_turning_ends_the_run_with_3_a_stopped_record_and_the_bench_at_rest(
    bench: Path, tmp_path: Path, number: signal.Signals
) -> None:
    data = tmp_path / "data"
    with ended(begin(bench, data, tmp_path / "a.yaml")) as run:
        wait_until_it_turns(bench)
        run.send_signal(number)
        said, errors = run.communicate(timeout=DEADLINE_S)
    assert run.returncode == 3, errors
    assert "Traceback" not in errors
    assert "Outcome: stopped" in said

    (record,) = records_of(data)
    assert record["outcome"] == "stopped"
    assert "asked to stop" in record["stop_reason"]
    assert record["not_tested"]
    assert record["disposition"]["proposed"] != "release"
    assert (data / "sheets" / f"{record['number']}.html").is_file()

    with simulation_of(bench) as simulation:
        last = last_values(simulation.event_log())
        # The dead-man relay is no part of this: the station itself took the supply off before it let go.
        assert last["spin supply output"] is False
        assert last["sensor supply output"] is False
        assert not any(value for what, value in last.items() if what.startswith("relay "))
        assert float(simulation.state()["speed_rpm"]) == pytest.approx(0.0, abs=0.5)


def test_a_killed_run_stands_still_by_the_dead_man_relay_and_the_next_run_closes_its_entry(
    bench: Path, tmp_path: Path
) -> None:
    data = tmp_path / "data"
    with ended(begin(bench, data, tmp_path / "a.yaml")) as run:
        wait_until_it_turns(bench)
        run.kill()
        run.wait(DEADLINE_S)
    with Store.open(data / "records.db") as store:
        (started,) = store.open_runs()
        assert store.find() == []
    with simulation_of(bench) as simulation:
        until(lambda: simulation.state()["contactor"] is False, "the dead-man relay drops the contactor")
        until(lambda: abs(float(simulation.state()["speed_rpm"])) < 0.5, "the shaft stands")

    # The lock went with the process, so the bench is free; whoever comes next takes it to rest first.
    with ended(begin(bench, data, tmp_path / "a.yaml")) as run:
        until(lambda: len(records_of(data)) == 1, "the dead run is closed")
        wait_until_it_turns(bench)
        run.send_signal(signal.SIGTERM)
        run.communicate(timeout=DEADLINE_S)
    assert run.returncode == 3
    closed, second = records_of(data)
    assert closed["number"] == started["number"]
    assert (closed["outcome"], closed["motor"]["serial"]) == ("stopped", "MT41-20391")
    assert "next run" in closed["stop_reason"]
    assert second["number"] != closed["number"]
    with Store.open(data / "records.db") as store:
        assert list(store.open_runs()) == []
    with simulation_of(bench) as simulation:
        assert last_values(simulation.event_log())["spin supply output"] is False
