"""The clock of a bench: monotonic on every real one; only a simulated bench may have another."""

from drivers.bench_file import BenchFile
from drivers.link import Link
from drivers.simulation import Simulation
from safety.clock import Clock, MonotonicClock


class SimulatedClock:
    """The clock that a simulated bench keeps: stepped, it moves only as the station waits; scaled, by itself.

    Asking the bench for the time keeps both sides on one clock.
    """

    def __init__(self, link: Link, *, stepped: bool, factor: float) -> None:
        self._link, self._stepped = link, stepped
        self._real = None if stepped else _scaled(factor)
        self._now_s = float(link.query("SIM:CLOC?")) if stepped else 0.0

    def now_s(self) -> float:
        """Return bench time [s]."""
        return self._now_s if self._real is None else self._real.now_s()

    def wait(self, seconds: float) -> None:
        """Let bench time pass: a stepped bench is told to advance."""
        if self._real is not None:
            self._real.wait(seconds)
        elif seconds > 0:
            self._now_s = float(self._link.query(f"SIM:CLOC:ADV? {seconds:.9f}"))

    def refresh(self) -> None:
        """Take over the bench's time after something else moved it."""
        if self._real is None:
            self._now_s = float(self._link.query("SIM:CLOC?"))


def _scaled(factor: float) -> Clock:
    from safety.clock import ScaledClock

    return ScaledClock(factor)


def open_clock(bench: BenchFile, simulation: Simulation | None) -> Clock:
    """Return the clock that a bench may have.

    Raises
    ------
    ValueError
        A bench that is not simulated asks for another clock than the monotonic one.
    """
    if not bench.simulated or simulation is None:
        if bench.clock != "monotonic":
            raise ValueError(f"bench {bench.name} is real: its clock is monotonic, got {bench.clock}")
        return MonotonicClock()
    return SimulatedClock(simulation.link, stepped=simulation.mode() == "stepped", factor=bench.clock_factor)
