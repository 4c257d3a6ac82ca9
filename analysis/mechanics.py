"""Mechanics as the spin motor feels them: drag torque less the station's own, speed over time, and coast-down."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.estimate import BudgetLine, Estimate, estimate, refused

Floats = NDArray[np.float64]

COUNTED_PART = 0.05


@dataclass(frozen=True, slots=True)
class OwnDrag:
    """Current that the station's own bearings and spin motor take at speed, as measured with nothing coupled.

    Parameters
    ----------
    speeds_rpm, currents_a
        In order of speed, shape (n,) each.
    u_a
        Standard uncertainty of the currents.
    """

    speeds_rpm: Sequence[float]
    currents_a: Sequence[float]
    u_a: float

    def at(self, speed_rpm: float) -> float:
        """Give the current at a speed, between the measured ones [A]."""
        return float(np.interp(abs(speed_rpm), self.speeds_rpm, self.currents_a))


def drag_torque(
    current: Estimate, speed_rpm: float, torque_constant_nm_per_a: float, own: OwnDrag, *, constant_u: float = 0.0
) -> Estimate:
    """Torque that the motor under test takes from the spin motor at steady speed [N*m].

    Parameters
    ----------
    current
        Of the spin supply, mean over whole turns [A].
    constant_u
        Relative standard uncertainty of the spin motor's torque constant.

    Notes
    -----
    T = k_t (i - i_own); without change of speed no torque goes into inertia.
    """
    if current.value is None:
        return refused("N*m", current.reason)
    if not own.speeds_rpm or abs(speed_rpm) > max(own.speeds_rpm):
        reached = max(own.speeds_rpm, default=0.0)
        return refused("N*m", f"the station's own drag is known up to {reached:g} rpm, not at {abs(speed_rpm):g} rpm")
    torque = torque_constant_nm_per_a * (current.value - own.at(speed_rpm))
    return estimate(
        torque,
        "N*m",
        [
            *(BudgetLine(x.source, x.kind, torque_constant_nm_per_a * x.u, x.dof) for x in current.budget),
            BudgetLine("the station's own drag", "B", torque_constant_nm_per_a * own.u_a),
            BudgetLine("torque constant of the spin motor", "B", abs(torque) * constant_u),
        ],
    )


def emf_zeros_s(volts: Floats, interval_s: float) -> tuple[Floats, float]:
    """Zeros of an EMF whose amplitude and frequency fall together, as a shaft runs out.

    Parameters
    ----------
    volts
        Samples, shape (n,).

    Returns
    -------
    tuple
        Times of the zeros, shape (m,) [s], and the standard uncertainty of one [s].

    Notes
    -----
    A half wave counts where it rises past a twentieth of the largest; between two of them a straight line is fitted by
    least squares to what lies below that, and its root taken. What the largest of these lines leaves, over its slope,
    gives the uncertainty.
    """
    sizes = np.abs(volts)
    sure = np.flatnonzero(sizes > COUNTED_PART * float(sizes.max()))
    high = volts[sure] > 0
    turns = np.flatnonzero(high[1:] != high[:-1])
    found = [_root(volts, int(sure[i]), int(sure[i + 1])) for i in turns]
    if not found:
        return np.empty(0), 0.0
    zeros, u = (np.array(values) for values in zip(*found, strict=True))
    return zeros * interval_s, float(u.max()) * interval_s


def _root(volts: Floats, first: int, last: int) -> tuple[float, float]:
    """Root of a line through samples `first` to `last`, and its standard uncertainty [samples]."""
    at = np.arange(first, last + 1) - (first + last) / 2
    level = float(np.mean(volts[first : last + 1]))
    slope = float(at @ volts[first : last + 1] / (at @ at))
    rest = volts[first : last + 1] - level - slope * at
    spread = float(np.sqrt(np.sum(rest**2) / max(1, at.size - 2)))
    return (first + last) / 2 - level / slope, spread / abs(slope) / math.sqrt(at.size)


def speed_over_time(zeros_s: Floats, pole_pairs: int) -> tuple[Floats, Floats]:
    """Speed between the zeros of an EMF, two to a cycle.

    Parameters
    ----------
    zeros_s
        Times of all rising and falling zeros, shape (n,) [s].

    Returns
    -------
    tuple
        Times [s] and speeds [rpm], shape (n - 2,): each over one whole cycle, so that an offset of the scope, which
        moves rising and falling zeros apart, does not show.
    """
    cycles = zeros_s[2:] - zeros_s[:-2]
    return (zeros_s[2:] + zeros_s[:-2]) / 2, 60.0 / (pole_pairs * cycles)


def coast_down_s(
    times_s: Floats, speeds_rpm: Floats, from_rpm: float, to_rpm: float, *, u_time_s: float = 0.0
) -> Estimate:
    """Time that a shaft left to itself takes from one speed down to another [s].

    Parameters
    ----------
    times_s, speeds_rpm
        In time order, shape (n,).
    u_time_s
        Standard uncertainty of each time.
    """
    if not from_rpm > to_rpm >= 0:
        return refused("s", f"a coast-down goes from a higher to a lower speed, got {from_rpm:g} to {to_rpm:g} rpm")
    speeds = np.abs(speeds_rpm)
    above, below = np.flatnonzero(speeds >= from_rpm), np.flatnonzero(speeds <= to_rpm)
    if above.size == 0:
        return refused("s", f"the shaft never turned at {from_rpm:g} rpm")
    after = below[below > above[-1]]
    if after.size == 0:
        return refused("s", f"the shaft was not seen to fall to {to_rpm:g} rpm")
    ends = [_passed(times_s, speeds, int(above[-1]), from_rpm), _passed(times_s, speeds, int(after[0]) - 1, to_rpm)]
    step = float(np.median(np.diff(times_s[above[-1] : after[0] + 1])))
    return estimate(
        ends[1] - ends[0],
        "s",
        [
            BudgetLine("time between two looks", "B", step / math.sqrt(12) / 2),
            BudgetLine("times of start and end", "B", math.sqrt(2) * u_time_s),
        ],
    )


def _passed(times_s: Floats, speeds: Floats, before: int, wanted: float) -> float:
    """When the speed passes a value between two looks."""
    fall = speeds[before] - speeds[before + 1]
    part = 0.0 if fall == 0 else float((speeds[before] - wanted) / fall)
    return float(times_s[before] + min(1.0, max(0.0, part)) * (times_s[before + 1] - times_s[before]))
