"""Uncertainty budgets of one sensor's timing (JCGM 100): scatter from turn to turn, and what scatter cannot show."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analysis.angles import wrap
from analysis.crossings import HALF_WINDOW_DEG, ZeroPhase
from analysis.edge_table import EdgeTable
from analysis.estimate import BudgetLine
from analysis.harmonic_phase import HarmonicPhase
from analysis.locked_ripple import locked_shares, shift_between_deg, shift_of_mean_deg
from analysis.mains import LEAST_BINS, bins_from_odd_harmonics, mains_rule
from analysis.refusals import TimingSettings

WINDOW_DEG, WIDE_WINDOW_DEG = 0.008, 0.09
"""What harmonics do to a zero in windows of 7 and of 20 degrees on either side, slot harmonics in the second."""
MAINS_DEG = 0.015
LEAST_MAINS_DEG = 0.004
MAINS_MET_DEG = 0.15
"""Allowance where the mains may meet a harmonic and nobody said which mains it is; as much as 0.3 has been seen."""
CONVERTER_STEPS = 0.017
"""Shift of a zero by spikes and non-linearity, in steps of the converter (assumed)."""
DISAGREEMENT_DEG = 0.3
LINES_DEG_MECH = 0.002
"""What is left of the eccentricity of an encoder's disc in a mean over whole turns (assumed)."""
ODD_RIPPLE_DEG = 0.25
"""Ripple of electrical order 3, two percent of the speed, moves rising edges one way and falling ones the other."""
MAINS_FREQUENCIES_HZ = (50.0, 60.0)


@dataclass(frozen=True, slots=True)
class Shared:
    """What the budgets of all sensors of a capture have in common.

    Parameters
    ----------
    grid_deg, skew_deg
        One sample interval, and the standard uncertainty of the delay between channels [deg_el].
    mains_deg, converter_deg, window_deg, zero_sd_deg
        Standard uncertainties from mains pick-up, from spikes and non-linearity, from harmonics in the windows of the zero
        fits, and noise of one zero [deg_el].
    ripple
        Locked ripple that cannot be ruled out, share of the speed by electrical order.
    lines_deg
        Standard uncertainty of position by the encoder's lines, over whole turns [deg_el].
    """

    grid_deg: float
    skew_deg: float
    mains_deg: float
    converter_deg: float
    window_deg: float
    zero_sd_deg: float
    ripple: Mapping[int, float]
    lines_deg: float


def shared_by_sensors(
    phase: ZeroPhase,
    harmonics: HarmonicPhase | None,
    interval_s: float,
    duration_s: float,
    pole_pairs: int,
    settings: TimingSettings,
    *,
    by_position: bool,
) -> Shared:
    """Work out what the budgets of a capture have in common.

    Referred to position by an encoder, ripple does not matter, and the encoder's lines do.
    """
    return Shared(
        grid_deg=360 * phase.f_e_hz * interval_s,
        skew_deg=360 * phase.f_e_hz * settings.skew_s,
        mains_deg=mains_deg(phase, harmonics, duration_s, settings.mains_hz),
        converter_deg=math.degrees(CONVERTER_STEPS * phase.step_v / phase.amplitude_v),
        window_deg=WINDOW_DEG if phase.half_window_deg <= HALF_WINDOW_DEG else WIDE_WINDOW_DEG,
        zero_sd_deg=phase.zero_sd_deg,
        ripple={} if by_position else locked_shares(None if harmonics is None else harmonics.ratios, pole_pairs),
        lines_deg=LINES_DEG_MECH * pole_pairs if by_position else 0.0,
    )


def waveform_budget(table: EdgeTable, shared: Shared, unexplained_deg: float | None) -> list[BudgetLine]:
    """Budget of y by the waveform's zero [deg_el]."""
    ripple = shift_between_deg(shared.ripple, zero_distance_deg(table.y_deg))
    return [
        *_common(table, shared),
        BudgetLine("window of the zero fits and harmonics", "B", shared.window_deg),
        BudgetLine("speed ripple locked to the rotation", "B", ripple),
        _disagreement(unexplained_deg),
    ]


