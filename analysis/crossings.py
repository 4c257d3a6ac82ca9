"""Phase of an EMF from local fits of its zeros: the primary estimator, for the `waveform` zero.

Around every zero a cubic is fitted by least squares within +-8 degrees and its root taken; a cubic spline through the
roots gives the phase between them, and nothing is given outside the first and the last.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

HALF_WINDOW_DEG = 8.0
POINTS_PER_CYCLE = 250
ROUNDS = 3
SPIKE_MAD = 8.0
WINSOR_MAD = 4.5
LEAST_CYCLES = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class ZeroPhase:
    """Phase chi(t) of one EMF: rising zero = 0 modulo 360, always increasing.

    Parameters
    ----------
    zeros_s
        Times of all zeros, shape (n,) [s].
    phase_deg
        chi at the zeros, multiples of 180, shape (n,).
    residual_v
        Robust standard deviation about the local fits [V].
    slope_v_s
        Median slope at the zeros [V/s].
    fundamental_deg
        Phase of the fundamental at chi = 0: its zero comes this much before the zero of the waveform.
    """

    zeros_s: NDArray[np.float64]
    phase_deg: NDArray[np.float64]
    f_e_hz: float
    amplitude_v: float
    mean_v: float
    residual_v: float
    slope_v_s: float
    fundamental_deg: float = 0.0

    def at(self, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Chi at times, shape of `times_s` [deg]; nan outside the first and last zero."""
        from scipy.interpolate import CubicSpline

        chi: NDArray[np.float64] = CubicSpline(self.zeros_s, self.phase_deg)(times_s)
        outside = (times_s < self.zeros_s[0]) | (times_s > self.zeros_s[-1])
        return np.where(outside, np.nan, chi)


