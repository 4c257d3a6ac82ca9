"""Two channels a quarter line apart: fourfold decoding, the phase between them, and their duty."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.estimate import BudgetLine, Estimate, estimate, refused, scatter_of_mean
from analysis.pulse_trains import PulseTrain

Floats = NDArray[np.float64]

FAR_PART = 0.25
"""Figures further than this part of a line from the middle one belong to lost or false pulses, not to the mean."""
GRID_PART = 1 / 20
"""What is left of the sample grid in a mean over many lines whose edges meet the grid evenly [samples]."""
BOTH_ENDS = 1 / 6**0.5
"""Scatter of a span between two edges that meet the grid evenly [samples] (JCGM 100:2008, F.2.2.1, twice)."""
LEAST_LINES = 3


@dataclass(frozen=True, slots=True, eq=False)
class QuadratureTrack:
    """Counts over a record.

    Parameters
    ----------
    at, position, step
        Place of every edge of A and B [samples], count after it, and its step of +1 or -1, shape (n,); A leading B
        counts up.
    of_a
        Whether the edge is one of A.
    illegal_at
        Places where A and B change within one sample interval: sampled at this rate, both change at once.
    """

    at: Floats
    position: NDArray[np.int64]
    step: NDArray[np.int64]
    of_a: NDArray[np.bool_]
    illegal_at: Floats


def decode(a: PulseTrain, b: PulseTrain) -> QuadratureTrack:
    """Decode fourfold: every edge is a count.

    Notes
    -----
    A leads B in 00 10 11 01: an edge of A counts up where the levels differ after it, an edge of B where they agree. As
    every edge changes one of the two, that they differ or agree goes by turns, and no table is needed.
    """
    both = np.concatenate([a.at, b.at])
    order = np.argsort(both, kind="stable")
    at, of_a = both[order], order < a.at.size
    # Before its first edge a channel is at the opposite of what that edge brings.
    differ = (np.arange(1, at.size + 1) % 2 == 1) != (a.first_rising != b.first_rising)
    step = np.where(differ == of_a, 1, -1)
    together = (np.diff(np.floor(at)) == 0) & (of_a[1:] != of_a[:-1])
    return QuadratureTrack(at, np.cumsum(step), step, of_a, at[1:][together])


def quadrature_deg_line(a: PulseTrain, b: PulseTrain, sense: int, index: Floats) -> Estimate:
    """Angle from the leading to the other channel's edges, nominally 90, in degrees of a line.

    Parameters
    ----------
    sense
        +1 where A leads, -1 where B leads.
    index
        Places of the index pulses [samples]: each turn makes one mean for the scatter.

    Notes
    -----
    Mean of rise to rise and fall to fall: a duty other than one half moves the two by the same in opposite ways.
    """
    means, kept, scatter = [], [], []
    for mine, other in ((a.rises, b.rises), (a.falls, b.falls)):
        if mine.size < LEAST_LINES or other.size < LEAST_LINES:
            return refused("deg_line", f"fewer than {LEAST_LINES} lines in the record")
        before = np.searchsorted(mine, other) - 1
        use = (before >= 0) & (before < mine.size - 1)
        start = mine[before[use]]
        part = (other[use] - start) / (mine[before[use] + 1] - start)
        mean, each, spread = _turn_means(part, other[use], index)
        means.append(mean)
        kept.append(each)
        scatter.append(spread)
    turns = [each for pair in zip(*kept, strict=False) for each in [float(np.mean(pair))]]
    phase = 360 * float(np.mean(means))
    grid = 360 / float(np.median(np.diff(a.rises)))
    return estimate(
        phase if sense > 0 else 360 - phase, "deg_line", _budget(np.array(turns) * 360, 360 * min(scatter), grid)
    )


def duty_percent(train: PulseTrain, index: Floats) -> Estimate:
    """Share of a line during which a channel is high [percent]."""
    rises, falls = train.rises, train.falls
    if rises.size < LEAST_LINES or falls.size < LEAST_LINES:
        return refused("percent", f"fewer than {LEAST_LINES} lines in the record")
    falls = falls[falls > rises[0]][: rises.size - 1]
    periods = np.diff(rises)[: falls.size]
    part = (falls - rises[: falls.size]) / periods
    mean, each, scatter = _turn_means(part, falls, index)
    return estimate(100 * mean, "percent", _budget(100 * each, 100 * scatter, 100 / float(np.median(periods))))


def _turn_means(part: Floats, at: Floats, index: Floats) -> tuple[float, Floats, float]:
    """Mean of all figures near the middle one, the means of the whole turns, and the scatter of the figures."""
    near = np.abs(part - np.median(part)) < FAR_PART
    part, turn = part[near], np.searchsorted(index, at[near]) - 1
    whole = (turn >= 0) & (turn < index.size - 1)
    count = np.bincount(turn[whole], minlength=index.size - 1)
    each = np.bincount(turn[whole], part[whole], minlength=index.size - 1)[count > 0] / count[count > 0]
    return float(part.mean()), each, float(part.std())


def _budget(each_turn: Floats, scatter: float, grid: float) -> list[BudgetLine]:
    # Where the lines pass the grid in step, all edges share one error and scatter less than the grid would make them:
    # what the scatter lacks may be that error.
    lacking = max(0.0, (BOTH_ENDS * grid) ** 2 - scatter**2) ** 0.5
    lines = [BudgetLine("sample grid of the edges", "B", max(GRID_PART * grid, lacking))]
    if each_turn.size > 1:
        lines.append(scatter_of_mean("scatter of the means of the turns", each_turn))
    return lines
