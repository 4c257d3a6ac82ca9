"""Phase of an EMF from one fit of the whole record: the cross-check, for the `fundamental` zero.

    e(t) = c + phi'(t) / w * sum_k (a_k sin k phi(t) + b_k cos k phi(t)),  k <= 7,  b_1 = 0

with phi a cubic B-spline of three knots a cycle whose second differences are held small. The amplitude follows the
speed, as an EMF's does. It shares no step with the local fits of the zeros but its starting point.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.crossings import ZeroPhase, block_means

Floats = NDArray[np.float64]

ORDERS = 7
KNOTS_PER_CYCLE = 3
POINTS_PER_KNOT = 33
SPEED_CHANGE = 0.02
"""Standard deviation of the relative change of speed from knot to knot that the penalty allows for."""
HUBER = 3.0
STEPS = 16
STEPS_TO_SIGMA = 3
SMALL_STEP_RAD = 2e-5
SETTLED_STEP_RAD = 2e-3
LARGEST_STEP_RAD = 0.5
SHORTEST_PART = 1 / 64
MAD_TO_SD = 1.4826


@dataclass(frozen=True, slots=True, eq=False)
class HarmonicPhase:
    """Phase by the whole-record fit: rising zero of the fundamental = 0 modulo 360.

    Parameters
    ----------
    coefficients_rad
        B-spline coefficients of phi [rad].
    harmonics_v
        Complex amplitudes b_k + j a_k for k = 1..7 at mean speed, shape (7,) [V]; the wave is Re(h_k exp(-j k phi)).
    residual_v
        Robust standard deviation of one averaged point about the fit [V].
    phase_sd_deg
        Standard deviation of the mean phase from the residual, white noise assumed [deg].
    points_v
        The averaged points less the fit, shape (m,), `step_s` apart [V].
    """

    start_s: float
    knot_s: float
    coefficients_rad: Floats
    harmonics_v: NDArray[np.complex128]
    mean_v: float
    residual_v: float
    phase_sd_deg: float
    points_v: Floats
    step_s: float

    def at(self, times_s: Floats) -> Floats:
        """Phase at times, shape of `times_s` [deg]; nan outside the record."""
        place = (np.asarray(times_s, dtype=np.float64) - self.start_s) / self.knot_s
        cells = self.coefficients_rad.size - 3
        cell = np.clip(np.floor(place), 0, cells - 1).astype(np.int64)
        weights, _ = _basis(place - cell)
        phi = np.sum(weights * self.coefficients_rad[cell[..., None] + np.arange(4)], axis=-1)
        return np.where((place < 0) | (place > cells), np.nan, np.degrees(phi))

    @property
    def ratios(self) -> NDArray[np.complex128]:
        """Harmonics over the fundamental, shape (7,)."""
        return np.asarray(self.harmonics_v / np.abs(self.harmonics_v[0]), dtype=np.complex128)

    def line_share(self, frequency_hz: float) -> float:
        """Amplitude of a line in what the fit leaves over, over the fundamental's."""
        turn = np.exp(-2j * np.pi * frequency_hz * self.step_s * np.arange(self.points_v.size))
        return float(2 * np.abs(np.mean(self.points_v * turn)) / np.abs(self.harmonics_v[0]))

    def waveform_zero_deg(self) -> float:
        """Mean of the fitted wave's rising zero and its falling one less 180, from the fundamental's zero [deg]."""
        orders = np.arange(1, ORDERS + 1)
        zeros = np.array([0.0, np.pi])
        for _ in range(8):
            turned = self.ratios * np.exp(-1j * orders * zeros[:, None])
            value = turned.real.sum(axis=1)
            slope = (-1j * orders * turned).real.sum(axis=1)
            zeros = zeros - np.clip(value / np.where(np.abs(slope) < 0.1, np.copysign(0.1, slope), slope), -0.3, 0.3)
        return float(np.degrees(zeros.sum() - np.pi) / 2)


