"""One VISA session to one instrument, with the traps of sockets answered.

A link is opened once. After any fault it is closed for good: a late reply that stayed in the stream would shift every
later reading by one. A new link is made only when the bench is opened again, and compares identities first.
"""

import contextlib
import socket
import threading
from collections.abc import Callable
from typing import Any

from drivers.errors import InstrumentError, LinkDown, LinkTimeout, ShortBlock, WrongIdentity

OPEN_TIMEOUT_MS = 1000
QUERY_TIMEOUT_MS = 500
BLOCK_TIMEOUT_MS = 2000
CHUNK_BYTES = 1 << 17
MOST_ERRORS = 20
LARGEST_BLOCK_BYTES = 1 << 28
NEVER_OPENED = "never opened"

Traffic = Callable[[str, str, str], None]
"""Called with (resource, "to" or "from", text) for each message; a block is told as its length."""

_manager_lock = threading.Lock()
_manager: list[Any] = []


def _resource_manager() -> Any:
    """One manager per process; closing it anywhere would kill every session, so nobody does."""
    with _manager_lock:
        if not _manager:
            import pyvisa

            _manager.append(pyvisa.ResourceManager("@py"))
        return _manager[0]


class Link:
    """A session; a query is one locked unit."""

    def __init__(self, resource: str, traffic: Traffic | None = None, *, role: str = "") -> None:
        self._address = resource
        # What every fault names: a person knows the instrument by its role, not by its address.
        self.resource = f"{role.replace('_', ' ')} at {resource}" if role else resource
        self._traffic = traffic
        self._lock = threading.RLock()
        self._session: Any = None
        self._why_closed = NEVER_OPENED

    def open(self, identity: tuple[str, str, str] | None) -> str:
        """Open the session, compare the identity and clear old errors; return the whole `*IDN?` reply.

        Parameters
        ----------
        identity
            Maker, model and serial number that must answer; None to take any.

        Raises
        ------
        LinkDown, LinkTimeout
            Nothing listens, nothing answers, or this link was open before: after a fault only a new one will do.
        WrongIdentity
            Another instrument answers.
        """
        with self._lock:
            if self._session is not None or self._why_closed != NEVER_OPENED:
                state = "open" if self._session is not None else f"closed ({self._why_closed})"
                raise LinkDown(self.resource, "open", f"the link is {state}; allowed: once per link")
            try:
                self._session = _resource_manager().open_resource(
                    self._address,
                    open_timeout=OPEN_TIMEOUT_MS,
                    timeout=QUERY_TIMEOUT_MS,
                    read_termination="\n",
                    write_termination="\n",
                )
            except Exception as error:  # pyvisa-py raises plain Exception here
                self._why_closed = f"could not be opened: {error}"
                raise LinkDown(self.resource, "open", self._why_closed) from error
            self._send_at_once()
            reply = self.query("*IDN?")
            if identity is not None:
                self._compare(identity, reply)
            self.write("*CLS")
            return reply

    def _send_at_once(self) -> None:
        """Small messages must not wait for each other (Nagle's algorithm): a dead-man kick would come late."""
        connection = self._socket()
        if connection is not None:
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _socket(self) -> socket.socket | None:
        """Return the session's socket, None for other transports; a private name of pyvisa-py, so its version is pinned."""
        session = self._session.visalib.sessions.get(self._session.session)
        connection = getattr(session, "interface", None)
        return connection if isinstance(connection, socket.socket) else None

    def _compare(self, wanted: tuple[str, str, str], reply: str) -> None:
        fields = tuple(f.strip() for f in reply.split(","))
        if fields[:3] != wanted:
            self._drop(f"wrong identity {reply}")
            raise WrongIdentity(self.resource, "*IDN?", f"'{reply}' answers; allowed: {','.join(wanted)}")

    def query(self, message: str) -> str:
        """Send a query and return its reply without the terminator."""
        return str(self._locked(message, lambda s: s.query(message)))

    def write(self, message: str) -> None:
        """Send a message that has no reply."""
        self._locked(message, lambda s: s.write(message))

    def query_block(self, message: str, *, terminator: bool = True) -> bytes:
        """Send a query whose reply is a definite-length block, and return the block's bytes.

        Raises
        ------
        ShortBlock
            The header or the end is not that of a definite-length block.
        """
        return bytes(self._locked(message, lambda s: self._read_block(s, message, terminator=terminator)))

    def check_errors(self, after: str) -> None:
        """Read the error queue until it is empty.

        Raises
        ------
        InstrumentError
            It held something.
        """
        errors: list[str] = []
        for _ in range(MOST_ERRORS):
            reply = self.query("SYST:ERR?")
            if _error_number(reply) == 0:
                break
            errors.append(reply)
        if errors:
            self._drop(f"reported {errors[0]}")
            raise InstrumentError(self.resource, after, "; ".join(errors))

    def close(self) -> None:
        """Close the session; never raises, and closing twice is fine."""
        self._drop("closed")

    # -- inside ------------------------------------------------------------------------------------------------------

    def _locked(self, message: str, act: Callable[[Any], Any]) -> Any:
        import pyvisa

        with self._lock:
            if self._session is None:
                raise LinkDown(self.resource, message, f"the link is closed ({self._why_closed})")
            self._refuse_unfit(message)
            self._tell("to", message)
            try:
                reply = act(self._session)
            except pyvisa.errors.VisaIOError as error:
                late = error.error_code == pyvisa.constants.StatusCode.error_timeout
                self._drop("no answer in time" if late else str(error))
                kind = LinkTimeout if late else LinkDown
                raise kind(self.resource, message, "no answer in time" if late else str(error)) from error
            except ShortBlock:
                self._drop("short block")
                raise
            except (OSError, RuntimeError, ValueError, TypeError, pyvisa.errors.Error) as error:
                self._drop(str(error))
                raise LinkDown(self.resource, message, f"connection lost: {error}") from error
            if isinstance(reply, str):
                self._tell("from", reply)
            elif isinstance(reply, bytes):
                self._tell("from", f"block of {len(reply)} bytes")
            return reply

    def _refuse_unfit(self, message: str) -> None:
        """Before each command: a peer that has gone, or bytes of an old reply, make the session unfit.

        pyvisa-py would spin until the timeout on a closed peer and would take an old reply for the new one, so its
        socket is looked at; the two private names are why its version is pinned.
        """
        connection = self._socket()
        if connection is None:
            return
        session = self._session.visalib.sessions.get(self._session.session)
        why = ""
        if getattr(session, "_pending_buffer", b""):
            why = "unread bytes of an earlier reply"
        else:
            try:
                waiting = connection.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT)
                why = "unread bytes of an earlier reply" if waiting else "the instrument closed the connection"
            except BlockingIOError:
                return
            except OSError as error:
                why = f"connection lost: {error}"
        self._drop(why)
        raise LinkDown(self.resource, message, why)

    def _read_block(self, session: Any, message: str, *, terminator: bool) -> bytes:
        import pyvisa

        termination = pyvisa.constants.ResourceAttribute.termchar_enabled
        session.write(message)
        # Sample bytes may be newlines.
        session.set_visa_attribute(termination, False)  # noqa: FBT003 - VISA's own call
        session.timeout = BLOCK_TIMEOUT_MS
        head = session.read_bytes(2)
        if head[:1] != b"#" or not b"1" <= head[1:2] <= b"9":
            raise ShortBlock(self.resource, message, f"starts with {head!r}; allowed: a definite-length block")
        digits = session.read_bytes(int(head[1:2]))
        if not digits.isdigit() or int(digits) > LARGEST_BLOCK_BYTES:
            raise ShortBlock(self.resource, message, f"length {digits!r}; allowed: digits, up to {LARGEST_BLOCK_BYTES}")
        length = int(digits)
        raw: bytes = session.read_bytes(length + terminator, chunk_size=CHUNK_BYTES)
        if terminator and raw[length:] != b"\n":
            raise ShortBlock(self.resource, message, f"ends with {raw[length:]!r}; allowed: a newline")
        session.timeout = QUERY_TIMEOUT_MS
        session.set_visa_attribute(termination, True)  # noqa: FBT003 - VISA's own call
        return raw[:length]

    def _drop(self, why: str) -> None:
        with self._lock:
            session, self._session = self._session, None
            if session is None:
                return
            self._why_closed = why
            with contextlib.suppress(Exception):
                session.close()

    def _tell(self, way: str, text: str) -> None:
        if self._traffic is not None:
            self._traffic(self._address, way, text)


def _error_number(reply: str) -> int | None:
    """Return the number that an error queue's entry starts with; None where there is none."""
    try:
        return int(reply.split(",", 1)[0])
    except ValueError:
        return None
