"""The TCP side of the simulated bench: one listening port per instrument, one thread per connection.

Faults of links (silence, late replies, garbage, cut connections) are made here, outside of the model's lock, so that a
slow instrument does not hold up the others.
"""

import contextlib
import socket
import socketserver
import struct
import threading
import time
from collections.abc import Callable, Mapping

from drivers.simulated.instrument import Instrument
from drivers.simulated.world import World

LONGEST_LINE = 1 << 16
SLOW_S, LATE_S = 0.2, 3.0
GARBAGE = b"\x80\xff\x13?\x00\xfe\n"
HALF, MOST_OF_IT = 2, 8


class _Handler(socketserver.StreamRequestHandler):
    """One connection to one instrument."""

    disable_nagle_algorithm = True
    server: "_Server"

    def handle(self) -> None:
        """Answer line by line until the other side has had enough."""
        self.server.connections.add(self.connection)
        with contextlib.suppress(OSError, ValueError):
            while line := self.rfile.readline(LONGEST_LINE):
                if not self._answer(line.decode("ascii", "replace").strip("\r\n")):
                    return

    def finish(self) -> None:
        """Forget the connection."""
        self.server.connections.discard(self.connection)
        with contextlib.suppress(OSError):
            super().finish()

    def _answer(self, line: str) -> bool:
        """Carry out one line and send its reply; return False to close the connection."""
        faults = self.server.world.faults
        role = self.server.role
        if f"{role} refuses connection" in faults or f"{role} cut" in faults:
            return False
        with self.server.world.lock:
            self.server.catch_up()
            reply = self.server.instrument.execute(line)
        return not reply or self._send(reply, role, faults)

    def _send(self, reply: bytes, role: str, faults: dict[str, bool]) -> bool:
        if f"{role} silent" in faults:
            return True
        if f"{role} slow" in faults:
            time.sleep(SLOW_S)
        if faults.pop(f"{role} late reply", False):
            time.sleep(LATE_S)
        if f"{role} garbage" in faults:
            reply = GARBAGE
        elif f"{role} wrong identity" in faults:
            reply = reply.replace(self.server.instrument.identity.encode(), b"other maker,other instrument,0,0")
        if reply.startswith(b"#") and "scope short block" in faults and role == "scope":
            reply = reply[: len(reply) * (MOST_OF_IT - 1) // MOST_OF_IT] + b"\n"
        if reply.startswith(b"#") and "scope cut in mid block" in faults and role == "scope":
            self.wfile.write(reply[: len(reply) // HALF])
            return False
        self.wfile.write(reply)
        return True


class _Server(socketserver.ThreadingTCPServer):
    """One listening port."""

    allow_reuse_address = True
    daemon_threads = True
    block_on_close = False

    def __init__(self, world: World, role: str, instrument: Instrument, catch_up: Callable[[], None]) -> None:
        self.world, self.role, self.instrument, self.catch_up = world, role, instrument, catch_up
        self.connections: set[socket.socket] = set()
        super().__init__(("127.0.0.1", 0), _Handler)

    def verify_request(self, request: object, client_address: object) -> bool:
        """Refuse connections while the fault for that is on, with a reset as a closed port would."""
        refused = f"{self.role} refuses connection" in self.world.faults
        if refused and isinstance(request, socket.socket):
            request.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        return not refused


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
        self._servers = {
            role: _Server(world, role.replace("_", " "), instrument, catch_up)
            for role, instrument in instruments.items()
        }
        self._serving: list[_Server] = []
        self.ports: dict[str, int] = {role: server.server_address[1] for role, server in self._servers.items()}

    def __enter__(self) -> "BenchServer":
        """Start to listen."""
        for server in self._servers.values():
            if f"{server.role} refuses connection" in server.world.faults:
                server.server_close()
                continue
            threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
            self._serving.append(server)
        return self

    def __exit__(self, *_: object) -> None:
        """Stop listening and drop the connections, as a power cut would."""
        for server in self._serving:
            server.shutdown()
            server.server_close()
            for connection in list(server.connections):
                with contextlib.suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)
