"""Speed from the EMF's frequency, and speeds that keep mains lines out of the result."""

import numpy as np
from numpy.typing import NDArray

from analysis.crossings import despiked, rough_frequency, zero_phase
from analysis.mains import mains_rule

SEARCH_STEP = 0.002
SEARCH_SPAN = 0.25
SPARE = 1.33

__all__ = ["electrical_frequency", "mains_rule", "nearest_speed"]


def electrical_frequency(emf_v: NDArray[np.float64], interval_s: float) -> float | None:
    """Fundamental frequency of an EMF trace, shape (n,) [Hz]; None where there is no EMF."""
    emf_v = despiked(emf_v)
    phase = zero_phase(emf_v, interval_s)
    return rough_frequency(emf_v, interval_s) if phase is None else phase.f_e_hz


def nearest_speed(target_rpm: float, pole_pairs: int, mains_hz: float, duration_s: float) -> float:
    """Return the speed nearest a target that keeps the mains rule [rpm]; the target itself where none near does.

    A margin of a third is kept, so that a speed that is off by a little still keeps the rule.
    """
    steps = int(SEARCH_SPAN / SEARCH_STEP)
    for away in range(steps + 1):
        for sign in (1, -1):
            rpm = target_rpm * (1 + sign * away * SEARCH_STEP)
            if mains_rule(rpm / 60 * pole_pairs, mains_hz, duration_s / SPARE):
                return rpm
    return target_rpm
