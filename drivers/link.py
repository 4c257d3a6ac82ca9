"""A link to one instrument: every fault has a name, and the first one is the last.

A link is opened once. After any fault it is closed for good: a late reply that stayed in the stream would shift every
later reading by one. A new link is made only when the bench is opened again, and compares identities first.
"""

import contextlib
import hashlib
import threading
from collections.abc import Callable
from typing import TypeVar

from drivers.errors import BenchFault, InstrumentError, LinkDown, LinkTimeout, ShortBlock, WrongIdentity
from drivers.session import GONE, Session

TIMEOUT_S = 0.5
"""Longest silence while a reply is due, in real time, where the bench's clock sets no shorter one."""
MOST_ERRORS = 20
LARGEST_BLOCK_BYTES = 1 << 28
NEVER_OPENED = "never opened"
NEXT_ERROR = "SYST:ERR?"

Told = Callable[[str, str], None]
"""Called with ("to", "from" or "closed", text) for each message; a block is told as its length and digest."""
Reply = TypeVar("Reply")


class Link:
    """A session with an instrument; a query is one locked unit.

    Parameters
    ----------
    resource
        VISA resource name.
    told
        Called for each message.
    role
        What the bench file calls the instrument: a person knows it by that, not by its address.
    timeout_s
        Longest silence while a reply is due, in real time [s].
    last_words
        Sent, without waiting for anything, when a fault other than silence closes the link: what takes the
        instrument's output away.
    """

    def __init__(
        self,
        resource: str,
        told: Told | None = None,
        *,
        role: str = "",
        timeout_s: float = TIMEOUT_S,
        last_words: str = "",
    ) -> None:
        self._address, self._told, self._timeout_s = resource, told, timeout_s
        self.resource = f"{role.replace('_', ' ')} at {resource}" if role else resource
        self._last_words = last_words
        self._lock = threading.RLock()
        self._session: Session | None = None
        self._identified = False
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
                self._session = Session(self._address, self._timeout_s)
            except OSError as error:
                self._why_closed = f"could not be opened: {error}"
                raise LinkDown(self.resource, "open", self._why_closed) from error
            reply = self.query("*IDN?")
            if identity is not None and tuple(field.strip() for field in reply.split(","))[:3] != identity:
                said = f"'{reply}' answers; allowed: {','.join(identity)}"
                raise self.give_up(WrongIdentity(self.resource, "*IDN?", said))
            self._identified = True
            self.write("*CLS")
            return reply

    def keep_within(self, timeout_s: float, meanwhile: Callable[[], None] | None = None) -> None:
        """From now on a reply may take so long [s of real time]; `meanwhile` is called again and again while it is due.

        What `meanwhile` raises ends the wait and closes the link, for the reply may still come.
        """
        with self._lock:
            if self._session is not None:
                self._session.keep_within(timeout_s, meanwhile)

    def demand_alive(self) -> None:
        """Make sure that the peer has not gone, without sending anything.

        Raises
        ------
        LinkDown
            It has, or the link was closed before.
        """
        with self._lock:
            if self._session is None:
                raise LinkDown(self.resource, "link", f"the link is closed ({self._why_closed})")
            if self._session.gone():
                raise self.give_up(LinkDown(self.resource, "link", GONE))

    def query(self, message: str) -> str:
        """Send a query and return its reply without the terminator."""

        def ask(session: Session) -> str:
            session.write(message)
            return session.read_line()

        reply = self._carried_out(message, ask)
        self._tell("from", reply)
        return reply

    def write(self, message: str) -> None:
        """Send a message that has no reply."""
        self._carried_out(message, lambda session: session.write(message))

    def query_block(self, message: str, *, terminator: bool = True) -> bytes:
        """Send a query whose reply is a definite-length block, and return the block's bytes.

        Raises
        ------
        ShortBlock
            The header or the end is not that of a definite-length block, or it ends before.
        """

        def ask(session: Session) -> bytes:
            session.write(message)
            with session.binary():
                return self._read_block(session, message, terminator=terminator)

        raw = self._carried_out(message, ask)
        if self._told is not None:
            self._tell("from", f"block of {len(raw)} bytes sha256:{hashlib.sha256(raw).hexdigest()}")
        return raw

    def check_errors(self, after: str, query: str = NEXT_ERROR) -> None:
        """Read the error queue until it is empty.

        Raises
        ------
        InstrumentError
            It held something.
        """
        errors: list[str] = []
        for _ in range(MOST_ERRORS):
            reply = self.query(query)
            if _error_number(reply) == 0:
                break
            errors.append(reply)
        if errors:
            raise self.give_up(InstrumentError(self.resource, after, "; ".join(errors)))

    def give_up(self, fault: BenchFault) -> BenchFault:
        """Close the link for good because of a fault, and return the fault to be raised."""
        with self._lock:
            # A supply that answers nonsense still hears. A silent one might obey late, in the next run: its relay in
            # series and the dead-man relay take the output away.
            heard = self._identified and not isinstance(fault, LinkTimeout)
            if self._session is not None and heard and self._last_words:
                with contextlib.suppress(Exception):
                    self._session.write(self._last_words)
                    self._tell("to", self._last_words)
            self._drop(fault.reply)
        return fault

    def close(self) -> None:
        """Close the session; never raises, and closing twice is fine."""
        self._drop("closed")

    # -- inside ------------------------------------------------------------------------------------------------------

    def _carried_out(self, message: str, act: Callable[[Session], Reply]) -> Reply:
        with self._lock:
            session = self._session
            if session is None:
                raise LinkDown(self.resource, message, f"the link is closed ({self._why_closed})")
            if why := session.unfit():
                raise self.give_up(LinkDown(self.resource, message, why))
            self._tell("to", message)
            try:
                return act(session)
            except ShortBlock as fault:
                raise self.give_up(fault) from fault.__cause__
            except TimeoutError as error:
                raise self.give_up(LinkTimeout(self.resource, message, "no answer in time")) from error
            except (OSError, ValueError) as error:
                raise self.give_up(LinkDown(self.resource, message, f"connection lost: {error}")) from error
            except BaseException:
                # Cut short by a person or a program's end: a reply may be on its way, so nothing may follow.
                self._drop("interrupted")
                raise

    def _read_block(self, session: Session, message: str, *, terminator: bool) -> bytes:
        head = session.read_exactly(2)
        if head[:1] != b"#" or not b"1" <= head[1:2] <= b"9":
            raise ShortBlock(self.resource, message, f"starts with {head!r}; allowed: a definite-length block")
        try:
            digits = session.read_exactly(int(head[1:2]))
            if not digits.isdigit() or int(digits) > LARGEST_BLOCK_BYTES:
                said = f"length {digits!r}; allowed: digits, up to {LARGEST_BLOCK_BYTES}"
                raise ShortBlock(self.resource, message, said)
            length = int(digits)
            raw = session.read_exactly(length + terminator)
        except (TimeoutError, ConnectionError) as error:
            raise ShortBlock(self.resource, message, str(error)) from error
        if terminator and raw[length:] != b"\n":
            raise ShortBlock(self.resource, message, f"ends with {raw[length:]!r}; allowed: a newline")
        return raw[:length]

    def _drop(self, why: str) -> None:
        with self._lock:
            session, self._session = self._session, None
            if session is None:
                return
            self._why_closed = why
            session.close()
            # Whoever is told may fail; closing may not.
            with contextlib.suppress(Exception):
                self._tell("closed", why)

    def _tell(self, way: str, text: str) -> None:
        if self._told is not None:
            self._told(way, text)


def _error_number(reply: str) -> int | None:
    """Return the number that an error queue's entry starts with; None where there is none."""
    try:
        return int(reply.split(",", 1)[0])
    except ValueError:
        return None
