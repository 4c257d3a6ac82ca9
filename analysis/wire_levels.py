"""Levels and rise times of an encoder's or sensor's wires, alone and as a difference, and dead complements.

A line and its complement come in different captures, so their difference is taken of levels, not of samples.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.pulse_trains import SMALLEST_SWING_V, PulseTrain, Sampled, WireLevels, common_levels, pulses

MOST_EDGES = 256
LOW_PART, HIGH_PART = 0.1, 0.9
LEAST_DIFFERENCE_V = 2.0
"""Least differential voltage of a driver into 100 ohm (TIA/EIA-422-B, from memory)."""


@dataclass(frozen=True, slots=True)
class WireHealth:
    """One wire: its levels [V], 10 % to 90 % times of its edges [s], and runts."""

    name: str
    low: Estimate
    high: Estimate
    swing: Estimate
    rise: Estimate
    fall: Estimate
    runts: int


@dataclass(frozen=True, slots=True)
class DifferentialHealth:
    """A line with its complement.

    Parameters
    ----------
    high, low
        Line less complement while the line is high, and while it is low [V]; negative in the second.
    dead
        Which of the two does not switch: `line`, `complement`, `both`, or empty.
    """

    name: str
    high: Estimate
    low: Estimate
    dead: str

    @property
    def drives(self) -> bool:
        """Whether both levels reach what a receiver is promised."""
        return (self.high.value or 0.0) >= LEAST_DIFFERENCE_V and (self.low.value or 0.0) <= -LEAST_DIFFERENCE_V


def wire_health(name: str, of: Sampled, interval_s: float, *, gain_u: float = 0.0, rare: bool = False) -> WireHealth:
    """Measure one wire.

    Parameters
    ----------
    gain_u
        Relative standard uncertainty of the voltage scale.
    rare
        The wire leaves one level so seldom (an index) that quantiles do not see the other.
    """
    train = pulses(of, rare=rare)
    levels = train.levels if train.levels.switches or rare else _flat(of)
    step_v = abs(of.scale_v) if np.issubdtype(of.counts.dtype, np.integer) else 0.0
    swing = levels.high_v - levels.low_v
    rise, fall = (_transition(of, train, interval_s, rising=rising) for rising in (True, False))
    return WireHealth(
        name,
        _level(levels.low_v, step_v, gain_u),
        _level(levels.high_v, step_v, gain_u),
        _level(swing, math.sqrt(2) * step_v, gain_u),
        rise,
        fall,
        train.runts,
    )


def differential_health(name: str, line: WireHealth, complement: WireHealth) -> DifferentialHealth:
    """Join a line and its complement."""
    silent = [w for w in (line, complement) if (w.swing.value or 0.0) < SMALLEST_SWING_V]
    dead = "both" if len(silent) == 2 else "line" if line in silent else "complement" if silent else ""
    return DifferentialHealth(name, _less(line.high, complement.low), _less(line.low, complement.high), dead)


def _flat(of: Sampled) -> WireLevels:
    ends = sorted(c * of.scale_v + of.offset_v for c in common_levels(of.counts))
    return WireLevels(ends[0], ends[1])


def _level(value: float, step_v: float, gain_u: float) -> Estimate:
    return estimate(
        value,
        "V",
        [
            BudgetLine("step of the converter", "B", step_v / math.sqrt(12)),
            BudgetLine("voltage scale of the channel", "B", abs(value) * gain_u),
        ],
    )


def _less(first: Estimate, second: Estimate) -> Estimate:
    if first.value is None or second.value is None:
        return refused("V", first.reason or second.reason)
    u = math.hypot(first.u or 0.0, second.u or 0.0)
    return estimate(first.value - second.value, "V", [BudgetLine("levels of both wires", "B", u)])


def _transition(of: Sampled, train: PulseTrain, interval_s: float, *, rising: bool) -> Estimate:
    """Median 10 % to 90 % time of the first edges of one kind.

    Notes
    -----
    An edge faster than the sample interval reads as up to one interval; the grid's part of the budget covers that.
    """
    places = (train.rises if rising else train.falls)[:MOST_EDGES]
    if places.size == 0:
        return refused("s", "no edge")
    half = max(2, min(200, int(np.median(np.diff(train.at)) * 0.5)) if train.at.size > 1 else 200)
    first = np.floor(places).astype(np.intp)
    first = first[(first >= half) & (first < of.counts.size - half - 1)]
    if first.size == 0:
        return refused("s", "no edge away from the ends of the record")
    volts = of.counts[first[:, None] + np.arange(-half, half + 2)] * of.scale_v + of.offset_v
    rel = (volts - train.levels.low_v) / train.levels.swing_v
    rel = rel if rising else 1 - rel
    times = _crossing(rel, half, HIGH_PART) - _crossing(rel, half, LOW_PART)
    times = times[np.isfinite(times)]
    if times.size == 0:
        return refused("s", "the edges do not reach 10 % and 90 %")
    spread = float(np.median(np.abs(times - np.median(times)))) / 0.6745 / math.sqrt(times.size)
    return estimate(
        float(np.median(times)) * interval_s,
        "s",
        [
            BudgetLine("scatter of the edges", "A", spread * interval_s, max(1.0, times.size - 1.0)),
            # Two edges of the grid (JCGM 100:2008, F.2.2.1).
            BudgetLine("sample grid", "B", interval_s / math.sqrt(6)),
        ],
    )


def _crossing(rel: NDArray[np.float64], middle: int, level: float) -> NDArray[np.float64]:
    """Where each row passes a level nearest its middle, in columns; nan where it does not."""
    passed = (rel[:, :-1] < level) & (rel[:, 1:] >= level)
    away = np.where(passed, np.abs(np.arange(passed.shape[1]) - middle), np.inf)
    at = np.argmin(away, axis=1)
    rows = np.arange(rel.shape[0])
    before, after = rel[rows, at], rel[rows, at + 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        place = at + (level - before) / (after - before)
    return np.where(passed[rows, at], place, np.nan)
