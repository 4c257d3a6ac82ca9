"""The relays of a bench, by the names that the bench file gives their channels."""

from collections.abc import Callable, Mapping

from drivers.errors import PairStuck, Refused
from drivers.instrument_port import InstrumentPort
from safety.clock import Clock
from safety.permit import Permit

PAIRS = ("U-V", "V-W", "W-U")
PAIR = "pair_"
"""A winding pair's relay is called by this and the pair."""
DEADMAN = "deadman_kick"
RELAY_S = 0.03
"""Bench time that a relay takes to move, contact bounce included (common practice, no source)."""


class Switch:
    """Named relays; what was commanded is kept, what a mirror contact shows is read by who asks."""

    def __init__(self, port: InstrumentPort, clock: Clock, relays: Mapping[str, int]) -> None:
        self._port, self._clock, self._relays = port, clock, dict(relays)
        self._closed: set[str] = set()

    def close(self, name: str, permit: Permit) -> None:
        """Close one relay; a winding pair's only by `connect_pair`.

        Raises
        ------
        Refused
            The relay is a winding pair's, or it would reverse a spin motor that is connected.
        PermitRefused
            The permit is stale or for something else; nothing was sent.
        """
        if name.startswith(PAIR):
            raise self._refused(name, "a winding pair is connected after all others are seen open; use connect_pair")
        if name == "spin_reverse" and "spin_on" in self._closed:
            raise self._refused(name, "the spin motor is connected; allowed: with spin_on open")
        self._close(name, permit)

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
        message = self._port.map["read_closed"].text(channels=channels)
        values = self._port.booleans(message, self._port.link.query(message), len(self._relays))
        return dict(zip(self._relays, values, strict=True))

    def connect_pair(
        self, pair: str | None, permit: Callable[[], Permit], mirrors: Callable[[], Mapping[str, bool]]
    ) -> None:
        """Connect one winding pair or none: break, see every mirror contact closed, make, and see it made.

        Parameters
        ----------
        permit
            Called for a fresh permit after the break.
        mirrors
            Reads the mirror contacts by pair; True while that pair's relay is open.

        Raises
        ------
        PairStuck
            A mirror contact shows a pair still connected: a relay may be welded, so no other pair is made. Or it
            shows the pair still open after it was made.
        """
        for other in PAIRS:
            if self.state(PAIR + other):
                self.open(PAIR + other)
        self._clock.wait(RELAY_S)
        seen = mirrors()
        stuck = [p for p in PAIRS if not seen.get(p, False)]
        if stuck:
            said = f"mirror contact shows {', '.join(stuck)} still connected: relay welded or mirror stuck"
            raise PairStuck(self._port.link.resource, f"connect {pair}", said)
        if pair is not None:
            self._make(pair, permit(), mirrors)

    def _make(self, pair: str, permit: Permit, mirrors: Callable[[], Mapping[str, bool]]) -> None:
        self._close(PAIR + pair, permit)
        self._clock.wait(RELAY_S)
        seen = mirrors()
        shown = [p for p in PAIRS if not seen.get(p, False)]
        if shown != [pair]:
            self.open(PAIR + pair)
            said = f"mirror contacts show {', '.join(shown) or 'no pair'} connected; allowed: {pair} alone"
            raise PairStuck(self._port.link.resource, f"connect {pair}", said)

    def kick(self) -> None:
        """Toggle the dead-man relay's input, which drops the spin supply when this stops."""
        kind = "open" if DEADMAN in self._closed else "close"
        # No look at the error queue here: the kick comes ten times a second, and the next command looks.
        self._port.link.write(self._port.map[kind].text(channels=self._channel(DEADMAN)))
        self._closed.symmetric_difference_update({DEADMAN})

    def _close(self, name: str, permit: Permit) -> None:
        channel = self._channel(name)
        permit.demand("switch", self._clock.now_s())
        self._port.send("close", channels=channel)
        self._closed.add(name)

    def _channel(self, name: str) -> int:
        if name not in self._relays:
            raise self._refused(name, f"no such relay; allowed: {', '.join(self._relays)}")
        return self._relays[name]

    def _refused(self, what: str, why: str) -> Refused:
        return Refused(self._port.link.resource, what, why)
