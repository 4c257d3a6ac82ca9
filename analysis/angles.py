"""Angles in degrees on the circle."""

from typing import overload

import numpy as np
from numpy.typing import NDArray


@overload
def wrap(angle: float) -> float: ...
@overload
def wrap(angle: NDArray[np.float64]) -> NDArray[np.float64]: ...
def wrap(angle: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Bring angles into (-180, 180] [deg]."""
    return -((180.0 - angle) % 360.0 - 180.0)


def circular_mean(angles: NDArray[np.float64]) -> float:
    """Mean direction of angles [deg]; nan for none."""
    if angles.size == 0:
        return float("nan")
    return float(np.degrees(np.angle(np.mean(np.exp(1j * np.radians(angles))))))
