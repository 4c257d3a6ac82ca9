"""One run from its `started` entry to its record and sheet."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from analysis.conformity import ISO_14253_1, Rule
from db.record_rules import WaveformData
from db.results import StoredRecord
from db.run_start import Started
from db.store import Store
from db.waveform_codec import waveform_digest
from drivers.bench import Bench
from drivers.errors import BenchFault
from safety.interlocks import read_table
from safety.permit import PermitRefused
from station.asking import Asker
from station.clearance import NOTHING_CHECKED, Clearance
from station.data_folder import DataFolder
from station.decision import Decision, decision_for
from station.exit_codes import RunStopped
from station.findings import finite
from station.local_zone import local_zone
from station.planned_steps import PlannedStep
from station.record import document, started_facts
from station.run_facts import Gathered, RunFacts, waveforms_of
from station.run_preparation import Prepared
from station.sheet_command import write_sheet
from station.spinning import Spin
from station.steps import StepRunner
from station.supervisor import Supervisor
from station.thresholds import thresholds_for
from station.time_state import backward_note
from station.trip_latch import Trip, TripLatch

JOB_FACTS = ("work_order", "customer", "received_on", "complaint", "condition")


@dataclass(frozen=True, slots=True)
class RunResult:
    """What a run left."""

    number: str
    digest: str
    document: Mapping[str, Any]
    sheet: Path


@dataclass(frozen=True, slots=True)
class RunRequest:
    """Who runs what on which motor."""

    prepared: Prepared
    serial: str
    job: str
    technician: str | None
    training: bool = False
    rule: Rule = ISO_14253_1
    clearance: Clearance = NOTHING_CHECKED
    reset_by: str | None = None
    """Who resets the trip that an earlier run left on the bench."""

    @property
    def kind(self) -> str:
        """The kind of its record."""
        return "training" if self.training else "simulated" if self.prepared.bench.simulated else "production"


def execute(
    request: RunRequest,
    bench: Bench,
    store: Store,
    folder: DataFolder,
    asker: Asker,
    show: Callable[[PlannedStep], None],
    stop_requested: Callable[[], bool],
) -> RunResult:
    """Run a sequence on an opened bench; always ends with the bench asked to rest and a record stored.

    Raises
    ------
    StoreError
        The start or the record could not be stored; the bench is at rest.
    """
    prepared = request.prepared
    started_utc = datetime.now(UTC)
    store.close_dead_runs(started_utc, "closed when the station started its next run")
    facts = _facts(request, store, started_utc)
    # The supervisor is made before the run is begun: a wrong interlock table leaves no open run behind.
    supervisor = Supervisor(
        bench, read_table(), "guarded", thresholds_for(prepared.bench, prepared.motor_type), stop_requested
    )
    head = store.head()
    backward = backward_note(None if head is None else head.at_utc, started_utc)
    begun = store.begin_run(_started(facts, bench))
    facts = facts.numbered(begun.number)
    gathered = Gathered(deviations=list(request.clearance.deviations))
    gathered.deviations += [backward] if backward else []
    decision = decision_for(prepared.motor_type, request.rule)
    latch = TripLatch(folder.path, prepared.bench.name)
    outcome, reason = _run(
        facts, supervisor, gathered, decision, asker, show, lambda: _reset(supervisor, latch, request)
    )
    if supervisor.trip is not None and latch.read() is None:
        latch.latch(Trip(begun.number, supervisor.trip.row, supervisor.trip.what))
    gathered.interlock_events = [e.document() for e in supervisor.events]
    rows = waveforms_of(gathered)
    waveforms = [WaveformData(waveform_digest(w.counts), w.counts, t.capture.interval_s) for t, _, w in rows]
    made = document(
        facts,
        gathered,
        outcome=outcome,
        stop_reason=reason,
        ended_utc=datetime.now(UTC),
        zone=local_zone(),
        clock=prepared.bench.clock,
        identities=bench.identities(),
        decision=decision,
        digests=[w.digest for w in waveforms],
    )
    stored = store.add_record(begun.number, made, waveforms)
    sheet = write_sheet(store, folder, begun.number)
    return RunResult(begun.number, stored.digest, made, sheet)


def _run(
    facts: RunFacts,
    supervisor: Supervisor,
    gathered: Gathered,
    decision: Decision,
    asker: Asker,
    show: Callable[[PlannedStep], None],
    reset: Callable[[], None],
) -> tuple[str, str | None]:
    """Do all steps; whatever happens, go to rest at the end."""
    group = "sensors" if facts.sequence.serves == "feedback" else "none"
    spin = Spin(supervisor, facts.motor_type, group=group)
    runner = StepRunner(facts, supervisor, spin, gathered, asker, decision, show)
    outcome, reason = "complete", None
    try:
        _bring_to_rest(supervisor)
        _check_adapter(facts, supervisor, gathered)
        supervisor.arm(
            facts.adapter.code,
            brake_fitted=facts.motor_type.brake is not None,
            emf_peak_v_per_krpm=facts.motor_type.emf.line_peak_v_per_krpm,
        )
        reset()
        gathered.not_tested += [{"what": left.name, "why": left.why} for left in facts.sequence.left_out]
        runner.run(facts.sequence.steps)
    except BenchFault as fault:
        outcome, reason = "stopped", str(fault)
        supervisor.note_fault(fault)
    except PermitRefused as refusal:
        outcome, reason = "stopped", supervisor.note_refusal(refusal)
    except RunStopped as stop:
        outcome, reason = "stopped", str(stop)
    finally:
        failures = supervisor.rest()
        supervisor.disarm()
        gathered.speeds = [dict(v) for v in spin.verified]
    if failures:
        failed = "; ".join(f"{f.name}: {f.what}" for f in failures)
        outcome, reason = "stopped", f"{reason or 'the bench did not come to rest'}; going to rest: {failed}"
    if outcome == "stopped":
        done = {s.name for s in gathered.steps}
        gathered.not_tested += [
            {"what": step.name, "why": "the run was stopped before it"}
            for step in facts.sequence.all_steps()
            if step.kind in ("capture", "measure") and step.name not in done
        ]
    return outcome, reason


def _reset(supervisor: Supervisor, latch: TripLatch, request: RunRequest) -> None:
    """Let nothing go on over a trip of an earlier run, unless a person resets it by name."""
    trip = latch.read()
    if trip is None:
        return
    supervisor.take_over()
    if not request.reset_by:
        supervisor.refuse(
            "trip not reset", f"{trip.words}; allowed: --reset with a person's name, once the cause is gone"
        )
    supervisor.reset(trip.row, f"{trip.words}; reset by {request.reset_by}")
    _bring_to_rest(supervisor)
    latch.reset()


def _bring_to_rest(supervisor: Supervisor) -> None:
    failures = supervisor.rest()
    if failures:
        raise RunStopped("the bench is not at rest: " + "; ".join(f"{f.name}: {f.what}" for f in failures))


def _check_adapter(facts: RunFacts, supervisor: Supervisor, gathered: Gathered) -> None:
    """Read the adapter's code before any supply may go on."""
    code = int(supervisor.bench.inputs.read()["adapter_code"])
    gathered.adapter_code_read = code
    if code != facts.adapter.code:
        plugged = "no adapter" if code == 0 else f"an adapter of code {code}"
        allowed = f"adapter {facts.adapter.name}, code {facts.adapter.code}"
        supervisor.refuse("adapter", f"{plugged} is plugged in; allowed for {facts.motor_type.title}: {allowed}")


