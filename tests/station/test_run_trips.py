"""A fault while the shaft turns stops the run, takes the supply off and is named; the next run on the mended bench is whole."""

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from db.store import Store
from drivers.bench import Bench
from drivers.bench_process import simulated_bench
from drivers.simulation import Simulation
from station.answers_file import GivenAnswer
from station.asking import PreparedAnswers
from station.data_folder import DataFolder
from station.planned_steps import PlannedStep
from station.run_execution import RunRequest, execute
from station.run_preparation import prepare
from station.simulated_hands import SimulatedHands

ROOT = Path(__file__).resolve().parents[2]
TEMPLATE = ROOT / "sequences" / "benches" / "simulated.yaml"
WITHOUT_BRAKE = ("MT41-20391", "ostrel-mt41")
WITH_BRAKE = ("B5-00871", "brackwater-b5")
TRIP_STEP = "encoder counts"
"""A capture in the middle of the run: the shaft turns at 120 rpm when it begins."""
DEADLINE_S = 0.3
"""From the break to the spin supply being off, as the interlock table promises."""
SHORT = """\
sequence: short
title: One turn each way
stage: as-found
revision: "1"
steps:
  - name: open the guards
    ask: {prompt: "Motor clamped, both guards open for the hand turn", answer: confirm, hands: [clamp motor, open guards]}
  - energise: {output: sensor supply}
  - energise: {output: brake}
  - name: hand turn
    capture: {signals: sensors, winding_pair: U-V, drive: hand, duration: 4 s, interval: 100 us}
  - name: close the guards
    ask: {prompt: "Hands off the shaft, both guards closed", answer: confirm, hands: [close guards]}
  - name: first slow spin
    spin: {direction: CW, speed: 60 rpm, first: true}
  - name: turn for the encoder
    spin: {direction: CW, speed: 120 rpm}
  - name: encoder counts
    capture: {signals: encoder, winding_pair: U-V, turns: 1.2, interval: 20 us}
  - name: another pair
    capture: {signals: sensors, winding_pair: V-W, cycles: 8, interval: 50 us}
  - rest: {}
"""

Document = Mapping[str, Any]


class Desk:
    """A bench, its data folder, and a short run on it into which a test may break."""

    def __init__(self, bench: Bench, bench_path: Path, folder: Path) -> None:
        self.bench, self.bench_path, self.folder = bench, bench_path, folder
        self.sequence = folder / "short.yaml"
        self.sequence.write_text(SHORT, encoding="utf-8")

    @property
    def simulation(self) -> Simulation:
        assert self.bench.simulation is not None
        return self.bench.simulation

    def run(
        self, motor: tuple[str, str], breaks: Callable[[], None] = lambda: None, *, reset_by: str | None = None
    ) -> Document:
        """Mount a motor and run; `breaks` happens when the capture in the middle begins."""
        serial, kind = motor
        self.simulation.mount(serial)
        prepared = prepare(str(self.sequence), kind, self.bench_path)
        asker = PreparedAnswers(
            {name: GivenAnswer(True) for name in prepared.sequence.questions()}, SimulatedHands(self.simulation)
        )

        def show(step: PlannedStep) -> None:
            if step.name == TRIP_STEP:
                breaks()

        data = DataFolder.at(self.folder / "data")
        with data.open_store() as store:
            request = RunRequest(prepared, serial, "J-5", None, reset_by=reset_by)
            return execute(request, self.bench, store, data, asker, show, lambda: False).document

    def log_from(self, start: int) -> list[dict[str, Any]]:
        return self.simulation.event_log(start)

    def stored(self, number: str) -> Document:
        with Store.open(self.folder / "data" / "records.db") as store:
            return store.record(number).document


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with simulated_bench(TEMPLATE, tmp_path / "bench.yaml") as started:
        kind = prepare("as-found", WITHOUT_BRAKE[1], started.bench_path)
        with Bench.open(kind.bench) as bench:
            yield Desk(bench, started.bench_path, tmp_path)


def at_rest_by_its_own_log(log: list[dict[str, Any]]) -> None:
    """Hold the bench's own log against rest: every output and relay that changed is off, and the shaft stands."""
    last = {e["what"]: e["value"] for e in log if e["what"].startswith("relay ") or e["what"].endswith(" output")}
    assert last["spin supply output"] is False
    assert not any(last.values()), last
    assert log[-1]["speed_rpm"] == pytest.approx(0.0, abs=0.01)


