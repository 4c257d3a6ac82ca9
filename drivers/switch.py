"""The relays of a bench, by the names that the bench file gives their channels."""

from collections.abc import Callable, Mapping

from drivers.errors import Refused
from drivers.instrument_port import InstrumentPort
from safety.clock import Clock
from safety.permit import Permit

PAIRS = ("U-V", "V-W", "W-U")
RELAY_S = 0.03
"""Bench time that a relay takes to move, contact bounce included (common practice, no source)."""


class Switch:
    """Named relays; what was commanded is kept, what a mirror contact shows is read by who asks."""

    def __init__(self, port: InstrumentPort, clock: Clock, relays: Mapping[str, int]) -> None:
        self._port, self._clock, self._relays = port, clock, dict(relays)
        self._closed: set[str] = set()

    def close(self, name: str, permit: Permit) -> None:
        """Close one relay.

        Raises
        ------
        PermitRefused
            The permit is stale or for something else; nothing was sent.
        """
        permit.demand("switch", self._clock.now_s())
        self._port.send("close", channels=self._channel(name))
        self._closed.add(name)

    def open(self, name: str) -> None:
        """Open one relay; always allowed."""
        self._port.send("open", channels=self._channel(name))
        self._closed.discard(name)

    def open_all(self) -> None:
        """Open every relay."""
        self._port.send("open_all")
        self._closed.clear()

    def state(self, name: str) -> bool:
        """Tell whether a relay was commanded closed."""
        self._channel(name)
        return name in self._closed

    def read_states(self) -> dict[str, bool]:
        """Ask the instrument which relays are closed."""
        channels = ",".join(str(c) for c in self._relays.values())
        values = self._port.numbers("read_closed", len(self._relays), channels=channels)
        return {name: value != 0 for name, value in zip(self._relays, values, strict=True)}

    def connect_pair(
        self, pair: str | None, permit: Callable[[], Permit], mirrors: Callable[[], Mapping[str, bool]]
    ) -> None:
        """Connect one winding pair or none: break, see every mirror contact closed, then make.

        Parameters
        ----------
        permit
            Called for a fresh permit after the break.
        mirrors
            Reads the mirror contacts by pair; True while that pair's relay is open.

        Raises
        ------
        Refused
            A mirror contact shows a pair still connected: a relay may be welded, so no other pair is made.
        """
        for other in PAIRS:
            if self.state(f"pair_{other}"):
                self.open(f"pair_{other}")
        self._clock.wait(RELAY_S)
        seen = mirrors()
        stuck = [p for p in PAIRS if not seen.get(p, False)]
        if stuck:
            raise Refused(
                self._port.link.resource,
                f"connect {pair}",
                f"mirror contact shows {', '.join(stuck)} still connected: relay welded or mirror stuck",
            )
        if pair is not None:
            self.close(f"pair_{pair}", permit())
            self._clock.wait(RELAY_S)

    def kick(self) -> None:
        """Toggle the dead-man relay's input, which drops the spin supply when this stops."""
        name = "deadman_kick"
        kind = "open" if name in self._closed else "close"
        # No look at the error queue here: the kick comes ten times a second, and the next command looks.
        self._port.link.write(self._port.map[kind].text(channels=self._channel(name)))
        self._closed.symmetric_difference_update({name})

    def _channel(self, name: str) -> int:
        if name not in self._relays:
            raise Refused(self._port.link.resource, name, f"no such relay; allowed: {', '.join(self._relays)}")
        return self._relays[name]
