"""The clock of a bench: monotonic on every real one; only a simulated bench may have another."""

from drivers.bench_file import BenchFile
from drivers.errors import BenchFault
from drivers.simulation import Simulation
from safety.clock import Clock, MonotonicClock, ScaledClock

LONGEST_STEP_S = 1.0
"""A stepped bench works out what happens in a step before it answers, so a long wait is taken in several."""


class SteppedClock:
    """Bench time that moves only as the station waits; the simulated bench keeps it and is told to advance."""

    def __init__(self, simulation: Simulation) -> None:
        self._simulation = simulation
        self._now_s = simulation.now_s()

    def now_s(self) -> float:
        """Return bench time [s]."""
        return self._now_s

    def wait(self, seconds: float) -> None:
        """Let bench time pass."""
        left_s = seconds
        while left_s > 0:
            step_s = min(left_s, LONGEST_STEP_S)
            self._now_s = self._simulation.advance(step_s)
            left_s -= step_s


class ScaledBenchClock:
    """Real time times a factor, from the zero that the simulated bench has, so that its log and the station's agree."""

    def __init__(self, simulation: Simulation, factor: float) -> None:
        self._own = ScaledClock(factor)
        self._zero_s = self._own.now_s() - simulation.now_s()

    def now_s(self) -> float:
        """Return bench time [s]."""
        return self._own.now_s() - self._zero_s

    def wait(self, seconds: float) -> None:
        """Let bench time pass."""
        self._own.wait(seconds)


def open_clock(bench: BenchFile, simulation: Simulation | None) -> Clock:
    """Return the clock that a bench may have.

    Raises
    ------
    ValueError
        A bench that is not simulated asks for another clock than the monotonic one.
    BenchFault
        The simulated bench runs on another clock than its file says.
    """
    if not bench.simulated or simulation is None:
        if bench.clock != "monotonic":
            raise ValueError(f"bench {bench.name} is real: its clock is monotonic, got {bench.clock}")
        return MonotonicClock()
    mode = simulation.mode()
    if mode != bench.clock:
        said = f"runs on a {mode} clock; allowed: {bench.clock}, as its bench file says"
        raise BenchFault(simulation.link.resource, "SIM:CLOC:MODE?", said)
    return SteppedClock(simulation) if mode == "stepped" else ScaledBenchClock(simulation, bench.clock_factor)
