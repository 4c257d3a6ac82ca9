"""Pole pairs without an encoder: the errors of the sensors' edges repeat with every turn of the shaft.

Every pole has errors of its own, so the row of one edge's departures, cycle after cycle, is a pattern that comes again
after as many cycles as there are pole pairs.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.estimate import Estimate, estimate, refused

LEAST_TURNS = 2.5
NEAR_PART = 0.15
"""The smallest number of cycles whose score comes this near to the best is taken: its multiples score as well."""
LEAST_CONTRAST = 4.0
"""The pattern must come again so many times better than it does at a wrong number of cycles."""
MOST_POLE_PAIRS = 30


def pole_pairs_by_pattern(rows: Sequence[NDArray[np.float64]]) -> Estimate:
    """Find the pole pairs from the departures of the sensors' edges.

    Parameters
    ----------
    rows
        For each sensor and each kind of its edges: departure of the edge from its mean place, cycle after cycle
        [deg_el], shape (cycles,).
    """
    cycles = min((row.size for row in rows), default=0)
    most = min(MOST_POLE_PAIRS, int(cycles / LEAST_TURNS))
    if most < 2:
        return refused("count", f"{cycles} cycles in the record are too few to see a pattern repeat")
    together = np.array([row[:cycles] - row[:cycles].mean() for row in rows])
    score = np.array([np.mean((together[:, lag:] - together[:, :-lag]) ** 2) for lag in range(1, most + 1)])
    best, usual = float(score.min()), float(np.median(score))
    if usual < LEAST_CONTRAST * best or usual == 0:
        return refused("count", "the poles are too alike, or the record is too short, to tell their number")
    lag = 1 + int(np.flatnonzero(score <= best + NEAR_PART * (usual - best))[0])
    return estimate(float(lag), "count", [])
