"""Findings from saved captures: the same measurements as a run makes, on what any scope has saved."""

import importlib.metadata
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from station.as_target import target_finding
from station.captures_file import BareMachine
from station.decision import Decision
from station.exit_codes import BadInput
from station.findings import finite, worst
from station.measure_encoder import measure_encoder
from station.measure_sensors import measure_sensors
from station.measure_timing import correction_of, measure_by_position, measure_timing
from station.measure_windings import measure_windings
from station.measure_wires import measure_encoder_wires
from station.measure_wiring import measure_wiring
from station.run_facts import Gathered, Given
from station.saved_captures import SavedCaptures

FORMAT = "polemark-analysis-1"
HEADING = "ANALYSIS, NOT A RECORD"


@dataclass(frozen=True, slots=True)
class Analysis:
    """Saved captures with what was found in them."""

    saved: SavedCaptures
    gathered: Gathered
    decision: Decision


def analyse(saved: SavedCaptures, decision: Decision) -> Analysis:
    """Measure everything that the captures show.

    Raises
    ------
    BadInput
        An encoder was captured and its lines are not stated.
    """
    gathered = Gathered(taken=list(saved.taken))
    for name, value in saved.description.read_by_hand().items():
        unit = saved.description.readings[name].split()[-1]
        gathered.answers.append(Given("readings", name, value, unit, None, name))
    basis, timed = saved.basis, saved.timed
    if any(t.timing.sensors for t in timed):
        measure_timing(timed, basis, gathered, decision)
        measure_by_position(saved.by_position, basis, gathered, decision)
        measure_wiring(timed, basis, gathered, decision)
        measure_sensors(timed, basis, gathered, decision)
    if timed:
        measure_windings(timed, basis, gathered, decision)
    encoder = [t for t in saved.taken if t.group == "encoder"]
    if encoder:
        if isinstance(basis.machine, BareMachine) and basis.machine.lines is None:
            raise BadInput(
                f"{saved.description.document.name}: A, B and Z were captured and encoder_lines is not stated; "
                "allowed: encoder_lines beside pole_pairs"
            )
        measure_encoder(encoder, basis, gathered, decision)
        measure_encoder_wires(encoder, basis, gathered, decision)
    gathered.correction = correction_of(basis, gathered)
    gathered.add(target_finding(gathered.findings, decision))
    return Analysis(saved, gathered, decision)


def document(of: Analysis) -> dict[str, Any]:
    """Return everything that was found, in one object without time or place, so that it can be made again."""
    saved, gathered = of.saved, of.gathered
    findings = {name: f.document() for name, f in gathered.findings.items()}
    decides = worst(gathered.findings.values())
    machine, kind = saved.basis.machine, saved.motor_type
    return {
        "format": FORMAT,
        "heading": HEADING,
        "title": saved.description.title,
        "software": {"name": "polemark", "version": importlib.metadata.version("polemark")},
        "description": {
            "name": saved.description.document.name,
            "digest": saved.description.digest,
            "text": saved.description.text,
        },
        "motor_type": None if kind is None else {"name": kind.name, "title": kind.title, "digest": kind.digest},
        "pole_pairs": machine.pole_pairs,
        "zero": machine.convention.zero,
        "mains_hz": saved.basis.mains_hz,
        "errors": {name: finite(value) for name, value in saved.basis.errors.model_dump().items()},
        "captures": _captures(saved),
        "decision_rule": {"name": of.decision.rule.name, "text": of.decision.rule.text},
        "conformity": None if decides is None else decides.conformity,
        "findings": findings,
        "pairings": gathered.pairings,
        "pictures": gathered.pictures,
        "wiring": gathered.wiring,
        "correction": gathered.correction,
        "deviations": gathered.deviations,
    }


def _captures(saved: SavedCaptures) -> list[Mapping[str, Any]]:
    refusals = {t.taken.index: t.timing.refusal for t in (*saved.timed, *saved.by_position)}
    speeds = {t.taken.index: t.timing.speed_rpm for t in (*saved.timed, *saved.by_position)}
    return [
        {
            "index": t.index,
            "file": t.step,
            "digest": saved.digests[t.step],
            "signals": [w.signal for w in t.capture.waveforms],
            "winding_pair": t.pair,
            "direction": t.direction,
            "speed_rpm": finite(speeds.get(t.index)),
            "interval_s": t.capture.interval_s,
            "samples": t.capture.settings.samples,
            "refusal": refusals.get(t.index, ""),
        }
        for t in saved.taken
    ]