def trip(desk: Desk, motor: tuple[str, str], on: Callable[[], None], off: Callable[[], None]) -> Document:
    """Break into a run, check what every trip must do, mend, and run again."""
    started: list[tuple[int, float, float]] = []

    def breaks() -> None:
        state = desk.simulation.state()
        started.append((len(desk.log_from(0)), float(state["now_s"]), float(state["speed_rpm"])))
        on()

    stopped = desk.run(motor, breaks)
    (index, broken_s, speed_rpm), *_ = started
    log = desk.log_from(index)
    assert speed_rpm == pytest.approx(120.0, rel=0.1)
    assert stopped["outcome"] == "stopped"
    off_s = next(e["t_s"] for e in log if e["what"] == "spin supply output" and e["value"] is False)
    assert off_s - broken_s <= DEADLINE_S + 0.1  # one look of the station: the break may come just after one
    at_rest_by_its_own_log(log)
    assert stopped["steps"][-1]["outcome"] == "failed"
    assert stopped["steps"][-1]["name"] in (TRIP_STEP, "another pair")
    assert stopped["disposition"]["proposed"] != "release"
    assert desk.stored(stopped["number"])["stop_reason"] == stopped["stop_reason"]

    off()
    refused_until_reset(desk, motor, stopped)
    at_rest_by_its_own_log(desk.log_from(index))
    return stopped


def refused_until_reset(desk: Desk, motor: tuple[str, str], stopped: Document) -> None:
    """Run again after the fault is gone: refused and recorded as long as no person has reset the trip, then whole."""
    index = len(desk.log_from(0))
    refused = desk.run(motor)
    assert refused["outcome"] == "stopped"
    assert f"run {stopped['number']}" in refused["stop_reason"]
    assert [(e["row"], e["reaction"]) for e in refused["interlock_events"]] == [("trip not reset", "start refused")]
    assert not any(e["what"].endswith(" output") and e["value"] is True for e in desk.log_from(index))

    again = desk.run(motor, reset_by="A. Name")
    assert (again["outcome"], again["stop_reason"]) == ("complete", None)
    (reset,) = again["interlock_events"]
    assert (reset["row"], reset["reaction"]) == (stopped["interlock_events"][0]["row"], "reset")
    assert "reset by A. Name" in reset["what"]
    # A reset is for one trip: the run after it needs none.
    assert desk.run(motor)["outcome"] == "complete"


def hands(desk: Desk, action: str) -> Callable[[], None]:
    return lambda: desk.simulation.hands(action)


def fault(desk: Desk, name: str, *, on: bool) -> Callable[[], None]:
    return lambda: desk.simulation.fault(name, on=on)


def test_a_guard_opened_while_turning_trips_and_is_named(desk: Desk) -> None:
    stopped = trip(desk, WITHOUT_BRAKE, hands(desk, "open guards"), hands(desk, "close guards"))
    assert "drive-end guard: " in stopped["stop_reason"]
    assert "feedback-end guard: " in stopped["stop_reason"]
    # At 120 rpm the EMF is far below what may be touched, so that row has nothing to say.
    assert {e["row"] for e in stopped["interlock_events"]} == {"drive-end guard", "feedback-end guard"}


def test_the_stop_button_pressed_while_turning_trips_and_is_named(desk: Desk) -> None:
    stopped = trip(desk, WITHOUT_BRAKE, hands(desk, "press stop"), hands(desk, "release stop"))
    assert "stop circuit" in stopped["stop_reason"]
    assert [e["row"] for e in stopped["interlock_events"]] == ["stop circuit"]


def test_an_adapter_that_changes_its_code_while_turning_trips_and_is_named(desk: Desk) -> None:
    name = "wrong adapter"
    stopped = trip(desk, WITHOUT_BRAKE, fault(desk, name, on=True), fault(desk, name, on=False))
    assert "adapter" in stopped["stop_reason"]
    assert "adapter" in [e["row"] for e in stopped["interlock_events"]]


def test_the_brake_current_lost_while_turning_stops_the_spin_and_is_named(desk: Desk) -> None:
    name = "brake dead"
    stopped = trip(desk, WITH_BRAKE, fault(desk, name, on=True), fault(desk, name, on=False))
    assert "brake current" in stopped["stop_reason"]
    assert "brake current" in [e["row"] for e in stopped["interlock_events"]]


