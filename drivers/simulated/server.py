"""The TCP side of the simulated bench: one listening port per instrument, one loop for all of them.

A station sends to several instruments in turn and expects the bench to do things in that order, which threads would
not promise; so one loop takes all lines, and where several wait, commands go before queries: whoever asks has sent his
commands already. Only what must wait (`*OPC?` while a sweep runs, late replies) leaves the loop for a thread.
"""

import contextlib
import selectors
import socket
import struct
import threading
from collections.abc import Callable, Generator, Mapping

from drivers.simulated.instrument import Instrument
from drivers.simulated.link_faults import Reply, spoil
from drivers.simulated.world import World

LONGEST_LINE = 1 << 16
SEND_DEADLINE_S = 5.0
POLL_S = 0.05


class _Connection:
    """One client of one instrument; the listening side has no socket of a client."""

    def __init__(self, role: str, instrument: Instrument, sock: socket.socket) -> None:
        self.role, self.instrument, self.sock = role, instrument, sock
        self._unread = b""

    def lines(self) -> list[str] | None:
        """Read what has come and return its whole lines, None when the other side has gone."""
        try:
            received = self.sock.recv(LONGEST_LINE)
        except OSError:
            return None
        self._unread += received
        if not received or len(self._unread) > LONGEST_LINE:
            return None
        *whole, self._unread = self._unread.split(b"\n")
        return [line.decode("ascii", "replace").strip("\r") for line in whole]


class BenchServer:
    """All instruments of one bench, listening on ports of 127.0.0.1 that the system chooses.

    Parameters
    ----------
    world
        The model.
    instruments
        Instruments by role as the bench file names them.
    catch_up
        Called under the lock before each command; brings a scaled clock up to now.
    """

    def __init__(self, world: World, instruments: Mapping[str, Instrument], catch_up: Callable[[], None]) -> None:
        self._world, self._catch_up = world, catch_up
        self._selector = selectors.DefaultSelector()
        self._end = threading.Event()
        self.ports: dict[str, int] = {}
        for role, instrument in instruments.items():
            listener = socket.create_server(("127.0.0.1", 0))
            self.ports[role] = listener.getsockname()[1]
            connection = _Connection(role.replace("_", " "), instrument, listener)
            if f"{connection.role} refuses connection" in world.faults:
                listener.close()
            else:
                self._selector.register(listener, selectors.EVENT_READ, (self._accept, connection))
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> "BenchServer":
        """Start to answer."""
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Stop answering and drop the connections, as a power cut would."""
        self._end.set()
        self._thread.join()
        for key in list(self._selector.get_map().values()):
            key.data[1].sock.close()
        self._selector.close()

    def _serve(self) -> None:
        while not self._end.is_set():
            pending: list[tuple[_Connection, list[str]]] = []
            for key, _ in self._selector.select(POLL_S):
                action, connection = key.data
                lines = action(connection)
                if lines:
                    pending.append((connection, lines))
            for connection, lines in pending:
                while lines and "?" not in lines[0]:
                    self._carry_out(connection, lines.pop(0))
            for connection, lines in pending:
                for line in lines:
                    self._carry_out(connection, line)

    def _accept(self, listening: _Connection) -> None:
        sock, _ = listening.sock.accept()
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if f"{listening.role} refuses connection" in self._world.faults:
            # Closing without lingering resets the connection, the nearest to a port where nobody listens.
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            sock.close()
            return
        sock.settimeout(SEND_DEADLINE_S)
        connection = _Connection(listening.role, listening.instrument, sock)
        self._selector.register(sock, selectors.EVENT_READ, (self._read, connection))

    def _read(self, connection: _Connection) -> list[str]:
        lines = connection.lines()
        if lines is None:
            self._drop(connection)
        return lines or []

    def _drop(self, connection: _Connection) -> None:
        with contextlib.suppress(KeyError, ValueError):
            self._selector.unregister(connection.sock)
        connection.sock.close()

    def _carry_out(self, connection: _Connection, line: str) -> None:
        faults = self._world.faults
        if f"{connection.role} refuses connection" in faults or f"{connection.role} cut" in faults:
            self._drop(connection)
            return
        steps = connection.instrument.steps(line)
        if not self._go_on(connection, steps):
            threading.Thread(target=self._wait_and_go_on, args=(connection, steps), daemon=True).start()

    def _go_on(self, connection: _Connection, steps: Generator[None, None, bytes]) -> bool:
        """Carry out a line as far as it goes; return False if it has to wait."""
        with self._world.lock:
            self._catch_up()
            try:
                next(steps)
            except StopIteration as end:
                answer = bytes(end.value)
            else:
                return False
        if answer:
            self._reply(connection, answer)
        return True

    def _wait_and_go_on(self, connection: _Connection, steps: Generator[None, None, bytes]) -> None:
        going = True
        while going:
            with self._world.lock:
                connection.instrument.settle()
            going = not self._go_on(connection, steps)

    def _reply(self, connection: _Connection, answer: bytes) -> None:
        before = set(self._world.faults)
        reply = spoil(answer, connection.role, connection.instrument.identity, self._world.faults)
        if reply != Reply(answer):
            with self._world.lock:
                self._world.note_spoiled(", ".join(sorted(n for n in before if n.startswith(connection.role))))
        if reply.late_s:
            timer = threading.Timer(reply.late_s, self._send, (connection, reply))
            timer.daemon = True
            timer.start()
        else:
            self._send(connection, reply)

    def _send(self, connection: _Connection, reply: Reply) -> None:
        try:
            connection.sock.sendall(reply.raw)
        except OSError:
            self._drop(connection)
            return
        if reply.then_close:
            self._drop(connection)
