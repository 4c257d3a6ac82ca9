"""What is fixed before a run begins, and what a run gathers on its way to a record."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from drivers.bench_file import BenchFile
from drivers.scope import Waveform
from station.adapter_file import Adapter
from station.basis import Basis
from station.capturing import Taken
from station.checked_sequence import CheckedSequence
from station.clearance import NOTHING_CHECKED, Clearance
from station.findings import Finding
from station.motor_type import MotorType
from station.time_state import time_state


@dataclass(frozen=True, slots=True)
class RunFacts:
    """Everything known before the first step."""

    number: str
    kind: str
    serial: str
    job: Mapping[str, Any]
    technician: str | None
    sequence: CheckedSequence
    motor_type: MotorType
    adapter: Adapter
    bench_file: BenchFile
    started_utc: datetime
    as_found: Mapping[str, Any] | None
    """The job's latest unvoided as-found record (its document), if there is one."""
    clearance: Clearance = NOTHING_CHECKED

    @property
    def basis(self) -> Basis:
        """What findings are worked out from beside the captures."""
        return Basis(self.motor_type, self.bench_file.errors, self.bench_file.mains)

    def numbered(self, number: str) -> "RunFacts":
        """Return the same facts under the run's number."""
        return replace(self, number=number)


@dataclass(frozen=True, slots=True)
class StepDone:
    """One executed step, bench times in seconds."""

    name: str
    kind: str
    context: Mapping[str, Any]
    started_s: float
    ended_s: float
    outcome: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Given:
    """One answer with the question it belongs to."""

    step: str
    prompt: str
    value: str | float | bool
    unit: str | None
    hand_instrument: str | None
    records: str | None


@dataclass(slots=True)
class Gathered:
    """What a run has gathered so far; only ever added to."""

    steps: list[StepDone] = field(default_factory=list)
    answers: list[Given] = field(default_factory=list)
    taken: list[Taken] = field(default_factory=list)
    findings: dict[str, Finding] = field(default_factory=dict)
    pairings: dict[str, Any] | None = None
    pictures: dict[str, Any] = field(default_factory=lambda: {"traces": [], "dial": {"edges": []}})
    wiring: dict[str, Any] | None = None
    correction: dict[str, Any] | None = None
    speeds: list[dict[str, Any]] = field(default_factory=list)
    deviations: list[str] = field(default_factory=list)
    not_tested: list[dict[str, str]] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)
    time_sync: Mapping[str, Any] = field(default_factory=time_state)
    interlock_events: list[dict[str, Any]] = field(default_factory=list)
    setting: dict[str, Any] | None = None
    adapter_code_read: int | None = None

    def add(self, finding: Finding) -> None:
        """Add a finding; a later measurement of the same name takes its place and the step list shows both."""
        self.findings[finding.name] = finding

    def answered(self, records: str) -> Given | None:
        """Return the latest answer that records a fact of this name."""
        return next((g for g in reversed(self.answers) if g.records == records), None)


def waveforms_of(gathered: Gathered) -> list[tuple[Taken, int, Waveform]]:
    """Every waveform of a run with its capture and scope channel, in the order taken."""
    return [(t, channel, w) for t in gathered.taken for channel, w in enumerate(t.capture.waveforms, start=1)]
