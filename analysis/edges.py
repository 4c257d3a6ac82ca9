"""Edges of a logic signal: levels, thresholds, edge times with sub-sample interpolation, and glitches told from edges."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Volts = NDArray[np.float64]

SMALLEST_SWING_V = 2.0
"""Below this a signal does not switch: dead, stuck, or without its pull-up (common practice, no source)."""
LEVEL_STRIDE = 37
"""Levels come from every 37th sample: enough for quantiles, coprime to what repeats."""
CLUSTER_PART = 0.02
CLUSTER_LEAST = 3
EDGES_TIMED = 16
"""Rise and fall times are medians of at most this many edges."""
NEIGHBOURHOOD = 200


@dataclass(frozen=True, slots=True)
class Levels:
    """Low and high level [V], as 2 % and 98 % quantiles, and median 10 % to 90 % times [s] where they were asked for."""

    low_v: float
    high_v: float
    rise_s: float | None = None
    fall_s: float | None = None

    @property
    def swing_v(self) -> float:
        """High minus low level [V]."""
        return self.high_v - self.low_v

    @property
    def middle_v(self) -> float:
        """The threshold half way between the levels [V]."""
        return (self.low_v + self.high_v) / 2


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Edges in time order.

    Parameters
    ----------
    times_s
        Threshold crossings, shape (n,) [s] from the first sample.
    rising
        Shape (n,); True where the level goes from low to high.
    glitches
        Excursions over the threshold and back, and flips of a chattering edge beyond its first.
    chatter_s
        From the first to the last flip of each edge, shape (n,) [s], nothing for a clean one; or empty if unknown.
    """

    times_s: NDArray[np.float64]
    rising: NDArray[np.bool_]
    levels: Levels
    glitches: int
    chatter_s: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))


def levels_of(volts: Volts) -> Levels:
    """Low and high level of a signal, whether or not it switches."""
    low_v, high_v = np.quantile(volts[::LEVEL_STRIDE] if volts.size > 50 * LEVEL_STRIDE else volts, [0.02, 0.98])
    return Levels(float(low_v), float(high_v))


def find_edges(volts: Volts, interval_s: float) -> Edges:
    """Find the edges of a logic signal.

    Flips that follow each other within 2 % of half a period belong together: an odd cluster is one edge at its first
    flip, an even one is a glitch.

    Returns
    -------
    Edges
        Without any edges if the swing is below 2 V.
    """
    levels = levels_of(volts)
    empty = np.empty(0)
    if not levels.swing_v >= SMALLEST_SWING_V:
        return Edges(empty, empty.astype(bool), levels, 0)
    high = volts > levels.middle_v
    flips = np.flatnonzero(high[1:] != high[:-1])
    if flips.size == 0:
        return Edges(empty, empty.astype(bool), levels, 0)
    first, last, glitches = _clusters(flips)
    before, after = volts[first], volts[first + 1]
    times_s = (first + (levels.middle_v - before) / (after - before)) * interval_s
    return Edges(times_s, high[first + 1], levels, glitches, np.asarray((last - first) * interval_s, dtype=np.float64))


def _clusters(flips: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64], int]:
    """First and last flip of each edge, and the number of glitches."""
    gaps = np.diff(flips)
    if gaps.size == 0:
        return flips, flips, 0
    # The median gap is half a period only if few flips are noise; the 75 % quantile also stands much chatter.
    limit = max(CLUSTER_LEAST, CLUSTER_PART * float(np.quantile(gaps, 0.75)))
    starts = np.concatenate(([0], np.flatnonzero(gaps > limit) + 1))
    sizes = np.diff(np.concatenate((starts, [flips.size])))
    odd = sizes % 2 == 1
    return flips[starts[odd]], flips[(starts + sizes - 1)[odd]], int(np.sum(sizes // 2))


def timed_levels(volts: Volts, interval_s: float, edges: Edges) -> Levels:
    """Levels of a signal together with its rise and fall times."""
    rise_s = transition_s(volts, interval_s, edges, rising=True)
    fall_s = transition_s(volts, interval_s, edges, rising=False)
    return Levels(edges.levels.low_v, edges.levels.high_v, rise_s, fall_s)


def transition_s(volts: Volts, interval_s: float, edges: Edges, *, rising: bool) -> float | None:
    """Median 10 % to 90 % time of the rising or falling edges [s]; None without such edges.

    An edge faster than the sample interval reads as about 0.8 of one interval.
    """
    levels = edges.levels
    low_v, high_v = levels.low_v + 0.1 * levels.swing_v, levels.high_v - 0.1 * levels.swing_v
    first_v, last_v = (low_v, high_v) if rising else (high_v, low_v)
    at = (edges.times_s[edges.rising == rising] / interval_s).astype(np.int64)
    reach = min(NEIGHBOURHOOD, volts.size // 4)
    at = at[(at >= reach) & (at < volts.size - reach)][:EDGES_TIMED]
    if at.size == 0:
        return None
    before = volts[at[:, None] - np.arange(reach)]
    after = volts[at[:, None] + 1 + np.arange(reach)]
    side = 1.0 if rising else -1.0
    out, into = side * (before - first_v) <= 0, side * (after - last_v) >= 0
    whole = out.any(axis=1) & into.any(axis=1)
    if not whole.any():
        return None
    # Walking out from the edge both ways: the first sample on the far side of each level, and its neighbour inside.
    start, end = at - np.argmax(out, axis=1), at + 1 + np.argmax(into, axis=1)
    begin = start + (first_v - volts[start]) / (volts[start + 1] - volts[start])
    finish = end - 1 + (last_v - volts[end - 1]) / (volts[end] - volts[end - 1])
    return float(np.median(np.maximum(0.0, finish - begin)[whole])) * interval_s
