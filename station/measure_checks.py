"""Checks before the spin: the hand turn, and the standstill."""

import math
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType

import numpy as np

from analysis.conformity import CONFORMING, NONCONFORMING, NOT_MEASURED
from analysis.estimate import Estimate
from analysis.hand_turn import hand_turn
from analysis.pairings import PAIR_ZERO_DEG_EL, sensor_angles_deg_el
from analysis.standstill import StandstillEmf, WireState, standstill_emf, wire_state
from drivers.bench_file import BenchFile
from station.capturing import KNOWN_SOURCE, Taken
from station.decision import Decision
from station.finding_names import FINDINGS
from station.findings import Finding
from station.motor_type import MotorType
from station.run_facts import Gathered, RunFacts

SLOW_HAND_RPM = 20.0
HAND_EMF_PART = 0.1
"""EMF that shows a turning shaft: this part of what the type gives at 20 rpm, slower than any hand turn."""
QUIET_STEPS = 12.0
STANDSTILL_FIGURES: Mapping[str, Callable[[StandstillEmf], Estimate]] = MappingProxyType(
    {
        "standstill_offset": lambda f: f.offset,
        "standstill_noise": lambda f: f.noise,
        "standstill_mains": lambda f: f.mains,
    }
)


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


def measure_standstill(pool: Sequence[Taken], facts: RunFacts, gathered: Gathered, decision: Decision) -> None:
    """Add what the EMF channel shows at rest, and say whether anything moves or floats while nothing should."""
    captures = [t for t in pool if t.drive == "standstill" and t.group != KNOWN_SOURCE]
    wrong = [words for t in captures for words in _unrest(t, facts.motor_type)]
    connected = [t for t in captures if t.pair is not None]
    if connected:
        found = [_emf(t, facts.bench_file) for t in connected]
        for name, of in STANDSTILL_FIGURES.items():
            worst = max((of(f) for f in found), key=lambda e: abs(e.value or 0.0))
            gathered.add(decision.finding(name, worst))
        wrong += [
            f"EMF of about {f.moving_hz:.0f} Hz on {t.pair}, so the shaft moves"
            for t, f in zip(connected, found, strict=True)
            if f.moving_hz is not None
        ]
    _add("standstill", gathered, wrong, "no capture at standstill" if not captures else "")


def _emf(taken: Taken, bench: BenchFile) -> StandstillEmf:
    gain_u = math.hypot(bench.errors.scope_gain, bench.errors.probe_gain) / 100
    return standstill_emf(taken.capture.waveforms[0], taken.capture.interval_s, bench.mains, gain_u=gain_u)


def _unrest(taken: Taken, kind: MotorType) -> list[str]:
    """Say which logic wires do not rest on one of their levels."""
    wrong = []
    for waveform in taken.capture.waveforms[1:]:
        state = wire_state(waveform, kind.logic_high_v(taken.group))
        if state is WireState.SWITCHING:
            wrong.append(f"{waveform.signal} switches")
        elif state is WireState.BETWEEN:
            middle_v = float(np.median(waveform.counts)) * waveform.scale_v + waveform.offset_v
            wrong.append(f"{waveform.signal} stands at {middle_v:.2f} V, between its levels")
    return wrong


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
