"""Edges of fast logic signals, found on the scope's own integers: the quick path for encoder channels.

A level counts only where it is held past a threshold 15 % of the swing beyond the middle (a Schmitt trigger), but the
edge's time is where the signal passes the middle. Only one comparison is made for each sample: between two passes of the
middle nearly every run is seen to reach its level at its own middle, so thresholds are looked at for the rest alone.
"""

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

SMALLEST_SWING_V = 2.0
"""Below this a signal does not switch (common practice, no source)."""
HYSTERESIS_PART = 0.15
ENOUGH = 4096
STRIDES = (1, 3, 7, 17, 37, 79, 163, 331, 673, 1361)
"""Levels come from every so many samples, primes, until about four thousand are left."""
BLOCK = 1 << 17
"""Samples at a time, so that what is compared stays in the cache."""

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]
Volts = NDArray[np.floating[Any]]


class Sampled(Protocol):
    """One channel as a scope gives it: volts = counts x scale + offset."""

    @property
    def counts(self) -> NDArray[Any]:
        """Samples, shape (n,)."""

    @property
    def scale_v(self) -> float:
        """Volts per count."""

    @property
    def offset_v(self) -> float:
        """Volts at count 0."""


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """One channel: integers with scale and offset [V], or volts as they are."""

    counts: NDArray[Any]
    scale_v: float = 1.0
    offset_v: float = 0.0


@dataclass(frozen=True, slots=True)
class WireLevels:
    """Low and high level of a wire [V]."""

    low_v: float
    high_v: float

    @property
    def swing_v(self) -> float:
        """High minus low level [V]."""
        return self.high_v - self.low_v

    @property
    def switches(self) -> bool:
        """Whether the swing is that of a working output."""
        return self.swing_v >= SMALLEST_SWING_V


@dataclass(frozen=True, slots=True, eq=False)
class PulseTrain:
    """Edges in time order, rising and falling by turns.

    Parameters
    ----------
    at
        Where the signal passes the middle, shape (n,) [samples from the first].
    first_rising
        Whether the first edge rises.
    runts
        Pulses that passed the middle but did not reach the other level, and extra passes of a chattering edge.
    """

    at: Floats
    first_rising: bool
    levels: WireLevels
    runts: int

    @property
    def rising(self) -> Bools:
        """True where the level goes from low to high, shape (n,)."""
        return np.asarray((np.arange(self.at.size) % 2 == 0) == self.first_rising)

    @property
    def rises(self) -> Floats:
        """Places of the rising edges [samples]."""
        return self.at[0 if self.first_rising else 1 :: 2]

    @property
    def falls(self) -> Floats:
        """Places of the falling edges [samples]."""
        return self.at[1 if self.first_rising else 0 :: 2]


def pulses(of: Sampled, *, rare: bool = False) -> PulseTrain:
    """Find the edges of one channel.

    Parameters
    ----------
    rare
        The signal leaves one level so seldom (an index pulse) that quantiles do not see the other.

    Returns
    -------
    PulseTrain
        Without edges if the swing is below 2 V.
    """
    counts = of.counts
    low, high = rare_levels(counts) if rare else common_levels(counts)
    levels = _in_volts(of, low, high)
    if not levels.switches:
        return PulseTrain(np.empty(0), first_rising=True, levels=levels, runts=0)
    middle, beyond = (low + high) / 2, HYSTERESIS_PART * (high - low)
    flips = passes(counts, middle)
    if flips.size == 0:
        return PulseTrain(np.empty(0), first_rising=True, levels=levels, runts=0)
    first_high = bool(counts[flips[0] + 1] > middle)
    keep, rising = _held(counts, flips, middle - beyond, middle + beyond, first_high=first_high)
    flips = flips if keep is None else flips[keep]
    before = counts[flips].astype(np.float64)
    after = counts[flips + 1]
    at = flips + (middle - before) / (after - before)
    # A negative scale turns the signal over: what rises in counts falls in volts.
    return PulseTrain(at, rising == (of.scale_v > 0), levels, 0 if keep is None else int(keep.size - keep.sum()))


def common_levels(counts: NDArray[Any]) -> tuple[float, float]:
    """Levels of a signal that is at each of them often: medians of what lies below and above the middle, in counts.

    The middle lies between the 2 % and 98 % quantiles.
    """
    few = _few(counts)
    if few.size == 0:
        return 0.0, 0.0
    low, high = float(few[round(0.02 * (few.size - 1))]), float(few[round(0.98 * (few.size - 1))])
    below = int(np.searchsorted(few, (low + high) / 2, side="right"))
    if not 0 < below < few.size:
        return low, high
    return float(few[below // 2]), float(few[(below + few.size) // 2])


def rare_levels(counts: NDArray[Any]) -> tuple[float, float]:
    """Levels of a signal that is seldom at one of them, in counts: the median, and that of the pulses' own middles."""
    few = _few(counts)
    if few.size == 0:
        return 0.0, 0.0
    usual, low, high = float(few[few.size // 2]), float(counts.min()), float(counts.max())
    extreme = low if usual - low > high - usual else high
    flips = passes(counts, (usual + extreme) / 2)
    middles = counts[(flips[:-1] + 1 + flips[1:]) // 2].astype(np.float64)
    seldom = middles[np.abs(middles - extreme) < np.abs(middles - usual)]
    other = float(np.median(seldom)) if seldom.size else extreme
    return min(usual, other), max(usual, other)


def _few(counts: NDArray[Any]) -> NDArray[Any]:
    """About four thousand of the samples in order of size, by a stride that shares no factor with what repeats."""
    stride = next((p for p in STRIDES if counts.size <= p * ENOUGH), STRIDES[-1])
    return np.sort(counts[::stride], kind="stable")


def passes(counts: NDArray[Any], middle: float) -> Ints:
    """Find the samples after which a signal passes a threshold, shape (n,)."""
    # An integer threshold keeps the comparison in the samples' own narrow type.
    limit: Any = int(np.floor(middle)) if np.issubdtype(counts.dtype, np.integer) else middle
    found = []
    for start in range(0, counts.size - 1, BLOCK):
        high = counts[start : start + BLOCK + 1] > limit
        found.append(np.flatnonzero(high[1:] != high[:-1]) + start)
    return np.concatenate(found) if found else np.empty(0, np.intp)


def _held(
    counts: NDArray[Any], flips: Ints, lower: float, upper: float, *, first_high: bool
) -> tuple[Bools | None, bool]:
    """Which passes lead to a level that is held, None for all, and whether the first of these rises."""
    ends = np.append(flips[1:], counts.size - 1)
    high = (np.arange(flips.size) % 2 == 0) == first_high
    centres = counts[(flips + 1 + ends) // 2]
    held = np.where(high, centres > upper, centres < lower)
    if held.all():
        return None, first_high
    for i in np.flatnonzero(~held):
        run = counts[flips[i] + 1 : ends[i] + 1]
        held[i] = run.max() > upper if high[i] else run.min() < lower
    # The level before the first pass is the opposite one; of passes to the same level the first counts.
    valid = np.flatnonzero(held)
    before = np.append(not first_high, high[valid][:-1])
    keep = np.zeros(flips.size, dtype=bool)
    keep[valid[high[valid] != before]] = True
    kept = np.flatnonzero(keep)
    return keep, bool(high[kept[0]]) if kept.size else True


def _in_volts(of: Sampled, low: float, high: float) -> WireLevels:
    ends = sorted((low * of.scale_v + of.offset_v, high * of.scale_v + of.offset_v))
    return WireLevels(ends[0], ends[1])
