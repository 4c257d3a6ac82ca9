"""Phase of an EMF from local fits of its zeros: the primary estimator, for the `waveform` zero.

Around every zero a cubic is fitted by least squares within +-7 degrees, or +-20 where noise is more than a narrow window
can bear, and its root taken; a cubic spline through the
roots gives the phase between them, and nothing is given outside the first and the last.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

HALF_WINDOW_DEG = 7.0
WIDE_HALF_WINDOW_DEG = 20.0
NOISY_ZERO_DEG = 0.4
"""From this standard deviation of one zero on, noise weighs more than what harmonics do in the wide window."""
POINTS_PER_CYCLE = 250
ROUNDS = 3
SPIKE_STEPS = 6.0
SPIKE_MAD = 8.0
SPIKE_SAMPLES = 3
WINSOR_MAD = 4.5
LEAST_SLOPE = 0.4
LEAST_CYCLES = 2.0
SPECTRUM_POINTS = 4096
LINE_OVER_FLOOR = 8.0
MAD_TO_SD = 1.4826


@dataclass(frozen=True, slots=True, eq=False)
class ZeroPhase:
    """Phase chi(t) of one EMF: the mean of rising zero and falling zero less 180 is 0 modulo 360; always increasing.

    Parameters
    ----------
    zeros_s
        Times of all zeros, shape (n,) [s].
    phase_deg
        chi at the zeros, shape (n,) [deg]: multiples of 180, but for half the amount by which rising and falling zeros
        are apart other than 180 degrees (even harmonics, a constant voltage).
    amplitude_v
        Amplitude of the fundamental [V].
    residual_v
        Robust standard deviation of one averaged point about the local fits [V].
    zero_sd_deg
        Standard deviation of one zero from that residual, white noise assumed [deg].
    half_window_deg
        Half width of the windows [deg].
    step_v
        Smallest step between samples, the converter's as a rule [V].
    """

    zeros_s: Floats
    phase_deg: Floats
    f_e_hz: float
    amplitude_v: float
    mean_v: float
    residual_v: float
    zero_sd_deg: float
    half_window_deg: float
    step_v: float

    @property
    def cycles(self) -> float:
        """Cycles from the first to the last zero."""
        return float(np.rint((self.phase_deg[-1] - self.phase_deg[0]) / 180)) / 2

    def at(self, times_s: Floats) -> Floats:
        """Chi at times, shape of `times_s` [deg]; nan outside the first and last zero."""
        from scipy.interpolate import CubicSpline

        chi: Floats = CubicSpline(self.zeros_s, self.phase_deg)(times_s)
        outside = (times_s < self.zeros_s[0]) | (times_s > self.zeros_s[-1])
        return np.where(outside, np.nan, chi)

    def extended(self, times_s: Floats) -> Floats:
        """Chi, carried on at the end cycles' mean speed outside the zeros: to start a fit from, not to measure with."""
        inside = np.interp(times_s, self.zeros_s, self.phase_deg)
        first_s, last_s = self.zeros_s[0], self.zeros_s[-1]
        begin = 360 / (self.zeros_s[2] - first_s) * np.minimum(0.0, times_s - first_s)
        end = 360 / (last_s - self.zeros_s[-3]) * np.maximum(0.0, times_s - last_s)
        return np.asarray(inside + begin + end, dtype=np.float64)


