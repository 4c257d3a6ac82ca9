"""Findings of the mechanics as the spin motor feels them: drag torque, and the time the shaft takes to run out."""

import math
from collections.abc import Sequence

import numpy as np

from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.mechanics import OwnDrag, coast_down_s, drag_torque, emf_zeros_s, speed_over_time
from drivers.bench_parts import SpinMotor
from station.capturing import Taken
from station.decision import Decision
from station.finding_names import FINDINGS
from station.findings import Finding
from station.run_facts import Gathered, RunFacts
from station.spinning import Spin

FROM_PART, TO_PART = 0.9, 0.5
"""A coast-down is timed between these parts of the speed it began at: clear of the switching off, and of the last cycle before rest."""


def measure_mechanics(
    pool: Sequence[Taken], spin: Spin | None, facts: RunFacts, gathered: Gathered, decision: Decision
) -> None:
    """Add drag torque, less the station's own, and the coast-down where one was captured."""
    if spin is not None:
        gathered.add(decision.finding("drag_torque", _drag(spin, facts)))
    coasts = [t for t in pool if t.drive == "coast"]
    if coasts:
        gathered.add(_coast_down(coasts[-1], facts, decision))


def _drag(spin: Spin, facts: RunFacts) -> Estimate:
    """At the highest speed that was reached both ways, from the mean of both currents."""
    speeds = {s for d, s in spin.drag_current_a if d == "CW"} & {s for d, s in spin.drag_current_a if d == "CCW"}
    if not speeds:
        return refused("N*m", "no speed was reached in both directions")
    at, motor = max(speeds), facts.bench_file.spin_motor
    readings = [spin.drag_current_a[d, at] for d in ("CW", "CCW")]
    means = [float(np.mean(r)) for r in readings]
    mean, fewest = float(np.mean(means)), min(map(len, readings))
    cogging = "cogging at the moments of reading"
    scatter = (
        BudgetLine(
            cogging, "A", math.hypot(*(np.std(r, ddof=1) / math.sqrt(len(r)) for r in readings)) / 2, fewest - 1.0
        )
        if fewest > 1
        else BudgetLine(cogging, "A", abs(means[0] - means[1]) / 2, 1.0)
    )
    reading = BudgetLine("current reading of the spin supply", "B", mean * facts.bench_file.errors.supply_current / 100)
    current = estimate(mean, "A", [reading, scatter])
    return drag_torque(current, at, motor.constant, _own(motor), constant_u=motor.constant_uncertainty / 100)


def _own(motor: SpinMotor) -> OwnDrag:
    points = motor.no_load
    return OwnDrag([p.speed for p in points], [p.current for p in points], motor.no_load_uncertainty)


def _coast_down(taken: Taken, facts: RunFacts, decision: Decision) -> Finding:
    begun_rpm = taken.speed_target_rpm or 0.0
    from_rpm, to_rpm = FROM_PART * begun_rpm, TO_PART * begun_rpm
    zeros_s, u_zero_s = emf_zeros_s(taken.capture.waveforms[0].volts(), taken.capture.interval_s)
    label = f"{FINDINGS['coast_down'].label} from {from_rpm:.0f} to {to_rpm:.0f} rpm"
    pole_pairs = facts.motor_type.pole_pairs
    if zeros_s.size <= 2:
        return decision.finding("coast_down", refused("s", "no EMF while the shaft ran out"), label)
    times_s, speeds_rpm = speed_over_time(zeros_s, pole_pairs)
    return decision.finding("coast_down", coast_down_s(times_s, speeds_rpm, from_rpm, to_rpm, u_time_s=u_zero_s), label)
