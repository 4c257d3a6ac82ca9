"""Records that must give no number, and why."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.crossings import ZeroPhase, smallest_step_v
from analysis.edges import SMALLEST_SWING_V, Edges
from analysis.mains import mains_rule

Floats = NDArray[np.float64]

LEAST_FILL = 0.10
LEAST_SAMPLES_PER_CYCLE = 40
"""Below this the window of a zero fit, seven samples at least, is no longer narrow."""
CLIPPED_PART = 0.002
NEXT_STEP = 1.5
PILED_UP = 5.0
"""An unclipped sine has at most about 2.4 times as many samples in its last step as in the last but one."""


@dataclass(frozen=True, slots=True)
class TimingSettings:
    """What is known of how a capture was taken.

    Parameters
    ----------
    full_scale_v
        Lowest and highest voltage that the EMF channel can show, to find clipping and too small a signal.
    mains_hz
        Mains frequency; given, a record whose harmonics meet it is refused.
    skew_s
        Standard uncertainty of the delay between channels [s].
    cross_check
        Whether the whole-record fit is made too; a live aid does without.
    """

    full_scale_v: tuple[float, float] | None = None
    mains_hz: float | None = None
    skew_s: float = 0.0
    cross_check: bool = True


def capture_refusal(
    emf_v: Floats, interval_s: float, phase: ZeroPhase | None, pole_pairs: int, settings: TimingSettings
) -> str:
    """Reason why no sensor can be timed by this EMF; empty if there is none."""
    clipped = is_clipped(emf_v, settings.full_scale_v)
    if phase is None:
        return "the EMF is clipped by the scope's range" if clipped else "no EMF with whole cycles in the record"
    if phase.cycles < pole_pairs:
        return f"{phase.cycles:.1f} whole cycles in the record; needed: {pole_pairs}, one turn of the shaft"
    per_cycle = 1 / (phase.f_e_hz * interval_s)
    if per_cycle < LEAST_SAMPLES_PER_CYCLE:
        return f"{per_cycle:.0f} samples a cycle of the EMF; needed: {LEAST_SAMPLES_PER_CYCLE}"
    if clipped:
        return "the EMF is clipped by the scope's range"
    if settings.full_scale_v is not None:
        lowest, highest = settings.full_scale_v
        if 2 * phase.amplitude_v < LEAST_FILL * (highest - lowest):
            return "the EMF fills less than 10 % of the scope's range"
    if settings.mains_hz is not None and not mains_rule(phase.f_e_hz, settings.mains_hz, emf_v.size * interval_s):
        return f"a harmonic of the EMF at {phase.f_e_hz:.2f} Hz meets the mains frequency, {settings.mains_hz:g} Hz"
    return ""


def sensor_refusal(edges: Edges) -> str:
    """Reason why a sensor has no timing whatever the EMF; empty if there is none."""
    swing_v = edges.levels.swing_v
    if not swing_v >= SMALLEST_SWING_V:
        return f"the sensor does not switch: swing {swing_v:.2f} V; needed: {SMALLEST_SWING_V:g} V"
    return "" if edges.times_s.size else "the sensor has no edge in the record"


def is_clipped(volts: Floats, full_scale_v: tuple[float, float] | None) -> bool:
    """Say whether a signal was cut off: at the known full scale, or else by how samples pile up at its own extremes."""
    if full_scale_v is not None:
        lowest, highest = full_scale_v
        # A hair inside, for the rounding of counts times scale.
        margin = 1e-6 * (highest - lowest)
        cut = np.count_nonzero((volts <= lowest + margin) | (volts >= highest - margin))
        return bool(cut > CLIPPED_PART * volts.size)
    return _piled_up(volts, float(volts.max()), 1.0) or _piled_up(volts, float(volts.min()), -1.0)


def _piled_up(volts: Floats, extreme_v: float, side: float) -> bool:
    at_extreme = int(np.count_nonzero(volts == extreme_v))
    if at_extreme <= CLIPPED_PART * volts.size:
        return False
    # By the converter's step, since a bridged spike leaves single samples between two of its levels.
    within = int(np.count_nonzero((volts - extreme_v) * side > -NEXT_STEP * smallest_step_v(volts)))
    beside = within - at_extreme
    return beside < volts.size - at_extreme and at_extreme > PILED_UP * beside
