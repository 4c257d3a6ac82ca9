"""What a capture at standstill shows: offset, noise and mains pick-up of the EMF channel, and whether the shaft moves.

And what switching the bench's own pull-up says of a sensor that does not switch.
"""

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.pulse_trains import Sampled, WireLevels, common_levels, pulses

Floats = NDArray[np.float64]

MAINS_HARMONICS = (1, 2, 3, 5, 7)
LEAST_MAINS_CYCLES = 2.0
MOVING_PART = 8.0
"""A line this many times the noise about it, that is no mains line, is an EMF: the shaft moves."""
LOW_PART, HIGH_PART = 0.3, 0.7
"""Parts of the supply below and above which a level is low and high (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class StandstillEmf:
    """The EMF channel with the shaft at rest.

    Parameters
    ----------
    offset
        Mean [V].
    noise
        Root mean square of what is left without offset and mains [V].
    mains
        Peak of the mains fundamental, and of the strongest of its harmonics [V].
    moving_hz
        Frequency of a line that is neither: the shaft turns, or something else disturbs; None if there is none.
    """

    offset: Estimate
    noise: Estimate
    mains: Estimate
    mains_harmonic: Estimate
    moving_hz: float | None


def standstill_emf(of: Sampled, interval_s: float, mains_hz: float, *, gain_u: float = 0.0) -> StandstillEmf:
    """Measure the EMF channel at standstill.

    Parameters
    ----------
    gain_u
        Relative standard uncertainty of the voltage scale.
    """
    volts = np.asarray(of.counts * of.scale_v + of.offset_v, dtype=np.float64)
    duration_s = volts.size * interval_s
    if duration_s * mains_hz < LEAST_MAINS_CYCLES:
        none = refused(
            "V", f"{duration_s:g} s is too short to see the mains; needed: {LEAST_MAINS_CYCLES / mains_hz:g} s"
        )
        return StandstillEmf(none, none, none, none, None)
    lines = [k * mains_hz for k in MAINS_HARMONICS if k * mains_hz < 0.4 / interval_s]
    fit, rest = _fitted(volts, interval_s, lines)
    noise = float(np.sqrt(np.sum(rest**2) / max(1, volts.size - fit.size)))
    u_line = noise * math.sqrt(2 / volts.size)
    step_v = abs(of.scale_v) if np.issubdtype(of.counts.dtype, np.integer) else 0.0
    sizes = np.hypot(fit[1::2], fit[2::2])
    scatter, gain = "noise of the channel", "voltage scale of the channel"

    def of_line(value: float) -> Estimate:
        return estimate(value, "V", [BudgetLine(scatter, "A", u_line), BudgetLine(gain, "B", value * gain_u)])

    return StandstillEmf(
        offset=estimate(
            float(fit[0]),
            "V",
            [
                BudgetLine(scatter, "A", noise / math.sqrt(volts.size), float(volts.size)),
                BudgetLine("step of the converter", "B", step_v / math.sqrt(12)),
            ],
        ),
        noise=estimate(
            noise,
            "V",
            [BudgetLine(scatter, "A", noise / math.sqrt(2 * volts.size)), BudgetLine(gain, "B", noise * gain_u)],
        ),
        mains=of_line(float(sizes[0])),
        mains_harmonic=of_line(float(sizes[1:].max(initial=0.0))),
        moving_hz=_moving_hz(rest, interval_s),
    )


def _fitted(volts: Floats, interval_s: float, lines_hz: list[float]) -> tuple[Floats, Floats]:
    """Least squares of a constant and sines at known frequencies; what is left."""
    t = np.arange(volts.size) * interval_s
    design = np.column_stack([np.ones_like(t), *(f(2 * np.pi * hz * t) for hz in lines_hz for f in (np.sin, np.cos))])
    fit, *_ = np.linalg.lstsq(design, volts, rcond=None)
    return np.asarray(fit), np.asarray(volts - design @ fit)


def _moving_hz(rest: Floats, interval_s: float) -> float | None:
    spectrum = np.abs(np.fft.rfft((rest - rest.mean()) * np.hanning(rest.size)))
    peak = int(np.argmax(spectrum))
    return peak / (rest.size * interval_s) if spectrum[peak] > MOVING_PART * np.median(spectrum) > 0 else None


class WireState(Enum):
    """A logic wire that should be still."""

    LOW = "low"
    HIGH = "high"
    BETWEEN = "between the levels"
    SWITCHING = "switching"


def wire_state(of: Sampled, supply_v: float) -> WireState:
    """Say what a wire does in a capture."""
    if pulses(of).at.size:
        return WireState.SWITCHING
    low, high = (c * of.scale_v + of.offset_v for c in common_levels(of.counts))
    middle = (low + high) / 2
    if middle < LOW_PART * supply_v:
        return WireState.LOW
    return WireState.HIGH if middle > HIGH_PART * supply_v else WireState.BETWEEN


class PullUpVerdict(Enum):
    """What a turning shaft with the bench's pull-up off and on says of a sensor."""

    WORKS = "works"
    MISSING_PULL_UP = "works with the bench's pull-up only: its own pull-up is missing"
    STUCK_LOW = "stuck low: the output holds the wire down, or the wire lies on 0 V"
    STUCK_HIGH = "stuck high: the output never pulls the wire down"
    OPEN = "never pulls down: no output, or the wire is open"
    WEAK = "pulls down, but not as far as it should"
    UNSTEADY = "switched without the bench's pull-up, and does not with it"


def pull_up_verdict(without: WireLevels, with_bench: WireLevels, supply_v: float) -> PullUpVerdict:
    """Tell a stuck sensor from one without its pull-up.

    Parameters
    ----------
    without, with_bench
        Levels of the turning sensor's wire with the bench's pull-up off and on.
    supply_v
        Voltage to which the pull-up pulls [V].
    """
    if without.switches:
        return PullUpVerdict.WORKS if with_bench.switches else PullUpVerdict.UNSTEADY
    if with_bench.switches:
        return PullUpVerdict.MISSING_PULL_UP
    if with_bench.high_v < LOW_PART * supply_v:
        return PullUpVerdict.STUCK_LOW
    if with_bench.low_v > HIGH_PART * supply_v:
        return PullUpVerdict.STUCK_HIGH if without.low_v > HIGH_PART * supply_v else PullUpVerdict.OPEN
    return PullUpVerdict.WEAK
