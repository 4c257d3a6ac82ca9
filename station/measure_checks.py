"""Checks before the spin: the hand turn, and the standstill."""

from collections.abc import Sequence

import numpy as np

from analysis.conformity import CONFORMING, NONCONFORMING, NOT_MEASURED
from analysis.edges import find_edges
from analysis.estimate import Estimate
from analysis.hand_turn import hand_turn
from analysis.pairings import PAIR_ZERO_DEG_EL, sensor_angles_deg_el
from station.capturing import Taken
from station.finding_names import FINDINGS
from station.findings import Finding
from station.motor_type import MotorType
from station.run_facts import Gathered, RunFacts

SLOW_HAND_RPM = 20.0
HAND_EMF_PART = 0.1
"""EMF that shows a turning shaft: this part of what the type gives at 20 rpm, slower than any hand turn."""
QUIET_STEPS = 12.0


def measure_hand_turn(pool: Sequence[Taken], facts: RunFacts, gathered: Gathered) -> None:
    """Say whether everything answered a turn by hand, and in the right sense."""
    captures = [t for t in pool if t.drive == "hand"]
    wrong = [words for t in captures for words in _wrong(t, facts.motor_type)]
    _add("hand_turn", gathered, wrong, "no capture of a hand turn" if not captures else "")


def _wrong(taken: Taken, kind: MotorType) -> list[str]:
    sensors = kind.sensors
    emf, *channels = taken.capture.waveforms
    noise_v = QUIET_STEPS / 2 * abs(emf.scale_v)
    found = hand_turn(
        {w.signal: w for w in channels},
        taken.capture.interval_s,
        rise_deg_el=sensor_angles_deg_el(sensors.pairs, sensors.polarity, sensors.targets_deg_el),
        a_leads_cw=kind.encoder.leads_going_cw == "A",
        emf=emf,
        emf_zero_deg_el=PAIR_ZERO_DEG_EL[taken.pair] if taken.pair else None,
        least_emf_v=HAND_EMF_PART * kind.emf.line_peak_v_per_krpm * SLOW_HAND_RPM / 1000 + noise_v,
    )
    return list(found.wrong())


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