def test_a_welded_pair_relay_is_found_before_the_next_pair_is_connected(desk: Desk) -> None:
    name = "pair_U-V welded"
    index = len(desk.log_from(0))
    breaks = fault(desk, name, on=True)
    stopped = desk.run(WITHOUT_BRAKE, breaks)
    assert stopped["outcome"] == "stopped"
    assert "U-V" in stopped["stop_reason"]
    assert [e["row"] for e in stopped["interlock_events"]] == ["mirror contacts"]
    log = desk.log_from(index)
    # The break is in the middle of a capture, but shows only when the pair is to be changed.
    assert not any(e["what"] == "relay pair_V-W" and e["value"] is True for e in log)
    at_rest_by_its_own_log(log)
    fault(desk, name, on=False)()
    refused_until_reset(desk, WITHOUT_BRAKE, stopped)


@pytest.mark.parametrize("role", ["scope", "inputs", "spin_supply"])
def test_an_instrument_that_falls_silent_while_turning_stops_the_run_and_is_named(tmp_path: Path, role: str) -> None:
    data = DataFolder.at(tmp_path / "data")
    words = role.replace("_", " ")
    with simulated_bench(TEMPLATE, tmp_path / "bench.yaml") as started:
        bench_file = prepare("as-found", WITHOUT_BRAKE[1], started.bench_path).bench
        with Bench.open(bench_file) as bench:
            desk = Desk(bench, started.bench_path, tmp_path)
            stopped = desk.run(WITHOUT_BRAKE, fault(desk, f"{words} silent", on=True))
            assert stopped["outcome"] == "stopped"
            assert words in stopped["stop_reason"]
            log = desk.log_from(0)
            # A silent supply cannot be switched off any more, so its relay takes the shaft off it.
            last = {e["what"]: e["value"] for e in log}
            assert last["relay spin_on"] is False
            assert last["spin supply output"] is (role == "spin_supply")
            assert log[-1]["speed_rpm"] == pytest.approx(0.0, abs=0.01)
            assert "instruments answer" in [e["row"] for e in stopped["interlock_events"]]
            desk.simulation.fault(f"{words} silent", on=False)
        # A link that lost its place is closed for good; the next start opens new ones.
        with Bench.open(bench_file) as bench:
            again = Desk(bench, started.bench_path, tmp_path)
            assert again.run(WITHOUT_BRAKE, reset_by="A. Name")["outcome"] == "complete"
    with data.open_store() as store:
        assert [s.outcome for s in store.find()] == ["stopped", "complete"]


def test_a_wrong_adapter_at_the_start_keeps_every_supply_off(desk: Desk) -> None:
    desk.simulation.fault("wrong adapter", on=True)
    index = len(desk.log_from(0))
    stopped = desk.run(WITHOUT_BRAKE)
    assert stopped["outcome"] == "stopped"
    assert "adapter" in stopped["stop_reason"]
    assert "allowed" in stopped["stop_reason"]
    assert not any(e["what"].endswith(" output") and e["value"] is True for e in desk.log_from(index))
    assert stopped["captures"] == []
    desk.simulation.fault("wrong adapter", on=False)
    assert desk.run(WITHOUT_BRAKE)["outcome"] == "complete"


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("coupling slips", "no EMF"),
        ("spin motor reversed", "against the asked CW"),
        ("spin motor open", "no EMF"),
        ("stop circuit open", "stop circuit"),
        ("unit shorted", "sensor supply"),
    ],
)
def test_a_fault_from_the_start_stops_the_run_before_the_speed_rises(desk: Desk, name: str, said: str) -> None:
    desk.simulation.fault(name, on=True)
    index = len(desk.log_from(0))
    stopped = desk.run(WITHOUT_BRAKE)
    log = desk.log_from(index)
    assert stopped["outcome"] == "stopped"
    assert said in stopped["stop_reason"]
    assert {c["step"] for c in stopped["captures"]} <= {"hand turn"}
    # The first spin asks for 60 rpm; a little more is the settling of the supply.
    assert max((abs(e["speed_rpm"]) for e in log), default=0.0) < 90.0
    assert not any(e["value"] is True for e in {e["what"]: e for e in log if e["what"].endswith(" output")}.values())
    desk.simulation.fault(name, on=False)
    assert desk.run(WITHOUT_BRAKE, reset_by="A. Name")["outcome"] == "complete"
