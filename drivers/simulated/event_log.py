"""The bench's own log: every change of an output, relay, contact or interlock, with bench time and shaft speed.

It is written by the model, not by the station, so that somebody else can check what the station did.
"""

import json
from dataclasses import asdict, dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Event:
    """One change: bench time [s], what changed, its new value, shaft speed [rpm, clockwise positive]."""

    index: int
    t_s: float
    what: str
    value: float | str | bool
    speed_rpm: float


class EventLog:
    """Events in the order in which they happened.

    Parameters
    ----------
    path
        File that every event is written to at once, one line of JSON each, so that it outlives the process.
    """

    def __init__(self, path: Path | None = None) -> None:
        self._events: list[Event] = []
        # Open as long as the process lives, and written through at each line.
        self._file = None if path is None else path.open("a", encoding="utf-8", buffering=1)

    def add(self, t_s: float, what: str, value: float | str | bool, speed_rpm: float) -> None:  # noqa: FBT001
        """Append one event."""
        event = Event(len(self._events), round(t_s, 6), what, value, round(speed_rpm, 3))
        self._events.append(event)
        if self._file is not None:
            self._file.write(json.dumps(asdict(event)) + "\n")

    def since(self, index: int) -> list[dict[str, object]]:
        """Return the events from an index on, ready for JSON."""
        return [asdict(event) for event in self._events[index:]]
