"""Where the index lies against the EMF, and how many pole pairs one turn of the index holds."""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from analysis.angles import circular_mean, wrap
from analysis.estimate import BudgetLine, Estimate, estimate, refused, scatter_of_mean

Floats = NDArray[np.float64]
PhaseAt = Callable[[Floats], Floats]
"""From times [s] to the phase chi of an EMF [deg]: rising zero = 0 modulo 360, always increasing, nan where unknown."""

U_PHASE_DEG_EL = 0.03
LOCKED_RIPPLE = 0.007
"""Share of the distance from the nearest zero of the EMF by which ripple locked to the rotation can shift an angle."""
WHOLE_PART = 0.1
POINTS_PER_CYCLE = 200


def phase_from(times_s: Floats, phase_deg: Floats) -> PhaseAt:
    """Make a phase function of known points; nan outside them.

    Parameters
    ----------
    times_s, phase_deg
        Points in time order, shape (n,).
    """

    def phase_at(wanted_s: Floats) -> Floats:
        return np.interp(wanted_s, times_s, phase_deg, left=math.nan, right=math.nan)

    return phase_at


def index_to_emf(index_times_s: Floats, phase_at: PhaseAt, direction: int) -> Estimate:
    """Angle from the rising zero of a pair's EMF, going clockwise, to the middle of the index [deg_el].

    Positive: the index lies further clockwise than the zero, as an offset does. Hysteresis and delay of the index turn
    their sign with the direction; the half sum of both directions is free of them.

    Parameters
    ----------
    index_times_s
        Middles of the index pulses, shape (n,) [s].
    direction
        +1 clockwise seen facing the drive end, -1 counter-clockwise.

    Raises
    ------
    ValueError
        The direction is neither +1 nor -1.
    """
    _check(direction)
    chi = phase_at(index_times_s)
    position = direction * chi[np.isfinite(chi)]
    if position.size == 0:
        return refused("deg_el", "no index pulse where the phase of the EMF is known")
    mean = circular_mean(position)
    to_zero = abs(wrap(2 * mean)) / 2
    lines = [
        BudgetLine("phase of the EMF", "B", U_PHASE_DEG_EL),
        BudgetLine("speed ripple locked to the rotation", "B", LOCKED_RIPPLE * to_zero),
    ]
    if position.size > 1:
        lines.append(scatter_of_mean("scatter from turn to turn", wrap(position - mean)))
    return estimate(mean, "deg_el", lines)


def index_to_fundamental(
    emf_v: Floats,
    interval_s: float,
    counts_at: tuple[Floats, Floats],
    index_times_s: Floats,
    pole_pairs: int,
    direction: int,
) -> Estimate:
    """Angle from the rising zero of the fundamental, going clockwise, to the middle of the index [deg_el].

    Parameters
    ----------
    emf_v
        Shape (n,) [V].
    counts_at
        Times [s] of the encoder's edges and the count after each, rising as the shaft turns, shape (m,).
    index_times_s
        Middles of the index pulses [s], at least two.

    Notes
    -----
    C = sum of e exp(-j P theta) dt over whole turns, theta by the encoder. As e dt = flux slope x d theta, the speed and
    its ripple cancel; the phase of C is that of the order P of the flux.

    Raises
    ------
    ValueError
        The direction is neither +1 nor -1.
    """
    _check(direction)
    times_s, position = counts_at
    at_index = np.interp(index_times_s, times_s, position)
    if at_index.size < 2 or np.any(np.diff(at_index) <= 0):
        return refused("deg_el", "fewer than two index pulses with counts between them")
    turns = at_index.size - 1
    block = max(1, int((index_times_s[-1] - index_times_s[0]) / interval_s / (turns * pole_pairs * POINTS_PER_CYCLE)))
    first, last = int(index_times_s[0] / interval_s), int(index_times_s[-1] / interval_s)
    flux = np.concatenate(([0.0], np.cumsum(emf_v - emf_v[first:last].mean()))) * interval_s
    # A sample stands for the interval about it, so the sum up to it ends half an interval before.
    edges_s = np.asarray((np.arange(0, flux.size, block) - 0.5) * interval_s, dtype=np.float64)
    turn = direction * np.interp(np.interp(edges_s, times_s, position), at_index, np.arange(at_index.size))
    each = [_turn_phase(flux[::block], edges_s, turn, index_times_s[i : i + 2], pole_pairs) for i in range(turns)]
    phases = direction * 90.0 + np.degrees(np.angle(np.array(each)))
    mean = circular_mean(phases)
    lines = [BudgetLine("encoder's own errors over a turn", "B", U_PHASE_DEG_EL)]
    if turns > 1:
        lines.append(scatter_of_mean("scatter from turn to turn", wrap(phases - mean)))
    return estimate(mean, "deg_el", lines)


def _turn_phase(flux: Floats, edges_s: Floats, turn: Floats, ends_s: Floats, pole_pairs: int) -> complex:
    """Order P of one turn, from differences of flux at the middles of short blocks."""
    cut = np.concatenate((ends_s[:1], edges_s[(edges_s > ends_s[0]) & (edges_s < ends_s[1])], ends_s[1:]))
    steps = np.diff(np.interp(cut, edges_s, flux))
    middles = np.interp((cut[:-1] + cut[1:]) / 2, edges_s, turn)
    return complex(np.sum(steps * np.exp(-2j * np.pi * pole_pairs * middles)))


def pole_pairs_found(index_times_s: Floats, phase_at: PhaseAt) -> Estimate:
    """Cycles of the EMF per turn of the index: the number of pole pairs."""
    chi = phase_at(index_times_s)
    chi = chi[np.isfinite(chi)]
    if chi.size < 2:
        return refused("count", "fewer than two index pulses where the phase of the EMF is known")
    cycles = float(np.median(np.diff(chi))) / 360
    if abs(cycles - round(cycles)) > WHOLE_PART or round(cycles) == 0:
        return refused("count", f"{cycles:.2f} cycles of the EMF in one turn of the index; that is no whole number")
    return estimate(float(round(cycles)), "count", [])


def _check(direction: int) -> None:
    if direction not in (1, -1):
        raise ValueError(f"direction must be +1 or -1, got {direction}")