def harmonic_phase(emf_v: Floats, interval_s: float, start: ZeroPhase) -> HarmonicPhase | None:
    """Fit the whole record, starting from the phase of its zeros; None where the fit does not settle."""
    per_cycle = 1 / (start.f_e_hz * interval_s)
    block = max(1, round(per_cycle / (KNOTS_PER_CYCLE * POINTS_PER_KNOT)))
    y, first_s, step_s = block_means(emf_v, interval_s, block)
    points = max(4, round(per_cycle / block / KNOTS_PER_CYCLE))
    fit = _Fit(y, points, start.f_e_hz * 2 * np.pi * points * step_s)
    return fit.run(start, first_s - 0.5 * step_s, points * step_s)


def _basis(u: Floats) -> tuple[Floats, Floats]:
    """Uniform cubic B-spline weights of four coefficients at u in [0, 1], and their derivatives; shape (..., 4)."""
    v = 1 - u
    weights = np.stack([v**3, 3 * u**3 - 6 * u**2 + 4, 3 * v**3 - 6 * v**2 + 4, u**3], axis=-1) / 6
    slopes = np.stack([-(v**2), 3 * u**2 - 4 * u, -3 * v**2 + 4 * v, u**2], axis=-1) / 2
    return weights, slopes


class _Look(NamedTuple):
    """The model at one set of unknowns, shape (cells, points) each.

    `columns` (cells, points, 14) are the derivatives by the constant, a_1, and a_k, b_k for k = 2..7.
    """

    columns: Floats
    shape: Floats
    slope: Floats
    residual: Floats


