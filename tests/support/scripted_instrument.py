"""An instrument on a loopback port that answers as a test scripts it, well or badly.

Unless scripted otherwise it keeps what is set (`VOLT 5`) and answers it (`VOLT?`), has an identity and an error queue.
"""

import os
import socket
import socketserver
import struct
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager

IDENTITY = ("maker", "model", "S-1")
Act = Callable[[socket.socket], None]
Answer = str | bytes | Act


def block(raw: bytes) -> bytes:
    """Write a definite-length block with its newline."""
    length = str(len(raw)).encode()
    return b"#%d%s%s\n" % (len(length), length, raw)


def silent(connection: socket.socket) -> None:
    """Say nothing."""
    del connection


def late(seconds: float, reply: bytes) -> Act:
    """Say it too late."""

    def act(connection: socket.socket) -> None:
        time.sleep(seconds)
        connection.sendall(reply)

    return act


def then_close(first: bytes) -> Act:
    """Say a part and close the connection as a peer that ends does."""

    def act(connection: socket.socket) -> None:
        connection.sendall(first)
        connection.shutdown(socket.SHUT_RDWR)

    return act


def reset(connection: socket.socket) -> None:
    """Break the connection as a peer that crashed does."""
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    # Not close(), which would wait for the files made of the socket.
    os.close(connection.detach())


class ScriptedInstrument:
    """What it hears is in `heard`; `kept` is what was set; `errors` is its queue."""

    def __init__(self, answers: Mapping[str, Answer] | None = None) -> None:
        self.answers: dict[str, Answer] = {"*IDN?": ",".join((*IDENTITY, "1.0")), "*CLS": silent, **(answers or {})}
        self.heard: list[str] = []
        self.kept: dict[str, str] = {}
        self.errors: list[str] = []
        self.resource = ""

    def said(self, *unless: str) -> list[str]:
        """What it heard apart from opening, the error queue and what is named."""
        return [m for m in self.heard if m not in ("*IDN?", "*CLS", "SYST:ERR?", *unless)]

    def reply(self, line: str, connection: socket.socket) -> None:
        """Answer one line, which may hold several messages joined by `;:`."""
        texts: list[str] = []
        for message in line.split(";:"):
            self.heard.append(message)
            answer = self.answers.get(message)
            if answer is None:
                answer = self._usual(message)
            if isinstance(answer, str):
                texts.append(answer)
            elif isinstance(answer, bytes):
                connection.sendall(answer)
            else:
                answer(connection)
        if texts:
            connection.sendall(";".join(texts).encode() + b"\n")

    def _usual(self, message: str) -> Answer:
        if message == "SYST:ERR?":
            return self.errors.pop(0) if self.errors else '0,"No error"'
        if message.endswith("?"):
            return self.kept.get(message[:-1], silent)
        header, _, parameter = message.partition(" ")
        self.kept[header] = parameter
        return silent


class _Handler(socketserver.StreamRequestHandler):
    disable_nagle_algorithm = True

    def handle(self) -> None:
        instrument: ScriptedInstrument = self.server.instrument  # type: ignore[attr-defined]
        try:
            while line := self.rfile.readline():
                instrument.reply(line.decode().rstrip("\n"), self.connection)
        except OSError:
            return

    def finish(self) -> None:
        try:
            super().finish()
        except OSError:
            return


class _Server(socketserver.ThreadingTCPServer):
    daemon_threads = True
    block_on_close = False


@contextmanager
def serving(instrument: ScriptedInstrument) -> Iterator[ScriptedInstrument]:
    """Serve it on a free port of 127.0.0.1."""
    with _Server(("127.0.0.1", 0), _Handler) as server:
        server.instrument = instrument  # type: ignore[attr-defined]
        threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True).start()
        instrument.resource = f"TCPIP0::127.0.0.1::{server.server_address[1]}::SOCKET"
        try:
            yield instrument
        finally:
            server.shutdown()
