"""The finding of wiring: what explains the nine pairings, and how well they close."""

import itertools
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from analysis.conformity import CONFORMING, NONCONFORMING, NOT_MEASURED
from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.pairings import DIRECTIONS, PAIRS, SENSORS, closure_deg_el, nominal_deg_el
from analysis.wiring import AS_STATED, TURNED, diagnose
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
    stated = found.verdict in (AS_STATED, TURNED)
    first = found.explanations[0].text if found.explanations else found.verdict
    gathered.wiring = {
        "verdict": found.verdict if found.verdict == first else f"{found.verdict}: {first}",
        "explanations": [
            f"{e.text}; to mend: {e.mend or 'nothing'}; offset left {e.offset_deg_el:+.1f} deg_el"
            for e in found.explanations
        ],
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
    gathered.add(
        _closure(
            estimate(
                max(map(closure_deg_el, measured.values())),
                "deg_el",
                [BudgetLine("scatter of nine figures", "A", 0.05)],
            )
        )
    )


def _closure(figure: Estimate) -> Finding:
    kind = FINDINGS["closure"]
    return Finding("closure", kind.label, kind.group, figure, reason=figure.reason)


def _nine(timed: Sequence["Timed"]) -> tuple[Mapping[str, Mapping[tuple[str, str], float]] | None, str]:
    """All nine pairings at the highest speed by direction; None and what is lacking if one could not be measured."""
    found = by_key(timed)
    tables: dict[str, dict[tuple[str, str], float]] = {direction: {} for direction in DIRECTIONS}
    for pair in PAIRS:
        speeds = speeds_both_ways(found, pair)
        if not speeds:
            return None, f"{pair} was not captured in both directions at one speed"
        for direction, sensor in itertools.product(DIRECTIONS, SENSORS):
            y = found[direction, speeds[-1], pair].timing.sensors[sensor].y_waveform
            if y.value is None:
                return None, f"{sensor} against {pair}: {y.reason}"
            tables[direction][sensor, pair] = y.value
    return tables, ""
