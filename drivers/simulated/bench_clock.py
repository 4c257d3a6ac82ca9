"""How bench time moves: by request only (stepped), or with real time (scaled)."""

import threading
import time
from collections.abc import Callable

from drivers.simulated.world import World

TICK_S = 0.01


class ScaledTime:
    """Moves bench time with real time times `factor`, by a thread of its own, so that relays act unasked.

    Parameters
    ----------
    world
        The model.
    factor
        Bench seconds per real second, above 0 and at most 5.
    real
        Real time [s].
    """

    def __init__(self, world: World, factor: float, real: Callable[[], float] = time.monotonic) -> None:
        if not 0 < factor <= 5:
            raise ValueError(f"clock factor must be above 0 and at most 5, got {factor:g}")
        self._world, self._factor, self._real = world, factor, real
        self._start = real()
        self._stop = threading.Event()

    def catch_up(self) -> None:
        """Advance the model to now; called under its lock."""
        behind = (self._real() - self._start) * self._factor - self._world.now_s
        if behind > 0:
            self._world.advance(behind)

    def __enter__(self) -> "ScaledTime":
        """Start the ticking thread."""
        threading.Thread(target=self._run, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        """Stop it."""
        self._stop.set()

    def _run(self) -> None:
        while not self._stop.wait(TICK_S):
            with self._world.lock:
                self.catch_up()


def stand_still() -> None:
    """Catch up nothing: a stepped clock moves by request only."""
