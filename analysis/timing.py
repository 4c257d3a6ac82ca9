"""Timing of the commutation sensors against the EMF captured with them.

Conventions: theta rises with clockwise rotation; phase position of a pair is s x chi, with s = +1 clockwise and -1
counter-clockwise; y = wrap(a_h - b_p), where the sensor is high for 180 degrees from a_h on and b_p is the pair's
rising zero going clockwise. Every figure is in electrical degrees.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.angles import circular_mean, wrap
from analysis.crossings import ZeroPhase, zero_phase
from analysis.edges import Edges, Levels, find_edges, transition_s
from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.speed import mains_rule

OUTLIER_MAD = 6.0
OUTLIER_FLOOR_DEG = 2.0
LEAST_FILL = 0.10
CLIPPED_PART = 0.002
LOCKED_RIPPLE = 0.007
"""Share of an edge's distance from the nearest zero of the EMF that ripple locked to the rotation can shift it by."""
WINDOW_DEG, MAINS_DEG, SPIKES_DEG, PLAY_DEG = 0.008, 0.015, 0.010, 0.02


@dataclass(frozen=True, slots=True)
class SensorTiming:
    """One sensor against the captured pair.

    `y_waveform` refers to the waveform's zero; `table_deg` holds each pole's rising and falling edge about `y`, shape
    (pole_pairs, 2), rising meaning the edge that rises going clockwise.
    """

    y_waveform: Estimate
    rise_deg: float | None
    fall_deg: float | None
    table_deg: NDArray[np.float64] | None
    duty: Estimate
    jitter_deg: float | None
    glitches: int
    levels: Levels
    rise_s: float | None
    fall_s: float | None


@dataclass(frozen=True, slots=True)
class CaptureTiming:
    """What one capture of an EMF and its sensors says; `refusal` says why there is no timing at all."""

    f_e_hz: float | None
    speed_rpm: float | None
    amplitude_v: float | None
    phase: ZeroPhase | None
    sensors: Mapping[str, SensorTiming]
    refusal: str


def capture_timing(
    emf_v: NDArray[np.float64],
    sensors_v: Mapping[str, NDArray[np.float64]],
    interval_s: float,
    direction: int,
    pole_pairs: int,
    *,
    full_scale_v: tuple[float, float] | None = None,
    mains_hz: float | None = None,
    skew_s: float = 0.0,
) -> CaptureTiming:
    """Time every sensor of a capture.

    Parameters
    ----------
    emf_v, sensors_v
        Samples of the EMF and of each sensor, shape (n,) [V].
    direction
        +1 clockwise, -1 counter-clockwise, as seen facing the drive end.
    full_scale_v
        Lowest and highest voltage that the EMF channel can show, to find clipping and too small a signal.
    mains_hz
        Mains frequency; given, a record whose harmonics meet it is refused.
    skew_s
        Standard uncertainty of the delay between channels [s].

    Raises
    ------
    ValueError
        The direction is neither +1 nor -1.
    """
    if direction not in (1, -1):
        raise ValueError(f"direction must be +1 or -1, got {direction}")
    phase = zero_phase(emf_v, interval_s)
    edges = {name: find_edges(v, interval_s) for name, v in sensors_v.items()}
    refusal = _refusal(emf_v, interval_s, phase, pole_pairs, full_scale_v, mains_hz)
    sensors = {
        name: _sensor(sensors_v[name], interval_s, edges[name], phase, direction, pole_pairs, refusal, skew_s)
        for name in sensors_v
    }
    if phase is None:
        return CaptureTiming(None, None, None, None, sensors, refusal)
    return CaptureTiming(phase.f_e_hz, 60 * phase.f_e_hz / pole_pairs, phase.amplitude_v, phase, sensors, refusal)


def _refusal(
    emf_v: NDArray[np.float64],
    interval_s: float,
    phase: ZeroPhase | None,
    pole_pairs: int,
    full_scale_v: tuple[float, float] | None,
    mains_hz: float | None,
) -> str:
    if phase is None:
        return "no EMF with whole cycles in the record"
    cycles = (phase.phase_deg[-1] - phase.phase_deg[0]) / 360
    if cycles < pole_pairs:
        return f"{cycles:.1f} whole cycles in the record; needed: {pole_pairs}, one turn of the shaft"
    if full_scale_v is not None:
        lowest, highest = full_scale_v
        clipped = np.count_nonzero((emf_v <= lowest) | (emf_v >= highest)) / emf_v.size
        if clipped > CLIPPED_PART:
            return "the EMF is clipped by the scope's range"
        if 2 * phase.amplitude_v < LEAST_FILL * (highest - lowest):
            return "the EMF fills less than 10 % of the scope's range"
    if mains_hz is not None and not mains_rule(phase.f_e_hz, mains_hz, emf_v.size * interval_s):
        return "a harmonic of the EMF meets the mains frequency"
    return ""