def rough_frequency(volts: Floats, interval_s: float) -> float | None:
    """Frequency of the strongest line [Hz] from a windowed, interpolated spectrum of block means; None without one."""
    means, _, step_s = block_means(volts, interval_s, -(-volts.size // SPECTRUM_POINTS))
    if means.size < 8:
        return None
    means = means - means.mean()
    # At least twice as long by zeros, and a power of two for speed.
    size = 1 << int(2 * means.size - 1).bit_length()
    spectrum = np.abs(np.fft.rfft(means * np.hanning(means.size), size))
    spectrum[: size // means.size] = 0.0
    peak = int(np.argmax(spectrum))
    if spectrum[peak] <= LINE_OVER_FLOOR * np.median(spectrum) or not 0 < peak < spectrum.size - 1:
        return None
    left, top, right = np.log(spectrum[peak - 1 : peak + 2] + 1e-300)
    shift = 0.5 * (left - right) / (left - 2 * top + right)
    return float((peak + shift) / (size * step_s))


def block_means(volts: Floats, interval_s: float, block: int) -> tuple[Floats, float, float]:
    """Means of whole blocks of samples, the time of the first [s], and the time between them [s]."""
    means = volts[: volts.size // block * block].reshape(-1, block).mean(axis=1)
    return means, (block - 1) / 2 * interval_s, block * interval_s


def zero_phase(emf_v: Floats, interval_s: float, pole_pairs: int = 1) -> ZeroPhase | None:
    """Fit every zero of an EMF free of spikes, shape (n,); None where there are too few cycles or no EMF at all.

    With the number of pole pairs given, what parts rising from falling zeros is averaged over whole turns.
    """
    step_v = smallest_step_v(emf_v)
    f_e_hz = rough_frequency(emf_v, interval_s)
    if f_e_hz is None or f_e_hz * emf_v.size * interval_s < LEAST_CYCLES:
        return None
    block = max(1, round(1 / (f_e_hz * interval_s * POINTS_PER_CYCLE)))
    y, first_s, step_s = block_means(emf_v, interval_s, block)
    per_cycle = 1 / (f_e_hz * step_s)
    whole = round(int(y.size / per_cycle) * per_cycle)
    mean_v = float(y[:whole].mean())
    zeros = _coarse_zeros(y - mean_v, per_cycle)
    if zeros.size < 2 * LEAST_CYCLES:
        return None
    fits = _Fits(zeros, np.ones(zeros.size), 0.0, HALF_WINDOW_DEG)
    for half_deg in (HALF_WINDOW_DEG, WIDE_HALF_WINDOW_DEG):
        fits = _refined(y - mean_v, fits.zeros, per_cycle, half_deg)
        if fits.zeros.size < 2 * LEAST_CYCLES:
            return None
        if fits.zero_sd_deg(per_cycle) < NOISY_ZERO_DEG:
            break
    zeros = fits.zeros
    phase = _counted(zeros, fits.slopes > 0)
    if phase is None:
        return None
    f_e_hz = float((phase[-1] - phase[0]) / 360 / (zeros[-1] - zeros[0]) / step_s)
    amplitude_v = _amplitude(y - mean_v, zeros, phase)
    phase = phase + _apart(zeros, phase, 2 * pole_pairs)
    return ZeroPhase(
        zeros * step_s + first_s,
        phase,
        f_e_hz,
        amplitude_v,
        mean_v,
        fits.residual_v,
        fits.zero_sd_deg(per_cycle),
        fits.half_window_deg,
        step_v,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Fits:
    """Zeros [points], slopes there [V a point], and the residual of one point [V]."""

    zeros: Floats
    slopes: Floats
    residual_v: float
    half_window_deg: float

    def zero_sd_deg(self, per_cycle: float) -> float:
        """Return the standard deviation of one zero [deg]: the middle of a cubic has 9/4 of the variance of a mean."""
        points = 2 * _half_window(per_cycle, self.half_window_deg) + 1
        return float(1.5 * self.residual_v / np.sqrt(points) / np.median(np.abs(self.slopes)) * 360 / per_cycle)


def _half_window(per_cycle: float, half_deg: float) -> int:
    return max(3, round(per_cycle * half_deg / 360))


def smallest_step_v(volts: Floats) -> float:
    """Smallest change from a sample to the next, of every seventh; infinite for a signal that never changes [V].

    The very smallest are passed over: where spikes were bridged there are fractions of the converter's step.
    """
    sizes = np.abs(volts[1::7] - volts[: volts.size - 1 : 7])
    some = sizes[sizes > 0]
    return float(np.partition(some, some.size // 50)[some.size // 50]) if some.size else np.inf


def despiked(volts: Floats) -> Floats:
    """Bridge what jumps away and back within a few samples by a straight line between its neighbours."""
    step_v = smallest_step_v(volts)
    if not np.isfinite(step_v):
        return volts
    steps = np.diff(volts)
    sizes = np.abs(steps)
    limit = max(SPIKE_STEPS * step_v, SPIKE_MAD * float(np.median(sizes[::7])))
    jumps = np.flatnonzero(sizes > limit)
    back = (np.diff(jumps) <= SPIKE_SAMPLES) & (steps[jumps[:-1]] * steps[jumps[1:]] < 0)
    if not back.any():
        return volts
    mended, last = volts.copy(), -1
    for start, end in zip(jumps[:-1][back].tolist(), jumps[1:][back].tolist(), strict=True):
        # The way back of one spike is not the way out of the next.
        if start > last:
            mended[start + 1 : end + 1] = np.linspace(volts[start], volts[end + 1], end - start + 2)[1:-1]
            last = end
    return mended


def _coarse_zeros(y: Floats, per_cycle: float) -> Floats:
    """Sign changes of a smoothed trace that are at least a quarter cycle apart, in points."""
    width = max(1, int(per_cycle / 12))
    smooth = np.convolve(y, np.ones(width) / width, mode="same")
    at = np.flatnonzero((smooth[1:] > 0) != (smooth[:-1] > 0))
    if at.size == 0:
        return np.empty(0)
    zeros = at + smooth[at] / (smooth[at] - smooth[at + 1])
    keep = np.concatenate(([True], np.diff(zeros) > 0.25 * per_cycle))
    return np.asarray(zeros[keep], dtype=np.float64)


def _refined(y: Floats, zeros: Floats, per_cycle: float, half_deg: float) -> _Fits:
    """Fit a cubic around each zero, all windows by one pseudo-inverse."""
    half = _half_window(per_cycle, half_deg)
    offsets = np.arange(-half, half + 1)
    x = offsets / half
    design = np.stack([np.ones_like(x), x, x**2, x**3], axis=1)
    solve = np.linalg.pinv(design)
    slopes, residual = np.ones(zeros.size), 0.0
    for _ in range(ROUNDS):
        centres = np.rint(zeros).astype(np.int64)
        inside = (centres >= half) & (centres < y.size - half)
        zeros, centres = zeros[inside], centres[inside]
        if zeros.size == 0:
            break
        windows = y[centres[:, None] + offsets]
        fit = windows @ solve.T
        errors = windows - fit @ design.T
        residual = float(np.median(np.abs(errors))) * MAD_TO_SD
        limit = WINSOR_MAD * max(residual, 1e-12)
        fit = (fit @ design.T + np.clip(errors, -limit, limit)) @ solve.T
        root = _cubic_root(fit)
        zeros, slopes = centres + root * half, _cubic_slope(fit, root) / half
        true = _true_zeros(root, slopes)
        zeros, slopes = zeros[true], slopes[true]
    return _Fits(zeros, slopes, residual, half_deg)


def _true_zeros(root: Floats, slopes: Floats) -> NDArray[np.bool_]:
    """Tell zeros of the EMF from sign changes that a spike made: the fit crosses inside its window, and steeply."""
    steep = np.abs(slopes) > LEAST_SLOPE * np.median(np.abs(slopes))
    # A start that was far off may still be on its way; at the last round it is not.
    return np.asarray(steep & (np.abs(root) < 1), dtype=np.bool_)


def _cubic_root(fit: Floats) -> Floats:
    """Root of each row's cubic nearest the middle of its window, by Newton steps, in half windows."""
    root = np.zeros(fit.shape[0])
    for _ in range(4):
        value = fit[:, 0] + root * (fit[:, 1] + root * (fit[:, 2] + root * fit[:, 3]))
        slope = _cubic_slope(fit, root)
        root = np.clip(root - value / np.where(slope == 0, 1e-12, slope), -1, 1)
    return root


def _cubic_slope(fit: Floats, at: Floats) -> Floats:
    slope: Floats = fit[:, 1] + at * (2 * fit[:, 2] + 3 * at * fit[:, 3])
    return slope


def _counted(zeros: Floats, rising: NDArray[np.bool_]) -> Floats | None:
    """Phase at the zeros by counting half cycles; None where rising and falling zeros do not alternate with it."""
    gaps = np.diff(zeros)
    halves = np.rint(gaps / np.median(gaps))
    count = np.concatenate(([0.0], np.cumsum(halves)))
    # A rising zero where a falling one is due means a lost or a false zero.
    if np.any(halves < 1) or np.any((count % 2 == 0) != (rising == rising[0])):
        return None
    return 180.0 * (count + (0.0 if rising[0] else 1.0))


def _apart(zeros: Floats, phase: Floats, per_turn: int) -> Floats:
    """Find the correction of the phase at each zero [deg], of one size and alternating sign.

    It is how much later than a smooth phase says rising zeros come, and falling ones sooner.
    """
    weights = np.array([-0.5, 1.0, -0.5])
    slope = (phase[-1] - phase[0]) / (zeros[-1] - zeros[0])
    bend = np.convolve(zeros, weights, mode="valid") * slope - np.convolve(phase, weights, mode="valid")
    sign = np.where(np.rint(phase / 180) % 2 == 0, 1.0, -1.0)
    late = (sign[1:-1] * bend)[: max(1, bend.size // per_turn) * per_turn]
    off = np.abs(late - np.median(late))
    return sign * float(np.mean(late[off <= SPIKE_MAD * np.median(off)])) / 2


def _amplitude(y: Floats, zeros: Floats, phase: Floats) -> float:
    """Amplitude of the fundamental by position: least squares on sin and cos of chi over whole cycles [V]."""
    points = np.arange(int(np.ceil(zeros[0])), int(zeros[-1]) + 1)
    chi = np.radians(np.interp(points, zeros, phase))
    cycles = int((chi[-1] - chi[0]) / (2 * np.pi))
    keep = chi <= chi[0] + cycles * 2 * np.pi
    wave, turn = y[points[keep]], np.exp(-1j * chi[keep])
    return float(2 * np.abs(np.mean(wave * turn)))
