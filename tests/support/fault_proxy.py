"""A TCP proxy between station and simulated bench that can spoil the link of one instrument in many ways.

One thread serves all connections. Each role has a port of its own, which stays the same whatever happens to it.
"""

import contextlib
import heapq
import selectors
import socket
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

READ_BYTES = 1 << 18
POLL_S = 0.02
GARBAGE = b"\x00\xfe\x81;?\n"

KINDS: Mapping[str, str] = {
    "killed": "its connection is closed and nothing listens any more",
    "hung": "it takes everything and does nothing",
    "lags": "each answer comes 30 ms of bench time later",
    "crawls": "each answer comes 250 ms of bench time later",
    "garbage": "it answers with bytes that mean nothing",
    "wrong reply": "it answers each query with the reply to an earlier one",
    "lost reply": "one reply never comes",
    "late reply": "one reply comes 700 ms of bench time late",
    "cut in mid reply": "half of a reply comes, then the connection is closed",
}
"""What can happen to a link, by name."""
DELAYS_S = {"lags": 0.03, "crawls": 0.25, "late reply": 0.7}
ONCE = ("lost reply", "late reply", "cut in mid reply")
SILENT = ("lags", "wrong reply")
"""Kinds that a station need not notice at the first spoiled reply, and whose cause it need not name."""


@dataclass(eq=False, slots=True)
class _Leg:
    """One side of a connection, with the other one."""

    role: str
    sock: socket.socket
    to_bench: bool
    other: "_Leg | None" = None
    last: bytes = b""
    free_s: float = 0.0


@dataclass(slots=True)
class Proxy:
    """The proxy of one bench; use it as a context manager.

    Parameters
    ----------
    ports
        The bench's own ports by role.
    factor
        Bench seconds per real second.
    shows
        Called once a fault with "role: kind" when it first touches what the station sees.
    """

    ports: Mapping[str, int]
    factor: float
    shows: Callable[[str], None]
    own_ports: dict[str, int] = field(default_factory=dict)
    _faults: dict[str, str] = field(default_factory=dict)
    _told: set[str] = field(default_factory=set)
    _listeners: dict[str, socket.socket] = field(default_factory=dict)
    _legs: list[_Leg] = field(default_factory=list)
    _due: list[tuple[float, int, _Leg, bytes]] = field(default_factory=list)
    _count: int = 0
    _selector: selectors.BaseSelector = field(default_factory=selectors.DefaultSelector)
    _lock: threading.RLock = field(default_factory=threading.RLock)
    _end: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None

    def __enter__(self) -> "Proxy":
        for role in self.ports:
            self._listen(role)
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        if self._thread is not None:
            self._thread.join()
        for sock in [*self._listeners.values(), *(leg.sock for leg in self._legs)]:
            sock.close()
        self._selector.close()

    def put(self, role: str, kind: str) -> None:
        """Put a fault on the link of one role."""
        with self._lock:
            self._faults[role] = kind
            if kind == "killed":
                self._unlisten(role)
                self._drop_all(role)
        if kind == "killed":
            self._show(role, kind)

    def clear(self) -> None:
        """Take all faults off; links that suffered are closed, as an instrument that is restarted would close them."""
        with self._lock:
            spoiled, self._faults = list(self._faults), {}
            self._told.clear()
            for role in spoiled:
                self._drop_all(role)
                if role not in self._listeners:
                    self._listen(role)

    # -- sockets ---------------------------------------------------------------------------------------------------

    def _listen(self, role: str) -> None:
        listener = socket.create_server(("127.0.0.1", self.own_ports.get(role, 0)))
        self.own_ports[role] = listener.getsockname()[1]
        self._listeners[role] = listener
        self._selector.register(listener, selectors.EVENT_READ, role)

    def _unlisten(self, role: str) -> None:
        if (listener := self._listeners.pop(role, None)) is not None:
            self._selector.unregister(listener)
            listener.close()

    def _serve(self) -> None:
        while not self._end.is_set():
            wait_s = POLL_S if not self._due else max(0.0, min(POLL_S, self._due[0][0] - time.monotonic()))
            for key, _ in self._selector.select(wait_s):
                with self._lock:
                    if isinstance(key.data, str):
                        self._accept(key.data)
                    elif key.data in self._legs:
                        self._forward(key.data)
            with self._lock:
                while self._due and self._due[0][0] <= time.monotonic():
                    _, _, leg, data = heapq.heappop(self._due)
                    self._send(leg, data)

    def _accept(self, role: str) -> None:
        if role not in self._listeners:
            return
        station, _ = self._listeners[role].accept()
        try:
            bench = socket.create_connection(("127.0.0.1", self.ports[role]), timeout=1.0)
        except OSError:
            station.close()
            return
        near, far = _Leg(role, station, to_bench=True), _Leg(role, bench, to_bench=False)
        near.other, far.other = far, near
        for leg in (near, far):
            leg.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._legs.append(leg)
            self._selector.register(leg.sock, selectors.EVENT_READ, leg)

    def _drop(self, leg: _Leg) -> None:
        for each in (leg, leg.other):
            if each is not None and each in self._legs:
                self._legs.remove(each)
                with contextlib.suppress(KeyError, ValueError):
                    self._selector.unregister(each.sock)
                each.sock.close()

    def _drop_all(self, role: str) -> None:
        for leg in [leg for leg in self._legs if leg.role == role]:
            self._drop(leg)

    def _send(self, leg: _Leg, data: bytes) -> None:
        if leg not in self._legs:
            return
        try:
            leg.sock.sendall(data)
        except OSError:
            self._drop(leg)

    # -- what passes ---------------------------------------------------------------------------------------------------

    def _forward(self, leg: _Leg) -> None:
        try:
            data = leg.sock.recv(READ_BYTES)
        except OSError:
            data = b""
        if not data or leg.other is None:
            self._drop(leg)
            return
        kind = self._faults.get(leg.role, "")
        if leg.to_bench:
            if kind == "hung":
                if b"?" in data:
                    self._show(leg.role, kind)
                return
            self._send(leg.other, data)
        else:
            self._reply(leg, data, kind)

    def _reply(self, leg: _Leg, data: bytes, kind: str) -> None:
        earlier, leg.last = leg.last, data
        station = leg.other
        if station is None or kind == "hung":
            return
        if kind in ONCE:
            self._faults.pop(leg.role, None)
        if kind:
            self._show(leg.role, kind)
        match kind:
            case "lost reply":
                return
            case "garbage":
                self._send(station, GARBAGE)
            case "wrong reply":
                self._send(station, earlier or data)
            case "cut in mid reply":
                self._send(station, data[: max(1, len(data) // 2)])
                self._drop(leg)
            case _:
                self._later(leg, station, data, DELAYS_S.get(kind, 0.0) / self.factor)

    def _later(self, leg: _Leg, station: _Leg, data: bytes, delay_s: float) -> None:
        """Send after a delay, never before what is already on its way."""
        leg.free_s = max(leg.free_s, time.monotonic() + delay_s)
        if leg.free_s <= time.monotonic():
            self._send(station, data)
            return
        self._count += 1
        heapq.heappush(self._due, (leg.free_s, self._count, station, data))

    def _show(self, role: str, kind: str) -> None:
        name = f"{role.replace('_', ' ')}: {kind}"
        if name not in self._told:
            self._told.add(name)
            self.shows(name)
