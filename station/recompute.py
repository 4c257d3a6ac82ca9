"""Working a record's findings out again from its stored waveforms, by the files whose text the record holds."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from analysis.conformity import rule_named
from db.results import StoredWaveform
from db.store import Store
from drivers.bench_file import parse_bench
from drivers.scope import Capture, CaptureSettings, Waveform
from safety.strict_yaml import read_text
from station.adapter_file import Adapter
from station.basis import Basis
from station.captures_file import Captures
from station.capturing import Taken
from station.checked_sequence import check
from station.decision import Decision, decision_for
from station.exit_codes import BadInput
from station.measuring import Measuring
from station.motor_type import MotorType
from station.run_facts import Gathered, Given, RunFacts
from station.saved_captures import SavedCaptures, full_scale_of, in_groups
from station.sequence_model import Measure
from station.sequence_model import Sequence as SequenceFile
from station.timed_captures import time_capture

RELATIVE = 1e-9
"""How far a figure may be off: the order of additions may differ from library to library."""
ANALYSIS = "analysis"


@dataclass(frozen=True, slots=True)
class Recomputed:
    """What came of it.

    Parameters
    ----------
    equal
        Names of the findings that are as they were.
    differences
        One sentence for each that is not.
    not_from_waveforms
        Names of findings that need more than the waveforms: a supply's reading, a comparison with another record.
    made_by
        Version of the software that made the record.
    """

    equal: tuple[str, ...]
    differences: tuple[str, ...]
    not_from_waveforms: tuple[str, ...]
    made_by: str


def recompute(store: Store, number: str) -> Recomputed:
    """Work the findings of a record out again and compare them with the stored ones.

    Raises
    ------
    StoreError
        There is no such record, or it or a waveform of it is damaged.
    BadInput, YamlError
        The files that the record holds are not understood any more, or it was made before they were kept whole.
    """
    document = store.record(number).document
    taken = _captures(document, store.waveforms(number))
    gathered = _analysed(document, taken) if document["kind"] == ANALYSIS else _measured(document, taken)
    stored = {f["name"]: f for f in document["findings"]}
    again = {name: f.document() for name, f in gathered.findings.items() if name in stored}
    differences = tuple(line for name, made in again.items() for line in _differences(stored[name], made))
    changed = {line.partition(":")[0] for line in differences}
    return Recomputed(
        tuple(name for name in again if name not in changed),
        differences,
        tuple(name for name in stored if name not in again),
        str(document["software"]["version"]),
    )


def _captures(document: Mapping[str, Any], waveforms: Sequence[StoredWaveform]) -> list[Taken]:
    made = []
    for row in document["captures"]:
        if "drive" not in row or "wires_only" not in row:
            raise BadInput(
                f"{document['number']} does not say what turned the shaft at its captures; allowed: records that do"
            )
        own = [w for w in waveforms if w.capture == row["index"]]
        channels = tuple(Waveform(w.signal, w.counts, float(w.scale_v), float(w.offset_v)) for w in own)
        interval_s = float(row["interval_s"])
        settings = CaptureSettings(
            group=row["group"],
            signals=tuple(w.signal for w in channels),
            winding_pair=row["winding_pair"],
            interval_s=interval_s,
            samples=int(row["samples"]),
            ranges_v=(0.0,) * len(channels),
            offsets_v=tuple(w.offset_v for w in channels),
        )
        made.append(
            Taken(
                index=int(row["index"]),
                step=row["step"],
                capture=Capture(settings, interval_s, channels, 0.0),
                group=row["group"],
                pair=row["winding_pair"],
                direction=row["direction"],
                drive=row["drive"],
                speed_target_rpm=_number(row["speed_target_rpm"]),
                speed_rpm=_number(row["speed_rpm"]),
                pull_up=row["bench_pull_up"],
                wires_only=row["wires_only"],
            )
        )
    return made


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def _decision(document: Mapping[str, Any], motor_type: MotorType) -> Decision:
    return decision_for(motor_type, rule_named(document["decision_rule"]["name"]))


def _motor_type(document: Mapping[str, Any]) -> MotorType:
    kind = document["motor_type"]
    return MotorType.read_string(kind["text"], f"motor type {kind['name']} of {document['number']}")


def _measured(document: Mapping[str, Any], taken: Sequence[Taken]) -> Gathered:
    """Go through the steps as they were done: each measurement sees the captures since the one before it."""
    facts = _facts(document)
    actions = {s.name: s.action for s in facts.sequence.all_steps()}
    asked = facts.sequence.questions()
    gathered = Gathered()
    for a in document["answers"]:
        records = asked[a["step"]].records if a["step"] in asked else None
        gathered.answers.append(Given(a["step"], a["prompt"], a["value"], a["unit"], a["hand_instrument"], records))
    measuring = Measuring(facts, gathered, _decision(document, facts.motor_type), None)
    left = iter(taken)
    for step in document["steps"]:
        action = actions.get(step["name"])
        if step["kind"] == "capture" and step["outcome"] == "done":
            gathered.taken.append(next(left))
        elif isinstance(action, Measure) and step["outcome"] == "done":
            measuring.measure(action.quantities)
        elif step["kind"] == "ask" and step["outcome"] == "done" and step["name"] in asked:
            measuring.note_work(asked[step["name"]].hands)
    return gathered


def _facts(document: Mapping[str, Any]) -> RunFacts:
    number, motor_type = document["number"], _motor_type(document)
    adapter = Adapter.read_string(document["adapter"]["text"], f"adapter of {number}")
    bench = parse_bench(read_text(document["bench"]["text"], f"bench of {number}"))
    sequence = SequenceFile.read_string(document["sequence"]["text"], f"sequence of {number}")
    return RunFacts(
        number=number,
        kind=document["kind"],
        serial=document["motor"]["serial"],
        job=document["job"],
        technician=None,
        sequence=check(sequence, motor_type, adapter, bench),
        motor_type=motor_type,
        adapter=adapter,
        bench_file=bench,
        started_utc=datetime.fromisoformat(document["started_utc"]),
        as_found=None,
    )


def _analysed(document: Mapping[str, Any], taken: Sequence[Taken]) -> Gathered:
    """Analyse saved captures again, by the description that the record holds."""
    from station.analysis import analyse

    motor_type = _motor_type(document)
    description = Captures.read_string(document["sequence"]["text"], f"description of {document['number']}")
    basis = Basis(motor_type, description.errors.errors(), description.mains)
    timed = [time_capture(t, basis, full_scale_of(description, t.step)) for t in taken if in_groups(t)]
    saved = SavedCaptures.of(description, basis, motor_type, taken, timed, {})
    return analyse(saved, _decision(document, motor_type)).gathered


def _differences(stored: Mapping[str, Any], made: Mapping[str, Any]) -> Iterator[str]:
    for what in ("conformity", "text"):
        if stored[what] != made[what]:
            yield f"{stored['name']}: {what} was {stored[what]}, is {made[what]}"
    for what in ("value", "u"):
        if not _same(stored[what], made[what]):
            yield f"{stored['name']}: {what} was {stored[what]}, is {made[what]} {stored['unit']}".rstrip()


def _same(before: float | None, now: float | None) -> bool:
    if before is None or now is None:
        return before is now
    return math.isclose(before, now, rel_tol=RELATIVE, abs_tol=1e-12)
