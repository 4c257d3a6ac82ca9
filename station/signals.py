"""Ctrl-C and SIGTERM ask the run to end at its next look; they never cut it in the middle of a command."""

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import FrameType


@dataclass(slots=True)
class StopSwitch:
    """Remembers that the end was asked for."""

    requested: bool = False

    def __call__(self) -> bool:
        """Tell whether the end was asked for."""
        return self.requested

    def handle(self, signum: int, frame: FrameType | None) -> None:
        """Note the signal; whoever waits, for the bench or for an answer, looks at it ten times a second."""
        del signum, frame
        self.requested = True


@contextmanager
def stop_switch() -> Iterator[StopSwitch]:
    """Catch SIGINT and SIGTERM for the length of a run and put the old handlers back after it."""
    switch = StopSwitch()
    old = {number: signal.signal(number, switch.handle) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield switch
    finally:
        for number, handler in old.items():
            signal.signal(number, handler)
