"""The row `direction` is fed from the order of sensors and encoder, with and without a turn by hand before."""

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from fault_seat import HEAD, SEQUENCES

from drivers.bench import Bench
from drivers.bench_process import simulated_bench
from drivers.simulation import Simulation
from station.answers_file import GivenAnswer
from station.asking import PreparedAnswers
from station.data_folder import DataFolder
from station.motor_type import MotorType
from station.planned_steps import PlannedStep
from station.run_execution import RunRequest, execute
from station.run_preparation import prepare
from station.simulated_hands import SimulatedHands
from station.turning_sense import ENCODER, SENSORS, TurningSense

ROOT = Path(__file__).parents[2]
TEMPLATE = ROOT / "sequences" / "benches" / "simulated.yaml"
MOTOR, KIND = "MT41-20391", "ostrel-mt41"
WITHOUT_HAND, BY_HAND = "guarded", "by-hand"


class Desk:
    def __init__(self, bench: Bench, bench_path: Path, folder: Path) -> None:
        self.bench, self.bench_path, self.folder = bench, bench_path, folder

    @property
    def simulation(self) -> Simulation:
        assert self.bench.simulation is not None
        return self.bench.simulation

    def run(self, sequence: str, at: str = "", breaks: Callable[[], None] = lambda: None) -> Mapping[str, Any]:
        """Run; `breaks` happens when the step `at` begins."""
        path = self.folder / f"{sequence}.yaml"
        path.write_text(HEAD.replace("{name}", sequence) + SEQUENCES[sequence], encoding="utf-8")
        self.simulation.mount(MOTOR)
        prepared = prepare(str(path), KIND, self.bench_path)
        answers = {name: GivenAnswer(True) for name in prepared.sequence.questions()}

        def show(step: PlannedStep) -> None:
            if step.name == at:
                breaks()

        data = DataFolder.at(self.folder / "data")
        with data.open_store() as store:
            asker = PreparedAnswers(answers, SimulatedHands(self.simulation))
            request = RunRequest(prepared, MOTOR, "J-5", None, reset_by="A. Name")
            return execute(request, self.bench, store, data, asker, show, lambda: False).document

    def fastest_rpm(self) -> float:
        return max(abs(float(e["speed_rpm"])) for e in self.simulation.event_log())


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with simulated_bench(TEMPLATE, tmp_path / "bench.yaml") as started:
        file = prepare("as-found", KIND, started.bench_path).bench
        with Bench.open(file) as bench:
            yield Desk(bench, started.bench_path, tmp_path)


def trips_by_direction(document: Mapping[str, Any], asked: str) -> None:
    assert document["outcome"] == "stopped"
    assert f"against the asked {asked}" in document["stop_reason"]
    assert [e["row"] for e in document["interlock_events"]] == ["direction"]


@pytest.mark.parametrize("sequence", [WITHOUT_HAND, BY_HAND])
def test_a_shaft_that_turns_the_wrong_way_trips_at_the_first_slow_spin(desk: Desk, sequence: str) -> None:
    desk.simulation.fault("spin motor reversed", on=True)
    trips_by_direction(desk.run(sequence), "CW")
    assert desk.fastest_rpm() < 90.0


@pytest.mark.parametrize("sequence", [WITHOUT_HAND, BY_HAND])
@pytest.mark.parametrize("name", ["sensors swapped", "A and B swapped"])
def test_leads_that_are_swapped_are_a_finding_and_no_wrong_direction(desk: Desk, sequence: str, name: str) -> None:
    desk.simulation.fault(name, on=True)
    done = desk.run(sequence)
    assert (done["outcome"], done["stop_reason"], done["interlock_events"]) == ("complete", None, [])


def test_a_hand_turn_tells_a_wrong_direction_from_swapped_sensors(desk: Desk) -> None:
    desk.simulation.fault("sensors swapped", on=True)
    desk.simulation.fault("spin motor reversed", on=True)
    trips_by_direction(desk.run(BY_HAND), "CW")


@pytest.mark.parametrize(("step", "asked"), [("encoder counts", "CW"), ("the third pair", "CCW")])
def test_a_direction_that_turns_over_in_the_middle_of_a_run_trips_at_the_next_capture(
    desk: Desk, step: str, asked: str
) -> None:
    document = desk.run(WITHOUT_HAND, step, lambda: desk.simulation.fault("spin motor reversed", on=True))
    trips_by_direction(document, asked)
    assert document["steps"][-1]["name"] == step


@pytest.mark.parametrize(
    ("proved", "seen", "sign", "agrees"),
    [
        ({}, {}, 1, None),
        ({}, {SENSORS: 1, ENCODER: 1}, 1, True),
        ({}, {SENSORS: 1, ENCODER: 1}, -1, False),
        ({}, {SENSORS: -1}, 1, False),
        # One witness for the asked direction is enough: the other one's leads may be swapped.
        ({}, {SENSORS: -1, ENCODER: 1}, 1, True),
        # Unless a hand has shown how the sensors of this motor count.
        ({SENSORS: 1}, {SENSORS: -1, ENCODER: 1}, 1, False),
        ({SENSORS: -1}, {SENSORS: -1, ENCODER: 1}, 1, True),
        ({ENCODER: 1}, {SENSORS: -1}, 1, False),
    ],
)
def test_the_witnesses_are_weighed(
    proved: dict[str, int], seen: dict[str, int], sign: int, agrees: bool | None
) -> None:
    kind = MotorType.read(ROOT / "sequences" / "motor_types" / f"{KIND}.yaml")
    sense = TurningSense(kind, proved=proved)
    sense.tell(seen)
    assert sense.agrees(sign) is agrees


def test_a_witness_that_agreed_once_is_believed_alone_when_it_turns_over() -> None:
    sense = TurningSense(MotorType.read(ROOT / "sequences" / "motor_types" / f"{KIND}.yaml"))
    sense.tell({SENSORS: -1})
    sense.tell({ENCODER: 1})
    assert sense.agrees(1) is True
    sense.tell({SENSORS: 1})
    assert sense.agrees(1) is False
    # Counter-clockwise both count the other way round.
    sense.forget()
    assert sense.agrees(-1) is None
    sense.tell({SENSORS: 1})
    assert sense.agrees(-1) is True


def test_an_encoder_that_says_no_for_the_first_time_is_not_outvoted_by_what_the_sensors_said_before() -> None:
    sense = TurningSense(MotorType.read(ROOT / "sequences" / "motor_types" / f"{KIND}.yaml"))
    sense.tell({SENSORS: 1})
    assert sense.agrees(1) is True
    sense.tell({ENCODER: -1})
    assert sense.doubted(1) == ENCODER
    # Nobody could ask the sensors again: then nothing is learned of the encoder.
    assert sense.agrees(1) is True
    assert sense.proved == {SENSORS: 1}
    # They were asked, and the shaft has turned over.
    sense.tell({SENSORS: -1})
    assert (sense.doubted(1), sense.agrees(1)) == ("", False)
    # They were asked, and still say yes: then A and B are swapped, and from now on the encoder counts so.
    sense.tell({SENSORS: 1})
    assert sense.agrees(1) is True
    assert sense.proved == {SENSORS: 1, ENCODER: -1}
