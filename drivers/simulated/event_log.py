"""The bench's own log: every change of an output, relay, contact or interlock, with bench time and shaft speed.

It is written by the model, not by the station, so that somebody else can check what the station did.
"""

from dataclasses import asdict, dataclass


@dataclass(frozen=True, slots=True)
class Event:
    """One change: bench time [s], what changed, its new value, shaft speed [rpm, clockwise positive]."""

    index: int
    t_s: float
    what: str
    value: float | str | bool
    speed_rpm: float


class EventLog:
    """Events in the order in which they happened."""

    def __init__(self) -> None:
        self._events: list[Event] = []

    def add(self, t_s: float, what: str, value: float | str | bool, speed_rpm: float) -> None:  # noqa: FBT001
        """Append one event."""
        self._events.append(Event(len(self._events), round(t_s, 6), what, value, round(speed_rpm, 3)))

    def since(self, index: int) -> list[dict[str, object]]:
        """Return the events from an index on, ready for JSON."""
        return [asdict(event) for event in self._events[index:]]
