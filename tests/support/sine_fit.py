"""Least-squares sine fits of three and four parameters, as IEEE Std 1057-2017 describes them: the yardstick, not the product.

Model y[n] = A cos w n + B sin w n + C, w in rad per sample; three parameters by linear least squares for a known w, the
fourth by iterating on w with the column -A n sin w n + B n cos w n.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Sine:
    """A cos w n + B sin w n + C; `phase_rad` is that of amplitude * cos(w n + phase)."""

    a: float
    b: float
    c: float
    w: float
    residual_rms: float
    iterations: int = 0

    @property
    def amplitude(self) -> float:
        return float(np.hypot(self.a, self.b))

    @property
    def phase_rad(self) -> float:
        return float(np.arctan2(-self.b, self.a))


def fit_three(y: Floats, w: float) -> Sine:
    """Fit a sine of known frequency."""
    n = np.arange(y.size)
    design = np.column_stack([np.cos(w * n), np.sin(w * n), np.ones(y.size)])
    (a, b, c), *_ = np.linalg.lstsq(design, y, rcond=None)
    residual = y - design @ np.array([a, b, c])
    return Sine(float(a), float(b), float(c), w, float(np.sqrt(np.mean(residual**2))))


def fit_four(y: Floats, w: float, tolerance: float = 1e-15, most: int = 20) -> Sine:
    """Fit a sine whose frequency is known about."""
    n = np.arange(y.size)
    fit = fit_three(y, w)
    for iteration in range(1, most + 1):
        column = -fit.a * n * np.sin(fit.w * n) + fit.b * n * np.cos(fit.w * n)
        design = np.column_stack([np.cos(fit.w * n), np.sin(fit.w * n), np.ones(y.size), column])
        (*_, change), *_ = np.linalg.lstsq(design, y, rcond=None)
        three = fit_three(y, fit.w + float(change))
        fit = Sine(three.a, three.b, three.c, three.w, three.residual_rms, iteration)
        if abs(change) <= tolerance * fit.w:
            break
    return fit
