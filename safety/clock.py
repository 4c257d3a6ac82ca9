"""Clocks: bench time is what every timeout, deadline and permit counts."""

import time
from typing import Protocol

LARGEST_FACTOR = 5.0


class Clock(Protocol):
    """Bench time in seconds, from any zero, never backward."""

    def now_s(self) -> float:
        """Return bench time [s]."""
        ...

    def wait(self, seconds: float) -> None:
        """Let bench time pass."""
        ...


class MonotonicClock:
    """Bench time is the machine's monotonic time; the only clock of a real bench."""

    def now_s(self) -> float:
        """Return bench time [s]."""
        return time.monotonic()

    def wait(self, seconds: float) -> None:
        """Sleep."""
        time.sleep(max(0.0, seconds))


class ScaledClock:
    """Bench time runs faster than real time by a factor; for simulated benches alone.

    Parameters
    ----------
    factor
        Bench seconds per real second, 1 to 5.

    Raises
    ------
    ValueError
        The factor is outside that range.
    """

    def __init__(self, factor: float) -> None:
        if not 1.0 <= factor <= LARGEST_FACTOR:
            raise ValueError(f"clock factor must be within 1 to {LARGEST_FACTOR:g}, got {factor:g}")
        self.factor = factor

    def now_s(self) -> float:
        """Return bench time [s]."""
        return time.monotonic() * self.factor

    def wait(self, seconds: float) -> None:
        """Sleep for the real part of a bench time."""
        time.sleep(max(0.0, seconds) / self.factor)
