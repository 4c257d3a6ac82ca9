"""Findings of the sensors' electrical state: levels, swing, glitches."""

from collections.abc import Sequence

from analysis.estimate import BudgetLine, Estimate, estimate, refused
from station.basis import Basis
from station.decision import Decision
from station.finding_names import SENSORS
from station.run_facts import Gathered
from station.timed_captures import Timed


def measure_sensors(timed: Sequence[Timed], basis: Basis, gathered: Gathered, decision: Decision) -> None:
    """Add levels, swing and glitches: the worst of all captures, since one bad capture is one too many."""
    gain = basis.errors.scope_gain / 100
    for sensor in SENSORS:
        seen = [(t.timing.sensors[sensor], t.taken) for t in timed if sensor in t.timing.sensors]
        if not seen:
            for name, unit in (("low_level", "V"), ("high_level", "V"), ("swing", "V"), ("glitches", "count")):
                gathered.add(
                    decision.finding(f"{name}_{sensor}", refused(unit, "the sensors were not captured at speed"))
                )
            continue
        step_v = max(abs(w.scale_v) for _, t in seen for w in t.capture.waveforms[1:])
        low = max(s.levels.low_v for s, _ in seen)
        high = min(s.levels.high_v for s, _ in seen)
        swing = min(s.levels.swing_v for s, _ in seen)
        gathered.add(decision.finding(f"low_level_{sensor}", _volts(low, gain, step_v)))
        gathered.add(decision.finding(f"high_level_{sensor}", _volts(high, gain, step_v)))
        gathered.add(decision.finding(f"swing_{sensor}", _volts(swing, gain, step_v)))
        glitches = sum(s.glitches for s, _ in seen)
        gathered.add(decision.finding(f"glitches_{sensor}", estimate(float(glitches), "count", [])))


def _volts(value: float, gain: float, step_v: float) -> Estimate:
    return estimate(
        value,
        "V",
        [
            BudgetLine("gain of the scope", "B", abs(value) * gain),
            BudgetLine("step and offset of the converter", "B", step_v),
        ],
    )
