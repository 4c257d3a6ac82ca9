"""A VISA session as bytes in and out, with the traps of sockets answered.

Opening has a deadline, a peer that has gone is seen at once, and what waits unread is told. The two private names of pyvisa-py that this takes (`sessions`, `_pending_buffer`) are why its version is pinned.
"""

import contextlib
import queue
import select
import socket
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

OPEN_TIMEOUT_S = 1.0
CHUNK_BYTES = 1 << 17
SLICE_S = 0.005
"""Whoever is called meanwhile is called this often while a reply is due."""
SLOWEST_BYTES_PER_S = 1e6
"""A long reply may take its length at this rate on top of the timeout."""
SHOWN_BYTES = 20
GONE = "the instrument closed the connection"
UNREAD = "unread bytes of an earlier reply"

_manager_lock = threading.Lock()
_manager: list[Any] = []


def _resource_manager() -> Any:
    """One manager per process; closing it anywhere would kill every session, so nobody does."""
    with _manager_lock:
        if not _manager:
            import pyvisa

            _manager.append(pyvisa.ResourceManager("@py"))
        return _manager[0]


class Session:
    """One open VISA session.

    Every method but `close` raises TimeoutError for silence, ConnectionError for a peer that has gone, and another
    OSError or ValueError for the rest.

    Parameters
    ----------
    resource
        VISA resource name.
    timeout_s
        Longest silence while a reply is due, in real time [s].
    """

    def __init__(self, resource: str, timeout_s: float) -> None:
        self._timeout_s = timeout_s
        self._meanwhile: Callable[[], None] | None = None
        self._visa = _opened(resource, timeout_s)
        self._inner = getattr(self._visa.visalib, "sessions", {}).get(self._visa.session)
        connection = getattr(self._inner, "interface", None)
        self._socket = connection if isinstance(connection, socket.socket) else None
        if self._socket is not None:
            # Small messages must not wait for each other (Nagle's algorithm): a dead-man kick would come late.
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def keep_within(self, timeout_s: float, meanwhile: Callable[[], None] | None) -> None:
        """Change the longest silence [s], and who is called while it lasts."""
        self._timeout_s, self._meanwhile = timeout_s, meanwhile
        self._visa.timeout = max(1, round(timeout_s * 1000))

    def unfit(self) -> str:
        """Say why nothing may be sent: a peer that has gone, or bytes of an old reply; nothing if all is well."""
        if self._socket is None:
            return ""
        if self._pending():
            return UNREAD
        try:
            return UNREAD if self._socket.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT) else GONE
        except BlockingIOError:
            return ""
        except OSError as error:
            return f"connection lost: {error}"

    def gone(self) -> bool:
        """Tell whether the peer has closed the connection; what waits unread is left."""
        if self._socket is None:
            return False
        try:
            return not self._socket.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT)
        except BlockingIOError:
            return False
        except OSError:
            return True

    def write(self, text: str) -> None:
        """Send one line."""
        with _plain_errors():
            self._visa.write(text)

    def read_line(self) -> str:
        """Read one line of text, without its end."""
        with _plain_errors():
            # The library would spin on a closed connection until its timeout, so it reads only what has come.
            self._await_bytes(self._timeout_s)
            raw: bytes = self._visa.read_raw()
        try:
            return raw.rstrip(b"\r\n").decode("ascii")
        except UnicodeDecodeError:
            raise ValueError(f"bytes that are no text: {raw[:SHOWN_BYTES].hex(' ')}") from None

    @contextlib.contextmanager
    def binary(self) -> Iterator[None]:
        """Read newlines as any other byte while this lasts."""
        import pyvisa

        ends_at_newline = pyvisa.constants.ResourceAttribute.termchar_enabled
        self._visa.set_visa_attribute(ends_at_newline, False)  # noqa: FBT003 - VISA's own call
        yield
        self._visa.set_visa_attribute(ends_at_newline, True)  # noqa: FBT003 - VISA's own call

    def read_exactly(self, count: int) -> bytes:
        """Read so many bytes; the error of a reply that ends before says how many came."""
        read = bytearray()
        until_s = time.monotonic() + self._timeout_s + count / SLOWEST_BYTES_PER_S
        while len(read) < count:
            came = f"{len(read)} of {count} bytes came, then "
            try:
                with _plain_errors():
                    ready = self._await_bytes(min(self._timeout_s, until_s - time.monotonic())) or count
                    read += self._visa.read_bytes(min(ready, count - len(read)), chunk_size=CHUNK_BYTES)
            except TimeoutError:
                raise TimeoutError(f"{came}nothing in time") from None
            except ConnectionError as error:
                raise ConnectionError(f"{came}{error}") from None
        return bytes(read)

    def close(self) -> None:
        """Close; never raises."""
        with contextlib.suppress(Exception):
            self._visa.close()

    def _pending(self) -> int:
        return len(getattr(self._inner, "_pending_buffer", b""))

    def _await_bytes(self, timeout_s: float) -> int:
        """Wait for bytes and return how many can be read at once; 0 where the transport cannot tell."""
        if self._socket is None or self._pending():
            return self._pending()
        if timeout_s < 0 or not self._comes_within(self._socket, timeout_s):
            raise TimeoutError("no answer in time")
        waiting = len(self._socket.recv(CHUNK_BYTES, socket.MSG_PEEK))
        if not waiting:
            raise ConnectionError(GONE)
        return waiting

    def _comes_within(self, connection: socket.socket, timeout_s: float) -> bool:
        if self._meanwhile is None:
            return bool(select.select([connection], [], [], timeout_s)[0])
        until_s = time.monotonic() + timeout_s
        while (left_s := until_s - time.monotonic()) > 0:
            if select.select([connection], [], [], min(left_s, SLICE_S))[0]:
                return True
            self._meanwhile()
        # What came while somebody else had the word is here all the same.
        return bool(select.select([connection], [], [], 0)[0])


def _opened(resource: str, timeout_s: float) -> Any:
    """Open in a thread that can be left behind: some transports and name servers keep no deadline of their own."""
    answer: queue.SimpleQueue[Any] = queue.SimpleQueue()
    left_behind = threading.Event()

    def work() -> None:
        try:
            session = _resource_manager().open_resource(
                resource,
                open_timeout=int(OPEN_TIMEOUT_S * 1000),
                timeout=int(timeout_s * 1000),
                read_termination="\n",
                write_termination="\n",
            )
        except Exception as error:  # noqa: BLE001 - pyvisa-py raises plain Exception here; the caller names it
            answer.put(error)
            return
        answer.put(session)
        if left_behind.is_set():
            session.close()

    threading.Thread(target=work, daemon=True).start()
    try:
        # Half as long again: where the library does keep its deadline, its own words are better.
        opened = answer.get(timeout=OPEN_TIMEOUT_S * 1.5)
    except queue.Empty:
        left_behind.set()
        raise TimeoutError(f"did not open within {OPEN_TIMEOUT_S * 1.5:g} s") from None
    if isinstance(opened, Exception):
        raise ConnectionError(str(opened)) from opened
    return opened


@contextlib.contextmanager
def _plain_errors() -> Iterator[None]:
    """Turn the library's errors into TimeoutError and ConnectionError."""
    import pyvisa

    try:
        yield
    except pyvisa.errors.VisaIOError as error:
        if error.error_code == pyvisa.constants.StatusCode.error_timeout:
            raise TimeoutError("no answer in time") from error
        raise ConnectionError(str(error)) from error
    except (pyvisa.errors.Error, RuntimeError, TypeError) as error:
        # What a session closed by another thread raises, and what other transports do when their peer is gone.
        raise ConnectionError(str(error)) from error
