"""Checks before the spin: the hand turn, and the standstill."""

from collections.abc import Sequence

import numpy as np

from analysis.conformity import CONFORMING, NONCONFORMING, NOT_MEASURED
from analysis.edges import Edges, find_edges
from analysis.encoder import schmitt_edges
from analysis.estimate import Estimate
from station.capturing import Taken
from station.finding_names import FINDINGS
from station.findings import Finding
from station.motor_type import MotorType
from station.run_facts import Gathered, RunFacts
from station.turning_sense import edges_sense

HAND_EMF_PART = 0.1
"""EMF that shows a turning shaft: this part of what the type gives at 20 rpm, slower than any hand turn."""
QUIET_STEPS = 12.0


def measure_hand_turn(pool: Sequence[Taken], facts: RunFacts, gathered: Gathered) -> None:
    """Say whether everything answered a turn by hand, and in the right sense."""
    captures = [t for t in pool if t.drive == "hand"]
    wrong = [words for t in captures for words in _wrong(t, facts.motor_type)]
    _add("hand_turn", gathered, wrong, "no capture of a hand turn" if not captures else "")


def _wrong(taken: Taken, kind: MotorType) -> list[str]:
    volts = taken.volts()
    emf = volts.pop("emf")
    wrong = []
    least_v = HAND_EMF_PART * 2 * kind.emf.line_peak_v_per_krpm * 0.02
    if float(np.ptp(emf)) < least_v + QUIET_STEPS * abs(taken.capture.waveforms[0].scale_v):
        wrong.append(f"no EMF on {taken.pair}")
    if taken.group == "sensors":
        edges = {name: find_edges(v, taken.capture.interval_s) for name, v in volts.items()}
        wrong += [f"{name} does not switch" for name, e in edges.items() if e.times_s.size < 2]
        wrong += _sensor_sense(edges, kind)
    if taken.group == "encoder":
        wrong += _encoder_sense(volts, kind)
    return wrong


def _sensor_sense(edges: dict[str, Edges], kind: MotorType) -> list[str]:
    if any(e.times_s.size == 0 for e in edges.values()):
        return []
    sense = edges_sense(edges, kind)
    return (
        []
        if sense == 1
        else ["the sensors show no steady sense" if sense == 0 else "the sensors count counter-clockwise"]
    )


def _encoder_sense(volts: dict[str, np.ndarray], kind: MotorType) -> list[str]:
    (ta, ra, _), (tb, rb, _) = schmitt_edges(volts["A"]), schmitt_edges(volts["B"])
    dead = [f"{name} does not switch" for name, t in (("A", ta), ("B", tb)) if t.size < 2]
    if dead:
        return dead
    # At each rise of A, B is low where A leads.
    level_b = rb[np.clip(np.searchsorted(tb, ta[ra]) - 1, 0, tb.size - 1)]
    leading = "A" if float(np.mean(level_b)) < 0.5 else "B"
    return [] if leading == kind.encoder.leads_going_cw else [f"{leading} leads in a clockwise turn"]


def measure_standstill(pool: Sequence[Taken], gathered: Gathered) -> None:
    """Say whether anything moves while nothing should."""
    captures = [t for t in pool if t.drive == "standstill"]
    wrong = []
    for taken in captures:
        for waveform in taken.capture.waveforms:
            steps = float(np.ptp(waveform.counts.astype(np.int32)))
            if waveform.signal != "emf" and find_edges(waveform.volts(), taken.capture.interval_s).times_s.size:
                wrong.append(f"{waveform.signal} switches")
            elif waveform.signal == "emf" and steps * abs(waveform.scale_v) > QUIET_STEPS * abs(waveform.scale_v) + 0.5:
                wrong.append(f"{steps * abs(waveform.scale_v):.2f} V on {taken.pair}")
    _add("standstill", gathered, wrong, "no capture at standstill" if not captures else "")


def _add(name: str, gathered: Gathered, wrong: Sequence[str], lacking: str) -> None:
    kind = FINDINGS[name]
    conformity = NOT_MEASURED if lacking else NONCONFORMING if wrong else CONFORMING
    reason = lacking or "; ".join(dict.fromkeys(wrong))
    text = None if lacking else reason or "as it should be"
    gathered.add(
        Finding(
            name,
            kind.label,
            kind.group,
            Estimate(None, "", reason=lacking),
            conformity=conformity,
            reason=reason,
            text=text,
        )
    )