def _sensor(
    volts: NDArray[np.float64],
    interval_s: float,
    edges: Edges,
    phase: ZeroPhase | None,
    direction: int,
    pole_pairs: int,
    refusal: str,
    skew_s: float,
) -> SensorTiming:
    rise_s = transition_s(volts, interval_s, edges, rising=True)
    fall_s = transition_s(volts, interval_s, edges, rising=False)
    if not refusal and edges.times_s.size == 0:
        refusal = f"the sensor does not switch: swing {edges.levels.swing_v:.2f} V; needed: 2 V"
    if refusal or phase is None:
        none = refused("deg_el", refusal)
        return SensorTiming(
            none, None, None, None, refused("percent", refusal), None, edges.glitches, edges.levels, rise_s, fall_s
        )
    chi = phase.at(edges.times_s)
    inside = np.isfinite(chi)
    # The edge that rises going clockwise is a falling one going counter-clockwise.
    cw_rise = edges.rising[inside] if direction > 0 else ~edges.rising[inside]
    position = direction * chi[inside]
    v = position - np.where(cw_rise, 0.0, 180.0)
    centre = circular_mean(v)
    around = wrap(v - centre)
    pole = np.rint((v - centre - around) / 360).astype(np.int64) % pole_pairs
    keep = _kept(around)
    table = _table(around, pole, cw_rise, keep, pole_pairs)
    if table is None:
        none = refused("deg_el", "not every edge of a turn was seen")
        return SensorTiming(
            none, None, None, None, refused("percent", none.reason), None, edges.glitches, edges.levels, rise_s, fall_s
        )
    rise, fall = float(table[:, 0].mean()), float(table[:, 1].mean())
    y = wrap(centre + (rise + fall) / 2)
    jitter = _jitter(around, pole, cw_rise, keep, table)
    budget = _budget(around, pole, cw_rise, keep, table, phase, interval_s, y, skew_s)
    duty = 50.0 + (fall - rise) / 3.6
    u_duty = math.hypot(jitter / math.sqrt(max(1, int(keep.sum()) / 2)), 360 * phase.f_e_hz * interval_s / math.sqrt(12))
    return SensorTiming(
        y_waveform=estimate(float(y), "deg_el", budget),
        rise_deg=float(wrap(centre + rise)),
        fall_deg=float(wrap(centre + fall)),
        table_deg=table + centre - y,
        duty=estimate(duty, "percent", [BudgetLine("scatter and sample grid of the edges", "A", u_duty / 3.6)]),
        jitter_deg=jitter,
        glitches=edges.glitches,
        levels=edges.levels,
        rise_s=rise_s,
        fall_s=fall_s,
    )


def _kept(around: NDArray[np.float64]) -> NDArray[np.bool_]:
    middle = np.median(around)
    spread = np.median(np.abs(around - middle)) / 0.6745
    kept: NDArray[np.bool_] = np.abs(around - middle) <= OUTLIER_MAD * spread + OUTLIER_FLOOR_DEG
    return kept


def _table(
    around: NDArray[np.float64],
    pole: NDArray[np.int64],
    cw_rise: NDArray[np.bool_],
    keep: NDArray[np.bool_],
    pole_pairs: int,
) -> NDArray[np.float64] | None:
    """Mean of each pole's two edges, shape (pole_pairs, 2); None if one was never seen."""
    table = np.empty((pole_pairs, 2))
    for column, kind in enumerate((cw_rise, ~cw_rise)):
        use = keep & kind
        counts = np.bincount(pole[use], minlength=pole_pairs)
        if np.any(counts == 0):
            return None
        table[:, column] = np.bincount(pole[use], around[use], minlength=pole_pairs) / counts
    return table


def _jitter(
    around: NDArray[np.float64],
    pole: NDArray[np.int64],
    cw_rise: NDArray[np.bool_],
    keep: NDArray[np.bool_],
    table: NDArray[np.float64],
) -> float:
    """Scatter of edges about their own pole's mean, standard deviation."""
    residual = around[keep] - table[pole[keep], (~cw_rise[keep]).astype(np.int64)]
    freedom = max(1, residual.size - table.size)
    return float(np.sqrt(np.sum(residual**2) / freedom))


def _budget(
    around: NDArray[np.float64],
    pole: NDArray[np.int64],
    cw_rise: NDArray[np.bool_],
    keep: NDArray[np.bool_],
    table: NDArray[np.float64],
    phase: ZeroPhase,
    interval_s: float,
    y: float,
    skew_s: float,
) -> list[BudgetLine]:
    degrees_per_s = 360 * phase.f_e_hz
    residual = around[keep] - table[pole[keep], (~cw_rise[keep]).astype(np.int64)]
    turns = np.arange(residual.size) // max(1, table.size)
    means = np.bincount(turns, residual) / np.bincount(turns)
    u_a = float(np.std(means, ddof=1) / math.sqrt(means.size)) if means.size > 1 else float(np.std(residual))
    return [
        BudgetLine("scatter of the means of each turn", "A", u_a, max(1.0, means.size - 1.0)),
        BudgetLine("sample grid of the edges", "B", degrees_per_s * interval_s / math.sqrt(12) / math.sqrt(8)),
        BudgetLine("window of the zero fits and harmonics", "B", WINDOW_DEG),
        BudgetLine("mains pick-up", "B", MAINS_DEG),
        BudgetLine("spikes and non-linearity of the converter", "B", SPIKES_DEG),
        BudgetLine("speed ripple locked to the rotation", "B", LOCKED_RIPPLE * abs(wrap(2 * y)) / 2),
        BudgetLine("delay between scope channels", "B", degrees_per_s * skew_s),
        BudgetLine("play of the rotor", "B", PLAY_DEG),
    ]