class _Fit:
    """Gauss-Newton steps on a normal matrix that is banded in the spline and bordered by the few other unknowns."""

    def __init__(self, y: Floats, points: int, advance_rad: float) -> None:
        # The last cell is filled up with points of no weight.
        self._size, self._cells = y.size, -(-y.size // points)
        filled = np.zeros(self._cells * points)
        filled[: y.size] = y
        self._y = filled.reshape(self._cells, points)
        self._given = (np.arange(filled.size) < y.size).astype(np.float64).reshape(self._cells, points)
        self._advance = advance_rad
        self._weights, self._slopes = _basis((np.arange(points) + 0.5) / points)
        self._slopes = self._slopes / advance_rad
        self._stiffness = 1 / (SPEED_CHANGE * advance_rad) ** 2

    def run(self, start: ZeroPhase, start_s: float, knot_s: float) -> HarmonicPhase | None:
        # The spline's coefficients are near its values at the knots: near enough to start from.
        knots_s = np.asarray(start_s + np.arange(-1, self._cells + 2) * knot_s, dtype=np.float64)
        c: Floats = np.radians(start.extended(knots_s))
        others = self._linear(c)
        look = self._look(c, others)
        sigma, step = self._sigma(look), np.inf
        for taken in range(STEPS):
            change_c, change_o = self._newton(look, c, sigma)
            step = float(np.max(np.abs(change_c)))
            better = self._better(c, others, look, sigma, change_c, change_o)
            if better is None:
                break
            c, others, look = better
            # Held from then on: else weight and residual chase each other where ripple is more than noise.
            sigma = self._sigma(look) if taken < STEPS_TO_SIGMA else sigma
            if step < SMALL_STEP_RAD:
                break
        # A fit that has not settled, or runs backwards, is no witness.
        if step > SETTLED_STEP_RAD or others[1] <= 0 or np.any(np.diff(c) <= 0):
            return None
        harmonics = np.concatenate(([1j * others[1]], others[3::2] + 1j * others[2::2]))
        sd_deg = float(np.degrees(np.sqrt(2 / self._size) * sigma / abs(harmonics[0])))
        return HarmonicPhase(
            start_s,
            knot_s,
            c,
            harmonics,
            float(others[0]),
            sigma,
            sd_deg,
            look.residual.ravel()[: self._size],
            knot_s / self._y.shape[1],
        )

    def _look(self, c: Floats, others: Floats) -> _Look:
        four = np.lib.stride_tricks.sliding_window_view(c, 4)
        phi, speed = four @ self._weights.T, four @ self._slopes.T
        turn = np.exp(1j * phi)
        columns = np.empty((*phi.shape, 2 * ORDERS))
        columns[..., 0], columns[..., 1] = 1.0, turn.imag
        power = turn
        for k in range(1, ORDERS):
            power = power * turn
            columns[..., 2 * k], columns[..., 2 * k + 1] = power.imag, power.real
        shape = columns[..., 1:] @ others[1:]
        orders = np.arange(2, ORDERS + 1)
        slope = columns[..., 3::2] @ (orders * others[2::2]) - columns[..., 2::2] @ (orders * others[3::2])
        slope = speed * (slope + others[1] * turn.real)
        columns[..., 1:] *= speed[..., None]
        return _Look(columns, shape, slope, (self._y - others[0] - speed * shape) * self._given)

    def _sigma(self, look: _Look) -> float:
        sizes = np.abs(look.residual.ravel()[: self._size])
        return max(1e-12, float(np.median(sizes)) * MAD_TO_SD)

    def _linear(self, c: Floats) -> Floats:
        """Find the linear unknowns alone, by least squares for a given phase."""
        flat = self._look(c, np.zeros(2 * ORDERS)).columns.reshape(-1, 2 * ORDERS)
        flat = flat[: self._size]
        return np.asarray(np.linalg.solve(flat.T @ flat, flat.T @ self._y.ravel()[: self._size]), dtype=np.float64)

    def _cost(self, look: _Look, c: Floats, sigma: float) -> float:
        z = np.abs(look.residual) / sigma
        huber = np.where(z < HUBER, z**2, 2 * HUBER * z - HUBER**2)
        return float(huber.sum() + self._stiffness * np.sum(np.diff(c, 2) ** 2))

    def _better(
        self, c: Floats, others: Floats, look: _Look, sigma: float, change_c: Floats, change_o: Floats
    ) -> tuple[Floats, Floats, _Look] | None:
        """Take the largest share of a step that makes the fit better; None where none does."""
        part = min(1.0, LARGEST_STEP_RAD / max(float(np.max(np.abs(change_c))), 1e-12))
        # The last steps change the cost by rounding only.
        allowed = self._cost(look, c, sigma) * (1 + 1e-9)
        while part >= SHORTEST_PART:
            new_c, new_o = c + part * change_c, others + part * change_o
            new = self._look(new_c, new_o)
            if self._cost(new, new_c, sigma) <= allowed:
                return new_c, new_o, new
            part /= 2
        return None

    def _newton(self, look: _Look, c: Floats, sigma: float) -> tuple[Floats, Floats]:
        from scipy.linalg import solveh_banded

        weight = np.minimum(1.0, HUBER * sigma / np.maximum(np.abs(look.residual), 1e-300)) * self._given / sigma**2
        by_spline = look.slope[..., None] * self._weights + look.shape[..., None] * self._slopes
        weighted = np.swapaxes(by_spline * weight[..., None], 1, 2)
        band, border, pull = self._assembled(
            weighted @ by_spline, weighted @ look.columns, (weighted @ look.residual[..., None])[..., 0], c
        )
        flat = look.columns.reshape(-1, 2 * ORDERS)
        heavy = flat * weight.ravel()[:, None]
        solved = solveh_banded(band, np.column_stack([border, pull]), lower=True, check_finite=False)
        schur = heavy.T @ flat - border.T @ solved[:, :-1]
        change_o = np.linalg.solve(schur, heavy.T @ look.residual.ravel() - border.T @ solved[:, -1])
        change_c = solved[:, -1] - solved[:, :-1] @ change_o
        return np.asarray(change_c, dtype=np.float64), np.asarray(change_o, dtype=np.float64)

    def _assembled(self, blocks: Floats, borders: Floats, pulls: Floats, c: Floats) -> tuple[Floats, Floats, Floats]:
        """Add up the cells' blocks, and the penalty on second differences."""
        n, cells = c.size, self._cells
        band, border, pull = np.zeros((4, n)), np.zeros((n, borders.shape[-1])), np.zeros(n)
        for i in range(4):
            border[i : i + cells] += borders[:, i]
            pull[i : i + cells] += pulls[:, i]
            for j in range(i + 1):
                band[i - j, j : j + cells] += blocks[:, i, j]
        second, bent = (1.0, -2.0, 1.0), np.diff(c, 2)
        for i in range(3):
            pull[i : i + n - 2] -= self._stiffness * second[i] * bent
            for j in range(i + 1):
                band[i - j, j : j + n - 2] += self._stiffness * second[i] * second[j]
        return band, border, pull
