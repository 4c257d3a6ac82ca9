"""The finding of wiring: what explains the nine pairings, and how well they close."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from analysis.angles import circular_mean
from analysis.conformity import CONFORMING, NONCONFORMING, NOT_MEASURED
from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.pairings import PAIRS, SENSORS, closure_deg_el, nominal_deg_el
from analysis.wiring import diagnose
from station.finding_names import FINDINGS
from station.findings import Finding
from station.measure_timing import by_key, speeds_both_ways
from station.run_facts import Gathered, RunFacts

if TYPE_CHECKING:
    from station.measuring import Timed


def measure_wiring(timed: Sequence["Timed"], facts: RunFacts, gathered: Gathered) -> None:
    """Add the findings `wiring` and `closure`, and the diagnosis for the sheet."""
    measured, why = _nine(timed)
    kind, label = facts.motor_type, FINDINGS["wiring"]
    if measured is None:
        text = Estimate(None, "", reason=why)
        gathered.add(Finding("wiring", label.label, label.group, text, conformity=NOT_MEASURED, reason=why))
        gathered.add(_closure(refused("deg_el", why)))
        return
    nominal = nominal_deg_el(kind.sensors.pairs, kind.sensors.polarity, kind.sensors.targets_deg_el)
    found = diagnose(measured, nominal)
    stated = found.verdict == "as stated"
    first = found.explanations[0].text if found.explanations else "no single wiring explains the pairings"
    gathered.wiring = {
        "verdict": f"{found.verdict}: {first}",
        "explanations": [f"{e.text}; offset left {e.offset_deg_el:+.1f} deg_el" for e in found.explanations],
        "cannot_tell": list(found.cannot_tell),
        "question": found.question or None,
    }
    gathered.add(
        Finding(
            "wiring",
            label.label,
            label.group,
            Estimate(None, ""),
            conformity=CONFORMING if stated else NONCONFORMING,
            reason="" if stated else first,
            text=first,
        )
    )
    # Four degrees of freedom of nine figures, each good to about the scatter of one capture.
    gathered.add(_closure(estimate(closure_deg_el(measured), "deg_el", [BudgetLine("scatter of nine figures", "A", 0.05)])))


def _closure(figure: Estimate) -> Finding:
    kind = FINDINGS["closure"]
    return Finding("closure", kind.label, kind.group, figure, reason=figure.reason)


def _nine(timed: Sequence["Timed"]) -> tuple[Mapping[tuple[str, str], float] | None, str]:
    """Mean of both directions of all nine pairings at the highest speed; else None and what is lacking."""
    found = by_key(timed)
    table = {}
    for pair in PAIRS:
        speeds = speeds_both_ways(found, pair)
        if not speeds:
            return None, f"{pair} was not captured in both directions at one speed"
        for sensor in SENSORS:
            ys = [found[d, speeds[-1], pair].timing.sensors[sensor].y_waveform for d in ("CW", "CCW")]
            lacking = next((y for y in ys if y.value is None), None)
            if lacking is not None:
                return None, f"{sensor} against {pair}: {lacking.reason}"
            table[sensor, pair] = circular_mean(np.array([float(y.value or 0.0) for y in ys]))
    return table, ""
