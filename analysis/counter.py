"""How the counts of a unit's own encoder belong to electrical angles."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Counter:
    """How counts belong to angles.

    Parameters
    ----------
    counts_per_rev
        Counts a turn of the shaft: four times the lines where every edge of A and B is counted.
    pole_pairs
        P of the motor.
    clockwise
        +1 where counts rise going clockwise, -1 where they fall.

    Raises
    ------
    ValueError
        A number below 1, or a sense that is neither.
    """

    counts_per_rev: int
    pole_pairs: int
    clockwise: int = 1

    def __post_init__(self) -> None:
        """Refuse what counts nothing."""
        if self.counts_per_rev < 1 or self.pole_pairs < 1:
            raise ValueError(
                f"counts_per_rev and pole_pairs must be at least 1, got {self.counts_per_rev} and {self.pole_pairs}"
            )
        if self.clockwise not in (1, -1):
            raise ValueError(f"clockwise must be 1 or -1, got {self.clockwise}")

    @property
    def deg_el(self) -> float:
        """Size of a count [deg_el]."""
        return 360.0 * self.pole_pairs / self.counts_per_rev

    def angles_deg_el(self, counts: Sequence[float]) -> Floats:
        """Angles from wherever counting began, not wrapped, shape (n,) [deg_el]."""
        return np.asarray(counts, dtype=np.float64) * (self.clockwise * self.deg_el)
