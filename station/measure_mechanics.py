"""Findings of the mechanics as the spin motor feels them: drag torque and coast-down time."""

import numpy as np

from analysis.estimate import BudgetLine, Estimate, estimate, refused
from station.decision import Decision
from station.run_facts import Gathered, RunFacts
from station.spinning import Spin
from station.supervisor import TICK_S


def measure_mechanics(spin: Spin, facts: RunFacts, gathered: Gathered, decision: Decision) -> None:
    """Add drag torque, less the station's own, and the longest coast-down."""
    gathered.add(decision.finding("drag_torque", _drag(spin, facts)))
    if spin.coast_down_s:
        longest = max(spin.coast_down_s.values())
        line = BudgetLine("time between two looks", "B", TICK_S / np.sqrt(12))
        gathered.add(decision.finding("coast_down", estimate(longest, "s", [line])))


def _drag(spin: Spin, facts: RunFacts) -> Estimate:
    """Mean current at the highest speed that was reached both ways, less the no-load current, times the motor's constant."""
    speeds = {s for d, s in spin.drag_current_a if d == "CW"} & {s for d, s in spin.drag_current_a if d == "CCW"}
    if not speeds:
        return refused("N*m", "no speed was reached in both directions")
    at, motor = max(speeds), facts.bench_file.spin_motor
    currents = [spin.drag_current_a[d, at] for d in ("CW", "CCW")]
    torque = motor.constant * (float(np.mean(currents)) - motor.no_load_current)
    u_current = float(np.mean(currents)) * facts.bench_file.errors.supply_current / 100
    return estimate(
        torque,
        "N*m",
        [
            BudgetLine("current reading of the spin supply", "B", motor.constant * u_current),
            BudgetLine(
                "cogging at the moment of the reading", "B", motor.constant * abs(currents[0] - currents[1]) / 2
            ),
        ],
    )