def _facts(request: RunRequest, store: Store, started_utc: datetime) -> RunFacts:
    prepared = request.prepared
    known = store.job(request.job) or {}
    as_found = store.latest_as_found(request.job, request.kind)
    return RunFacts(
        number="",
        kind=request.kind,
        serial=request.serial,
        job=_job(request.job, known, as_found),
        technician=request.technician,
        sequence=prepared.sequence,
        motor_type=prepared.motor_type,
        adapter=prepared.adapter,
        bench_file=prepared.bench,
        started_utc=started_utc,
        as_found=None if as_found is None else as_found.document,
        clearance=request.clearance,
    )


def _job(number: str, known: Mapping[str, Any], as_found: StoredRecord | None) -> dict[str, Any]:
    """Take the facts of a job as they were entered, and where they were not, as its as-found record has them."""
    before = {} if as_found is None else as_found.document["job"]
    return {"number": number} | {name: known.get(name) or before.get(name) for name in JOB_FACTS}


def _started(facts: RunFacts, bench: Bench) -> Started:
    return Started(
        kind=facts.kind,
        station=facts.bench_file.station,
        stage=facts.sequence.stage,
        job=str(facts.job["number"]),
        motor_serial=facts.serial,
        motor_type=facts.motor_type.name,
        sequence_name=facts.sequence.name,
        sequence_digest=facts.sequence.digest,
        bench=facts.bench_file.name,
        started_utc=facts.started_utc,
        facts=started_facts(facts, bench.identities(), local_zone()),
    )


WORST_FIRST = ("nonconforming", "undecided", "not measured")
TELLING_FIRST = ("windings", "mechanics", "wiring", "encoder", "sensors", "timing", "checks")


def worst_line(made: Mapping[str, Any]) -> str:
    """Say the worst judged finding in a few words; of equals the one that weighs most for the disposition."""
    if made["outcome"] == "stopped":
        return str(made["stop_reason"])
    bad = [f for f in made["findings"] if f["conformity"] in WORST_FIRST]
    if not bad:
        return "all conform"
    first = min(bad, key=lambda f: (WORST_FIRST.index(f["conformity"]), TELLING_FIRST.index(f["group"])))
    value = f" {first['value']:.4g} {first['unit']}" if finite(first["value"]) is not None else ""
    said = f": {first['text']}" if first["text"] else ""
    more = f" (+{len(bad) - 1})" if len(bad) > 1 else ""
    return f"{first['label']}{value}{said}, {first['conformity']}{more}"
