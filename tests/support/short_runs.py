"""Short runs on a real simulated bench: a sequence text, a motor of the invented line, faults put on for one run."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

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
OPEN_COLLECTOR = ("MT41-20391", "ostrel-mt41")
DIFFERENTIAL = ("Q3-77120", "quillmere-q3")
OWN_PULL_UP = ("B5-00871", "brackwater-b5")

UP = """\
sequence: short
title: A short run
stage: as-found
revision: "1"
steps:
  - name: close the guards
    ask: {prompt: "Motor clamped, both guards closed", answer: confirm, hands: [clamp motor, close guards]}
  - energise: {output: sensor supply}
  - energise: {output: brake}
"""
TURNING = (
    UP
    + """\
  - capture: {signals: none, winding_pair: U-V, drive: standstill, duration: 1 s, interval: 1 ms}
  - spin: {direction: CW, speed: 60 rpm, first: true}
"""
)
"""The standing capture gives a shaft whose brake has let go the time to settle in its cogging."""

Document = Mapping[str, Any]
Findings = Mapping[str, Mapping[str, Any]]


class ShortRuns:
    """A bench with its data folder; every run is one of its own."""

    def __init__(self, bench: Bench, bench_path: Path, folder: Path) -> None:
        self.bench, self.bench_path, self.folder = bench, bench_path, folder

    @property
    def simulation(self) -> Simulation:
        """The control side of the bench."""
        assert self.bench.simulation is not None
        return self.bench.simulation

    def run(
        self,
        text: str,
        motor: tuple[str, str],
        *faults: str,
        at: Mapping[str, Callable[[Simulation], None]] | None = None,
    ) -> Document:
        """Run a sequence on a freshly mounted motor; `at` happens when the steps so named begin."""
        serial, kind = motor
        path = self.folder / "short.yaml"
        path.write_text(text, encoding="utf-8")
        prepared = prepare(str(path), kind, self.bench_path)
        self.simulation.mount(serial)
        confirmed = {name: GivenAnswer(True) for name in prepared.sequence.questions()}
        asker = PreparedAnswers(confirmed, SimulatedHands(self.simulation))
        data = DataFolder.at(self.folder / "data")

        def show(step: PlannedStep) -> None:
            (at or {}).get(step.name, lambda _: None)(self.simulation)

        for fault in faults:
            self.simulation.fault(fault, on=True)
        try:
            with data.open_store() as store:
                request = RunRequest(prepared, serial, "J-5", None)
                return execute(request, self.bench, store, data, asker, show, lambda: False).document
        finally:
            for fault in faults:
                self.simulation.fault(fault, on=False)

    def findings(self, text: str, motor: tuple[str, str], *faults: str) -> Findings:
        """Run to the end and return the findings by name."""
        return by_name(self.run(text, motor, *faults))


def by_name(document: Document) -> Findings:
    """Findings of a complete run by name."""
    assert document["outcome"] == "complete", document["stop_reason"]
    return {f["name"]: f for f in document["findings"]}


@contextmanager
def short_runs(folder: Path) -> Iterator[ShortRuns]:
    """Start a simulated bench process and open it."""
    with (
        simulated_bench(TEMPLATE, folder / "bench.yaml") as started,
        Bench.open(prepare("as-found", OPEN_COLLECTOR[1], started.bench_path).bench) as bench,
    ):
        yield ShortRuns(bench, started.bench_path, folder)