def fundamental_budget(table: EdgeTable, shared: Shared, unexplained_deg: float | None) -> list[BudgetLine]:
    """Budget of y by the fundamental's zero [deg_el]."""
    return [
        *_common(table, shared),
        BudgetLine("speed ripple locked to the rotation", "B", shift_of_mean_deg(shared.ripple)),
        _disagreement(unexplained_deg),
    ]


def duty_budget(table: EdgeTable, shared: Shared) -> list[BudgetLine]:
    """Budget of the duty [percent]: twice the shift of one edge."""
    lines = [
        *_common(table, shared),
        BudgetLine("window of the zero fits and harmonics", "B", shared.window_deg),
        BudgetLine("speed ripple locked to the rotation", "B", ODD_RIPPLE_DEG),
    ]
    return [BudgetLine(line.source, line.kind, 2 * line.u / 3.6, line.dof) for line in lines]


def zero_distance_deg(y_deg: float) -> float:
    """Distance from the nearest zero of the EMF, rising or falling [deg_el]."""
    return abs(wrap(2 * y_deg)) / 2


def _disagreement(unexplained_deg: float | None) -> BudgetLine:
    """Count what two estimators differ by beyond the harmonics above the seventh, rectangular."""
    more = max(0.0, abs(unexplained_deg or 0.0) - DISAGREEMENT_DEG)
    return BudgetLine("disagreement of the two estimators", "B", more / math.sqrt(3))


def _common(table: EdgeTable, shared: Shared) -> list[BudgetLine]:
    scatter, dof = turn_scatter(table, shared.zero_sd_deg)
    return [
        BudgetLine("scatter of the means of each turn", "A", scatter, dof),
        BudgetLine("sample grid of the edges", "B", coherent_grid_deg(table, shared.grid_deg)),
        BudgetLine("mains pick-up", "B", shared.mains_deg),
        BudgetLine("spikes and non-linearity of the converter", "B", shared.converter_deg),
        BudgetLine("delay between scope channels", "B", shared.skew_deg),
        BudgetLine("chattering edges", "B", _chatter_deg(table)),
        BudgetLine("lines of the encoder", "B", shared.lines_deg),
    ]


def turn_scatter(table: EdgeTable, zero_sd_deg: float) -> tuple[float, float]:
    """Return the standard uncertainty of the mean from the scatter, and its degrees of freedom.

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
    """Return the standard uncertainty from edges that fall on the same part of a sample interval each turn.

    Edges that meet the grid evenly scatter by grid / sqrt(12), and the scatter line covers them. What their scatter
    lacks of that may be an error that all edges of one kind share.
    """
    jitter = table.jitter_deg
    whole = grid_deg**2 / 12
    seen = 0.0 if math.isnan(jitter) else jitter**2
    return math.sqrt(max(0.0, whole - seen) / 2)


def mains_deg(phase: ZeroPhase, harmonics: HarmonicPhase | None, duration_s: float, mains_hz: float | None) -> float:
    """Return the standard uncertainty from mains pick-up, from the line that the whole-record fit leaves over.

    A line `bins` away from an odd harmonic is averaged down to 1 / (pi bins) of its shift of a single zero.
    """
    shifts = [MAINS_DEG if harmonics is None else LEAST_MAINS_DEG]
    for hz in MAINS_FREQUENCIES_HZ if mains_hz is None else (mains_hz,):
        if not mains_rule(phase.f_e_hz, hz, duration_s):
            shifts.append(MAINS_MET_DEG)
        elif harmonics is not None:
            bins = max(LEAST_BINS, bins_from_odd_harmonics(phase.f_e_hz, hz, duration_s))
            shifts.append(math.degrees(harmonics.line_share(hz)) / (math.pi * bins))
    return max(shifts)


def _chatter_deg(table: EdgeTable) -> float:
    """Chattering edges that had to be used: anywhere within their chatter, rectangular."""
    return float(np.sqrt(np.sum(table.chatter_deg**2) / 3)) / max(1, table.used)
