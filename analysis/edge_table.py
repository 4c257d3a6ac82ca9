"""Positions of a sensor's edges by turn, pole and kind of edge, and the mean that both kinds and all poles share.

An edge at phase chi of the EMF lies at position s chi - (0 for the edge that rises going clockwise, 180 for the other).
The mean is taken per pole and kind first, then over these cells: else a record that is not a whole number of turns
would weigh some poles twice.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.angles import circular_mean, wrap
from analysis.edges import Edges

Floats = NDArray[np.float64]

OUTLIER_MAD = 6.0
OUTLIER_FLOOR_DEG = 0.3
FARTHEST_DEG = 60.0
"""An edge further than this from the mean of its sensor belongs to no 180 degree sensor."""
WIDEST_JITTER_DEG = 5.0
"""Slip, another shaft's sensor, or another number of pole pairs (assumed; sound records stay below 3)."""
LEAST_IN_PLACE = 0.75
MAD_TO_SD = 1.4826


class UnmeasurableError(ValueError):
    """A figure that must not be given; its text is the reason."""


@dataclass(frozen=True, slots=True, eq=False)
class EdgeTable:
    """Edges of one sensor against one EMF.

    Parameters
    ----------
    y_deg
        Mean over poles and kinds, in (-180, 180] [deg_el].
    cells_deg
        Mean of each pole's (rise, fall) about `y_deg`, shape (P, 2) [deg_el]; poles count from the first zero seen.
    scatter_deg
        Each edge about its cell, shape (turns, P, 2) [deg_el]; nan where none was seen or used.
    chatter_deg
        Widths of the chattering edges that had to be used, shape (k,) [deg_el].
    dropped
        Edges left out as outliers or false.
    """

    y_deg: float
    cells_deg: Floats
    scatter_deg: Floats
    chatter_deg: Floats
    dropped: int

    @property
    def used(self) -> int:
        """Number of edges used."""
        return int(np.count_nonzero(np.isfinite(self.scatter_deg)))

    @property
    def rise_deg(self) -> float:
        """Mean position of the edges that rise going clockwise [deg_el]."""
        return float(wrap(self.y_deg + float(self.cells_deg[:, 0].mean())))

    @property
    def fall_deg(self) -> float:
        """Mean position of the edges that fall going clockwise, less 180 [deg_el]."""
        return float(wrap(self.y_deg + float(self.cells_deg[:, 1].mean())))

    @property
    def duty_percent(self) -> float:
        """Share of a cycle for which the sensor is high [percent]."""
        return 50.0 + float(self.cells_deg[:, 1].mean() - self.cells_deg[:, 0].mean()) / 3.6

    @property
    def jitter_deg(self) -> float:
        """Standard deviation of the edges about their own cell [deg_el]; nan if every edge was seen once only."""
        seen = self.scatter_deg[np.isfinite(self.scatter_deg)]
        freedom = seen.size - self.cells_deg.size
        return float(np.sqrt(np.sum(seen**2) / freedom)) if freedom > 0 else float("nan")


def edge_table(chi_deg: Floats, edges: Edges, direction: int, pole_pairs: int, degrees_per_s: float) -> EdgeTable:
    """Sort edges into turns, poles and kinds.

    Parameters
    ----------
    chi_deg
        Phase of the EMF at each edge, shape (n,) [deg]; nan where it is not known.

    Raises
    ------
    UnmeasurableError
        Some pole's edge was never seen, or the edges do not keep one place in the cycle or turn.
    """
    seen = np.isfinite(chi_deg)
    # The edge that rises going clockwise is a falling one going counter-clockwise.
    cw_rise = edges.rising[seen] if direction > 0 else ~edges.rising[seen]
    at = direction * chi_deg[seen] - np.where(cw_rise, 0.0, 180.0)
    spans = edges.chatter_s[seen] * degrees_per_s if edges.chatter_s.size else np.zeros(at.size)
    centre = circular_mean(at)
    away = wrap(at - centre)
    near = np.abs(away) <= FARTHEST_DEG
    if at.size == 0 or np.count_nonzero(near) < LEAST_IN_PLACE * at.size:
        raise UnmeasurableError("the sensor's edges keep no place in the cycle of the EMF")
    cycle = np.rint((at - centre - away) / 360).astype(np.int64)[near]
    cycle -= cycle.min()
    grid, widths = _grids(away[near], spans[near], cycle, (~cw_rise[near]).astype(np.int64), pole_pairs)
    kept = _kept(grid, widths)
    cells = np.nanmean(kept, axis=0)
    mean = float(cells.mean())
    used = np.isfinite(kept)
    table = EdgeTable(
        y_deg=float(wrap(centre + mean)),
        cells_deg=cells - mean,
        scatter_deg=kept - cells,
        chatter_deg=widths[used & (widths > 0)],
        dropped=at.size - int(np.count_nonzero(used)),
    )
    if table.jitter_deg > WIDEST_JITTER_DEG:
        raise UnmeasurableError(
            f"the edges wander by {table.jitter_deg:.1f} deg_el from turn to turn; allowed: {WIDEST_JITTER_DEG:g} deg_el"
        )
    return table


def _grids(
    away: Floats, spans: Floats, cycle: NDArray[np.int64], kind: NDArray[np.int64], pole_pairs: int
) -> tuple[Floats, Floats]:
    """Edges and chatter widths by turn, pole and kind; of two edges in one place the one nearer the middle stays."""
    turns = int(cycle.max()) // pole_pairs + 1
    grid = np.full((turns, pole_pairs, 2), np.nan)
    widths = np.zeros_like(grid)
    middle = np.median(away)
    order = np.argsort(-np.abs(away - middle), kind="stable")
    place = (cycle[order] // pole_pairs, cycle[order] % pole_pairs, kind[order])
    grid[place], widths[place] = away[order], spans[order]
    return grid, widths


def _kept(grid: Floats, widths: Floats) -> Floats:
    """Leave out chattering edges where clean ones serve, and outliers of each cell."""
    clean = np.isfinite(grid) & (widths == 0)
    kept = np.where(clean | ~clean.any(axis=0), grid, np.nan)
    counts = np.count_nonzero(np.isfinite(kept), axis=0)
    if not counts.all():
        raise UnmeasurableError("not every edge of a turn was seen")
    distance = np.abs(kept - _medians(kept, counts))
    sizes = distance[np.isfinite(distance)]
    # Cells with one edge only have no scatter and would make the rest look like outliers.
    spread = float(np.median(sizes[sizes > 0])) * MAD_TO_SD if np.any(sizes > 0) else 0.0
    limit = OUTLIER_MAD * spread + OUTLIER_FLOOR_DEG
    good = distance <= limit
    # Of two edges that disagree neither is better: then both stay, and the scatter says so.
    return np.where(good | ~good.any(axis=0), kept, np.nan)


def _medians(kept: Floats, counts: NDArray[np.int64]) -> Floats:
    """Median of each cell; np.nanmedian does the same and takes ten times as long on arrays this small."""
    ordered = np.sort(kept, axis=0)
    low = np.take_along_axis(ordered, ((counts - 1) // 2)[None], axis=0)[0]
    high = np.take_along_axis(ordered, (counts // 2)[None], axis=0)[0]
    return np.asarray((low + high) / 2, dtype=np.float64)