def rough_frequency(volts: NDArray[np.float64], interval_s: float) -> float | None:
    """Frequency of the strongest line [Hz] from a windowed, interpolated spectrum of block means; None without one."""
    block = max(1, volts.size // 4096)
    means = volts[: volts.size // block * block].reshape(-1, block).mean(axis=1)
    means = means - means.mean()
    spectrum = np.abs(np.fft.rfft(means * np.hanning(means.size), 4 * means.size))
    spectrum[:3] = 0.0
    peak = int(np.argmax(spectrum))
    if spectrum[peak] <= 8 * np.median(spectrum) or not 0 < peak < spectrum.size - 1:
        return None
    left, top, right = np.log(spectrum[peak - 1 : peak + 2] + 1e-300)
    shift = 0.5 * (left - right) / (left - 2 * top + right)
    return float((peak + shift) / (4 * means.size * block * interval_s))


def zero_phase(emf_v: NDArray[np.float64], interval_s: float) -> ZeroPhase | None:
    """Fit every zero of an EMF, shape (n,); None where there are too few cycles or no EMF at all."""
    emf_v = _despiked(emf_v)
    f_e_hz = rough_frequency(emf_v, interval_s)
    if f_e_hz is None or f_e_hz * emf_v.size * interval_s < LEAST_CYCLES:
        return None
    block = max(1, round(1 / (f_e_hz * interval_s * POINTS_PER_CYCLE)))
    y = emf_v[: emf_v.size // block * block].reshape(-1, block).mean(axis=1)
    step_s = block * interval_s
    per_cycle = 1 / (f_e_hz * step_s)
    whole = round(int(y.size / per_cycle) * per_cycle)
    mean_v = float(y[:whole].mean())
    zeros = _coarse_zeros(y - mean_v, per_cycle)
    if zeros.size < 2 * LEAST_CYCLES:
        return None
    zeros, slopes, residual_v = _refined(y - mean_v, zeros, per_cycle)
    times_s = zeros * step_s + (block - 1) / 2 * interval_s
    gaps = np.diff(times_s)
    halves = np.rint(gaps / np.median(gaps))
    phase = 180.0 * np.concatenate(([0.0], np.cumsum(halves)))
    # Signs must alternate with the phase: a rising zero where a falling one is due means a lost or a false zero.
    rising = slopes > 0
    if np.any((phase / 180 % 2 == 0) != (rising == rising[0])):
        return None
    phase += 0.0 if rising[0] else 180.0
    f_e_hz = float((phase[-1] - phase[0]) / 360 / (times_s[-1] - times_s[0]))
    amplitude_v, fundamental_deg = _fundamental(y - mean_v, times_s, phase, step_s, (block - 1) / 2 * interval_s)
    slope_v_s = float(np.median(np.abs(slopes))) / step_s
    return ZeroPhase(times_s, phase, f_e_hz, amplitude_v, mean_v, residual_v, slope_v_s, fundamental_deg)


def _despiked(volts: NDArray[np.float64]) -> NDArray[np.float64]:
    steps = np.diff(volts)
    sizes = np.abs(steps)
    lsb = float(np.min(sizes[sizes > 0], initial=np.inf))
    if not np.isfinite(lsb):
        return volts
    limit = max(6 * lsb, SPIKE_MAD * float(np.median(np.abs(steps - np.median(steps)))))
    bad = np.flatnonzero((sizes[:-1] > limit) & (sizes[1:] > limit) & (steps[:-1] * steps[1:] < 0)) + 1
    if bad.size == 0:
        return volts
    mended = volts.copy()
    mended[bad] = (volts[bad - 1] + volts[bad + 1]) / 2
    return mended


def _coarse_zeros(y: NDArray[np.float64], per_cycle: float) -> NDArray[np.float64]:
    """Sign changes of a smoothed trace that are about half a cycle apart, in samples."""
    width = max(1, int(per_cycle / 12))
    smooth = np.convolve(y, np.ones(width) / width, mode="same")
    at = np.flatnonzero((smooth[1:] > 0) != (smooth[:-1] > 0))
    if at.size == 0:
        return np.empty(0)
    zeros = at + smooth[at] / (smooth[at] - smooth[at + 1])
    keep = np.concatenate(([True], np.diff(zeros) > 0.25 * per_cycle))
    return np.asarray(zeros[keep], dtype=np.float64)


def _refined(
    y: NDArray[np.float64], zeros: NDArray[np.float64], per_cycle: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Fit a cubic around each zero, all windows by one precomputed pseudo-inverse; return zeros, slopes, residual."""
    half = max(3, round(per_cycle * HALF_WINDOW_DEG / 360))
    offsets = np.arange(-half, half + 1)
    x = offsets / half
    design = np.stack([np.ones_like(x), x, x**2, x**3], axis=1)
    solve = np.linalg.pinv(design)
    zeros = zeros[(zeros > half + 1) & (zeros < y.size - half - 2)]
    slopes, residual = np.ones(zeros.size), 0.0
    for _ in range(ROUNDS):
        centres = np.rint(zeros).astype(np.int64)
        inside = (centres > half) & (centres < y.size - half - 1)
        zeros, centres = zeros[inside], centres[inside]
        windows = y[centres[:, None] + offsets]
        fit = windows @ solve.T
        errors = windows - fit @ design.T
        residual = float(np.median(np.abs(errors))) / 0.6745
        limit = WINSOR_MAD * max(residual, 1e-12)
        fit = (fit @ design.T + np.clip(errors, -limit, limit)) @ solve.T
        root = _cubic_root(fit)
        zeros, slopes = centres + root * half, _cubic_slope(fit, root) / half
    return zeros, slopes, residual


def _cubic_root(fit: NDArray[np.float64]) -> NDArray[np.float64]:
    """Root of each row's cubic nearest the middle of its window, by Newton steps, in half windows."""
    root = np.zeros(fit.shape[0])
    for _ in range(4):
        value = fit[:, 0] + root * (fit[:, 1] + root * (fit[:, 2] + root * fit[:, 3]))
        slope = _cubic_slope(fit, root)
        root = np.clip(root - value / np.where(slope == 0, 1e-12, slope), -1, 1)
    return root


def _cubic_slope(fit: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.float64]:
    slope: NDArray[np.float64] = fit[:, 1] + at * (2 * fit[:, 2] + 3 * at * fit[:, 3])
    return slope


def _fundamental(
    y: NDArray[np.float64], zeros_s: NDArray[np.float64], phase: NDArray[np.float64], step_s: float, first_s: float
) -> tuple[float, float]:
    """Amplitude [V] and phase [deg] of the fundamental by position: least squares on chi over whole cycles."""
    times_s = first_s + np.arange(y.size) * step_s
    inside = (times_s >= zeros_s[0]) & (times_s <= zeros_s[-1])
    chi = np.radians(np.interp(times_s[inside], zeros_s, phase))
    cycles = int((chi[-1] - chi[0]) / (2 * np.pi))
    keep = chi <= chi[0] + cycles * 2 * np.pi
    wave, chi = y[inside][keep], chi[keep]
    design = np.stack([np.sin(chi), np.cos(chi)], axis=1)
    (a, b), *_ = np.linalg.lstsq(design, wave, rcond=None)
    return float(np.hypot(a, b)), float(np.degrees(np.arctan2(b, a)))

