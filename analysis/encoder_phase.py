"""Phase of an EMF against an encoder channel captured with it: position instead of time, so that speed does not matter.

The rising edges of one channel are equal steps of position. With theta(t) the mechanical position by them, growing with
time in both directions, the order-P component over whole turns

    C = integral e(t) exp(-j P theta(t)) dt = integral (e / w) exp(-j P theta) d theta

has the phase of the EMF's fundamental whatever the speed does meanwhile; and the zeros of the EMF have positions.
Ripple locked to the rotation, which no estimator in time can tell from harmonics, is gone from both.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.angles import wrap
from analysis.crossings import ZeroPhase
from analysis.edge_table import UnmeasurableError
from analysis.edges import SMALLEST_SWING_V, levels_of

Floats = NDArray[np.float64]

HYSTERESIS_PART = 0.15
NEIGHBOURS = 33
LOST_RATIO, FALSE_RATIO = 1.6, 0.5
LEAST_SAMPLES_PER_LINE = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class EncoderPhase:
    """Phase of the EMF at any time by the encoder.

    Parameters
    ----------
    rises_s
        Rising edges of the channel, shape (n,) [s].
    line_deg
        Electrical degrees from one to the next.
    fundamental_deg, waveform_deg
        Phase of the EMF at the first edge by either zero [deg].
    """

    rises_s: Floats
    line_deg: float
    fundamental_deg: float
    waveform_deg: float

    def at(self, times_s: Floats) -> Floats:
        """Phase by the fundamental's zero, shape of `times_s` [deg]; nan outside the edges."""
        return self._position(times_s) + self.fundamental_deg

    def waveform_at(self, times_s: Floats) -> Floats:
        """Phase by the waveform's zero, shape of `times_s` [deg]; nan outside the edges."""
        return self._position(times_s) + self.waveform_deg

    def _position(self, times_s: Floats) -> Floats:
        lines = np.arange(self.rises_s.size, dtype=np.float64)
        return np.interp(times_s, self.rises_s, lines, left=np.nan, right=np.nan) * self.line_deg


def encoder_phase(
    emf_v: Floats, channel_v: Floats, interval_s: float, lines: int, pole_pairs: int, zeros: ZeroPhase
) -> EncoderPhase:
    """Refer an EMF to an encoder channel captured with it.

    Parameters
    ----------
    emf_v, channel_v
        Samples of the EMF and of A or B, shape (n,) [V].
    lines
        Lines per turn.
    zeros
        The EMF's zeros.

    Raises
    ------
    UnmeasurableError
        The channel does not switch, is sampled too coarsely, lost or added a pulse, has not `lines` lines a turn, or
        the record holds no whole turn.
    """
    rises_s = _rises(channel_v, interval_s)
    per_line = emf_v.size / max(1, rises_s.size)
    if per_line < LEAST_SAMPLES_PER_LINE:
        raise UnmeasurableError(f"{per_line:.1f} samples a line of the encoder; needed: {LEAST_SAMPLES_PER_LINE:g}")
    turns = (rises_s.size - 1) // lines
    if turns < 1:
        raise UnmeasurableError("less than a turn of the encoder in the record")
    _demand_even(rises_s, lines, pole_pairs, zeros)
    line_deg = 360.0 * pole_pairs / lines
    fundamental = _fundamental_deg(emf_v, interval_s, rises_s[: turns * lines + 1], line_deg)
    return EncoderPhase(rises_s, line_deg, fundamental, _waveform_deg(zeros, rises_s, line_deg, pole_pairs))


def _rises(volts: Floats, interval_s: float) -> Floats:
    """Find the times at which the channel rises through its middle, with hysteresis about it [s]."""
    levels = levels_of(volts)
    if not levels.swing_v >= SMALLEST_SWING_V:
        raise UnmeasurableError(f"the encoder does not switch: swing {levels.swing_v:.2f} V; needed: 2 V")
    band_v = HYSTERESIS_PART * levels.swing_v
    state = (volts > levels.middle_v + band_v).astype(np.int8) - (volts < levels.middle_v - band_v).astype(np.int8)
    sure = np.flatnonzero(state)
    ups = np.flatnonzero((state[sure[1:]] == 1) & (state[sure[:-1]] == -1))
    # Between the last sample surely low and the first surely high the way up is taken as straight.
    low, high = sure[ups], sure[ups + 1]
    part = (levels.middle_v - volts[low]) / (volts[high] - volts[low])
    return np.asarray((low + part * (high - low)) * interval_s, dtype=np.float64)


def _demand_even(rises_s: Floats, lines: int, pole_pairs: int, zeros: ZeroPhase) -> None:
    """Refuse a channel whose lines cannot be steps of position."""
    periods = np.diff(rises_s)
    padded = np.pad(periods, NEIGHBOURS // 2, mode="edge")
    ratio = periods / np.convolve(padded, np.ones(NEIGHBOURS) / NEIGHBOURS, mode="valid")
    if np.any(ratio > LOST_RATIO) or np.any(ratio < FALSE_RATIO):
        raise UnmeasurableError("the encoder lost or added a pulse")
    inside = np.count_nonzero((rises_s >= zeros.zeros_s[0]) & (rises_s < zeros.zeros_s[-1]))
    counted = inside / (zeros.cycles / pole_pairs)
    if abs(counted / lines - 1) > 2 / inside + 0.01:
        raise UnmeasurableError(f"{counted:.0f} lines a turn; by the nameplate: {lines}")


def _fundamental_deg(emf_v: Floats, interval_s: float, rises_s: Floats, line_deg: float) -> float:
    """Phase of the order-P component at the first edge, over the whole turns between the edges given [deg]."""
    first, last = int(np.ceil(rises_s[0] / interval_s)), int(rises_s[-1] / interval_s)
    times_s = np.arange(first, last + 1) * interval_s
    chi = np.interp(times_s, rises_s, np.arange(rises_s.size) * line_deg)
    # Over whole turns the flux comes back to where it was: the mean is what the scope added.
    wave = emf_v[first : last + 1]
    component = np.sum((wave - wave.mean()) * np.exp(-1j * np.radians(chi)))
    return float(np.degrees(np.angle(1j * component)))


def _waveform_deg(zeros: ZeroPhase, rises_s: Floats, line_deg: float, pole_pairs: int) -> float:
    """Phase at the first edge by the mean of rising and falling zeros over whole turns [deg]."""
    inside = (zeros.zeros_s >= rises_s[0]) & (zeros.zeros_s <= rises_s[-1])
    at = np.interp(zeros.zeros_s[inside], rises_s, np.arange(rises_s.size) * line_deg)
    ahead = 180.0 * np.rint(zeros.phase_deg[inside] / 180) - at
    ahead = ahead[: max(1, ahead.size // (2 * pole_pairs)) * 2 * pole_pairs]
    return float(wrap(ahead[0] + float(np.mean(wrap(ahead - ahead[0])))))
