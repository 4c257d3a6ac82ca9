"""The findings of wiring and closure: what explains the nine pairings, and how well they agree."""

from collections.abc import Mapping, Sequence

from analysis.estimate import Estimate, refused
from analysis.pairings import (
    CLOSURE_DOF,
    DIRECTIONS,
    PAIRS,
    SENSORS,
    Cell,
    Closure,
    both_directions,
    closure,
    figures,
    nominal_deg_el,
)
from analysis.wiring import AS_STATED, NOT_MEASURED, TURNED, Diagnosis, diagnose
from station.basis import Basis
from station.decision import Decision
from station.findings import Detail, Finding
from station.nine_pairings import tables
from station.run_facts import Gathered
from station.timed_captures import Timed, by_key, speeds_both_ways

CHI_SQUARED_LIMIT = 18.467
"""Exceeded once in a thousand by four degrees of freedom (table of the chi-square distribution)."""


def measure_wiring(timed: Sequence[Timed], basis: Basis, gathered: Gathered, decision: Decision) -> None:
    """Add the nine pairings, the findings `wiring` and `closure`, and the diagnosis for the sheet."""
    measured = tables(timed)
    for (sensor, pair), half_sum in both_directions(measured).items():
        gathered.add(decision.finding(f"pairing_{sensor}_{pair.replace('-', '')}", half_sum))
    gathered.add(_closure(measured, decision))
    missing = [p for p in PAIRS if not speeds_both_ways(by_key(timed), p)]
    if missing:
        why = f"{', '.join(missing)} {'was' if len(missing) == 1 else 'were'} not captured in both directions at one speed"
        gathered.add(decision.verdict("wiring", None, lacking=why))
        return
    sensors = basis.machine.sensors
    found = diagnose(
        {direction: figures(table) for direction, table in measured.items()},
        nominal_deg_el(sensors.pairs, sensors.polarity, sensors.targets_deg_el),
    )
    gathered.wiring = _told(found)
    gathered.add(_verdict(found, measured, decision))


def _told(found: Diagnosis) -> dict[str, object]:
    first = _first(found)
    return {
        "verdict": found.verdict if found.verdict == first else f"{found.verdict}: {first}",
        "explanations": [
            f"{e.text}; to mend: {e.mend or 'nothing'}; offset left {e.offset_deg_el:+.1f} deg_el"
            for e in found.explanations
        ],
        "cannot_tell": [
            *(f"{s} was not measured, so its wire is not proved" for s in found.unseen),
            *found.cannot_tell,
        ],
        "question": found.question or None,
    }


def _first(found: Diagnosis) -> str:
    return found.explanations[0].text if found.explanations else found.verdict


def _verdict(found: Diagnosis, measured: Mapping[str, Mapping[Cell, Estimate]], decision: Decision) -> Finding:
    first = _first(found)
    unseen = {s: _why_unseen(s, measured) for s in found.unseen}
    if found.verdict == NOT_MEASURED or (unseen and found.verdict in (AS_STATED, TURNED)):
        # The wires that were seen may be right; nothing says so of the one that was not.
        seen = "" if found.verdict == NOT_MEASURED else f"{first}, as far as the other sensors show"
        why = "; ".join(f"{s}: {reason}" for s, reason in unseen.items()) or "the pairings were not measured"
        return decision.verdict("wiring", seen or None, lacking=why)
    stated = found.verdict in (AS_STATED, TURNED)
    return decision.verdict("wiring", first, fails="" if stated else first)


def _why_unseen(sensor: str, measured: Mapping[str, Mapping[Cell, Estimate]]) -> str:
    reasons = [of.reason for table in measured.values() for (s, _), of in table.items() if s == sensor and of.reason]
    return reasons[0] if reasons else "not captured"


def _closure(measured: Mapping[str, Mapping[Cell, Estimate]], decision: Decision) -> Finding:
    """Judge the direction that closes worse: slip, changing speed, or another fault of one capture."""
    found: dict[str, Closure] = {}
    for direction in DIRECTIONS:
        of = closure(measured.get(direction, {}))
        if of is None:
            lacking = ", ".join(s for s in SENSORS if not _whole(s, measured.get(direction, {}))) or "a sensor"
            none = refused("deg_el", f"{lacking} was not timed against all three pairs going {direction}")
            return decision.finding("closure", none)
        found[direction] = of
    worst = max(found.values(), key=lambda c: c.chi_squared or 0.0)
    details = tuple(
        Detail(f"chi-square going {direction}, {CLOSURE_DOF} degrees of freedom", of.chi_squared, "")
        for direction, of in found.items()
    )
    fails = (
        f"the nine figures disagree by more than their uncertainty: chi-square {worst.chi_squared:.1f}; allowed: "
        f"{CHI_SQUARED_LIMIT:g}"
        if worst.chi_squared is not None and worst.chi_squared > CHI_SQUARED_LIMIT
        else ""
    )
    largest = max(found.values(), key=lambda c: c.largest.value or 0.0).largest
    return decision.checked("closure", largest, fails=fails, detail=details)


def _whole(sensor: str, table: Mapping[Cell, Estimate]) -> bool:
    return all((sensor, p) in table and table[sensor, p].value is not None for p in PAIRS)
