"""Uncertainty budgets of one sensor's timing (JCGM 100): scatter from turn to turn, and what scatter cannot show."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.angles import wrap
from analysis.crossings import ZeroPhase
from analysis.edge_table import EdgeTable
from analysis.estimate import BudgetLine
from analysis.harmonic_phase import HarmonicPhase
from analysis.refusals import TimingSettings

Floats = NDArray[np.float64]

WINDOW_DEG = 0.008
MAINS_DEG = 0.015
SPIKES_DEG = 0.010
LOCKED_SHARE = 0.007
"""Share of a sensor's distance from the nearest zero that speed ripple locked to the rotation can shift it by."""


@dataclass(frozen=True, slots=True)
class Witness:
    """What a budget is drawn from beside the table of edges."""

    phase: ZeroPhase
    harmonics: HarmonicPhase | None
    interval_s: float
    pole_pairs: int
    settings: TimingSettings

    @property
    def grid_deg(self) -> float:
        """One sample interval [deg_el]."""
        return 360 * self.phase.f_e_hz * self.interval_s


def waveform_budget(table: EdgeTable, witness: Witness, unexplained_deg: float | None) -> list[BudgetLine]:
    """Budget of y by the waveform's zero [deg_el]."""
    return [
        *_common(table, witness),
        BudgetLine("window of the zero fits and harmonics", "B", WINDOW_DEG),
        BudgetLine("speed ripple locked to the rotation", "B", LOCKED_SHARE * zero_distance_deg(table.y_deg)),
    ]


def fundamental_budget(table: EdgeTable, witness: Witness) -> list[BudgetLine]:
    """Budget of y by the fundamental's zero [deg_el]."""
    return [
        *_common(table, witness),
        BudgetLine("speed ripple locked to the rotation", "B", 0.07),
    ]


def duty_budget(table: EdgeTable, witness: Witness) -> list[BudgetLine]:
    """Budget of the duty [percent]."""
    lines = [*_common(table, witness), BudgetLine("window of the zero fits and harmonics", "B", WINDOW_DEG)]
    return [BudgetLine(line.source, line.kind, 2 * line.u / 3.6, line.dof) for line in lines]


def zero_distance_deg(y_deg: float) -> float:
    """Distance from the nearest zero of the EMF, rising or falling [deg_el]."""
    return abs(wrap(2 * y_deg)) / 2


def _common(table: EdgeTable, witness: Witness) -> list[BudgetLine]:
    scatter, dof = turn_scatter(table, witness.phase.zero_sd_deg)
    return [
        BudgetLine("scatter of the means of each turn", "A", scatter, dof),
        BudgetLine("sample grid of the edges", "B", coherent_grid_deg(table, witness.grid_deg)),
        BudgetLine("mains pick-up", "B", MAINS_DEG),
        BudgetLine("spikes and non-linearity of the converter", "B", SPIKES_DEG),
        BudgetLine("delay between scope channels", "B", 360 * witness.phase.f_e_hz * witness.settings.skew_s),
        BudgetLine("chattering edges", "B", _chatter_deg(table)),
    ]


def turn_scatter(table: EdgeTable, zero_sd_deg: float) -> tuple[float, float]:
    """Standard uncertainty of the mean from the scatter, and its degrees of freedom.

    The largest of three: means of whole turns (sees what changes slowly), edges about their cells (more freedom, sees
    what is white), and the noise that the zero fits report (there even if every edge was seen once only).
    """
    choices = [(zero_sd_deg / math.sqrt(table.used), math.inf)]
    seen = np.isfinite(table.scatter_deg)
    freedom = int(seen.sum()) - table.cells_deg.size
    if freedom > 0:
        choices.append((table.jitter_deg / math.sqrt(table.used), float(freedom)))
    per_turn = seen.reshape(seen.shape[0], -1).sum(axis=1)
    full = per_turn >= 0.75 * table.cells_deg.size
    if full.sum() > 1:
        means = np.nansum(table.scatter_deg.reshape(seen.shape[0], -1)[full], axis=1) / per_turn[full]
        choices.append((float(np.std(means, ddof=1)) / math.sqrt(full.sum()), float(full.sum() - 1)))
    return max(choices)


def coherent_grid_deg(table: EdgeTable, grid_deg: float) -> float:
    """Standard uncertainty from edges that fall on the same part of a sample interval each turn.

    Edges that meet the grid evenly scatter by grid / sqrt(12), and the scatter line covers them. What their scatter
    lacks of that may be an error that all edges of one kind share.
    """
    jitter = table.jitter_deg
    whole = grid_deg**2 / 12
    seen = 0.0 if math.isnan(jitter) else jitter**2
    return math.sqrt(max(0.0, whole - seen) / 2)


def _chatter_deg(table: EdgeTable) -> float:
    """Chattering edges that had to be used: anywhere within their chatter, rectangular."""
    return float(np.sqrt(np.sum(table.chatter_deg**2) / 3)) / max(1, table.used)
