"""A way to a server's socket over TCP that can be cut in the middle of what goes through it."""

import contextlib
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path


@dataclass
class CutProxy:
    """Connections to `port` lead to the server until their budget is spent; then both ends are closed at once.

    A budget counts bytes towards the server or, for cutting off its answers, a text in what goes there: once that has been
    passed on, whatever comes back is lost.
    """

    server: Path
    budget: int | None = None
    cut_answer_to: bytes | None = None
    cuts: int = 0
    _listener: socket.socket = field(default_factory=lambda: socket.create_server(("127.0.0.1", 0)))

    @property
    def port(self) -> int:
        return int(self._listener.getsockname()[1])

    def url(self, database: str) -> str:
        return f"postgresql+psycopg://polemark@127.0.0.1:{self.port}/{database}"

    def serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._listener.accept()
                threading.Thread(target=self._connect, args=(client,), daemon=True).start()

    def close(self) -> None:
        # A listener that is only closed would leave its thread in `accept`.
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()

    def _connect(self, client: socket.socket) -> None:
        server = socket.socket(socket.AF_UNIX)
        with client, server:
            try:
                server.connect(str(self.server))
            except OSError:
                return
            deaf = threading.Event()
            back = threading.Thread(target=self._answers, args=(server, client, deaf), daemon=True)
            back.start()
            self._questions(client, server, deaf)
            back.join(10)

    def _questions(self, client: socket.socket, server: socket.socket, deaf: threading.Event) -> None:
        left = self.budget
        with contextlib.suppress(OSError):
            while data := client.recv(4096):
                if left is not None and left < len(data):
                    # What is within the budget still arrives: the cut falls in the middle of a message.
                    server.sendall(data[:left])
                    self.cuts += 1
                    break
                left = None if left is None else left - len(data)
                if self.cut_answer_to is not None and self.cut_answer_to in data:
                    deaf.set()
                server.sendall(data)
        _shut(server)
        _shut(client)

    def _answers(self, server: socket.socket, client: socket.socket, deaf: threading.Event) -> None:
        with contextlib.suppress(OSError):
            while data := server.recv(65536):
                if deaf.is_set():
                    self.cuts += 1
                    break
                client.sendall(data)
        _shut(client)
        _shut(server)


@contextmanager
def cut_proxy(folder: Path) -> Iterator[CutProxy]:
    """Give a proxy to the server whose sockets are in a folder."""
    proxy = CutProxy(folder / ".s.PGSQL.5432")
    thread = threading.Thread(target=proxy.serve, daemon=True)
    thread.start()
    try:
        yield proxy
    finally:
        proxy.close()
        thread.join(10)


def _shut(end: socket.socket) -> None:
    with contextlib.suppress(OSError):
        end.shutdown(socket.SHUT_RDWR)
