"""What every simulated instrument does: IEEE 488.2 common commands, status registers and the SCPI error queue."""

from collections import deque
from collections.abc import Callable, Generator, Iterable

from drivers.simulated.scpi_grammar import Call, Command, CommandTree, ScpiError, Unit, number, split_message

QUEUE_LENGTH = 16
WAITING_HEADERS = ("*OPC?", "*WAI")
OPERATION_COMPLETE, EXECUTION, COMMAND, DEVICE, POWER_ON = 1, 16, 32, 8, 128


def _event_bit(code: int) -> int:
    """Return the standard event bit of an error class (SCPI-1999 volume 2, error list)."""
    if -200 < code <= -100:
        return COMMAND
    return EXECUTION if -300 < code <= -200 else DEVICE


class Instrument:
    """One instrument: identity, command tree, status, error queue.

    Parameters
    ----------
    identity
        Reply to `*IDN?`.
    commands
        What it knows besides the common commands.
    reset
        Called by `*RST`.
    settle
        Blocks until all pending operations are done; an instrument without overlapped operations leaves it out.
    busy
        Tells whether an operation is pending, for `*OPC`, `*OPC?` and `*WAI`.
    condition
        Returns the operation status condition register.
    """

    def __init__(
        self,
        identity: str,
        commands: Iterable[Command],
        *,
        reset: Callable[[], None],
        settle: Callable[[], None] = lambda: None,
        busy: Callable[[], bool] = lambda: False,
        condition: Callable[[], int] = lambda: 0,
    ) -> None:
        self.identity = identity
        self.settle = settle
        self._reset, self._busy, self._condition = reset, busy, condition
        self._errors: deque[str] = deque()
        self._event = POWER_ON
        self._event_enable = 0
        self._service_enable = 0
        self._enables = {"OPER": 0, "QUES": 0}
        self._complete_wanted = False
        self._tree = CommandTree([*self._common(), *commands])

    def execute(self, line: str) -> bytes:
        """Carry out one program message and return its response message, empty where it holds no query.

        Waits where the message asks to wait; whoever must not wait takes `steps`.
        """
        steps = self.steps(line)
        while True:
            try:
                next(steps)
            except StopIteration as end:
                return bytes(end.value)
            self.settle()

    def steps(self, line: str) -> Generator[None, None, bytes]:
        """Carry out one program message, yielding as long as it has to wait for a pending operation."""
        replies: list[bytes] = []
        try:
            for unit in split_message(line):
                while unit.header.upper() in WAITING_HEADERS and self._busy():
                    yield
                self._note_completion()
                reply = self._run(unit, has_reply=bool(replies))
                if reply is not None:
                    replies.append(reply if isinstance(reply, bytes) else reply.encode("ascii", "replace"))
        except ScpiError as error:
            self._queue(error)
        return b";".join(replies) + b"\n" if replies else b""

    def _run(self, unit: Unit, *, has_reply: bool) -> str | bytes | None:
        if unit.header.upper() == "*STB?":
            return str(self._status_byte(has_reply=has_reply))
        command, suffixes = self._tree.find(unit.header)
        if len(unit.parameters) < command.least:
            raise ScpiError(-109, unit.header)
        if len(unit.parameters) > command.most:
            raise ScpiError(-108, unit.header)
        return command.handler(Call(suffixes, unit.parameters))

    def _queue(self, error: ScpiError) -> None:
        self._event |= _event_bit(error.code)
        if len(self._errors) >= QUEUE_LENGTH:
            self._errors[-1] = ScpiError(-350).entry()
        else:
            self._errors.append(error.entry())

    def _note_completion(self) -> None:
        if self._complete_wanted and not self._busy():
            self._complete_wanted = False
            self._event |= OPERATION_COMPLETE

    def _status_byte(self, *, has_reply: bool) -> int:
        byte = 4 if self._errors else 0
        byte |= 16 if has_reply else 0
        byte |= 32 if self._event & self._event_enable else 0
        byte |= 128 if self._condition() & self._enables["OPER"] else 0
        return byte | (64 if byte & self._service_enable else 0)

    def _common(self) -> list[Command]:
        def enable(name: str) -> Callable[[Call], None]:
            def store(call: Call) -> None:
                self._enables[name] = int(number(call.parameters[0], "", 0, 65535))

            return store

        none: Callable[[Call], str] = lambda _: "0"  # noqa: E731 - a register that never shows anything
        condition: Callable[[Call], str] = lambda _: str(self._condition())  # noqa: E731
        return [
            Command("*IDN?", lambda _: self.identity),
            Command("*RST", self._on_reset),
            Command("*CLS", self._on_clear),
            Command("*OPC", self._on_complete),
            Command("*OPC?", lambda _: "1"),
            Command("*WAI", lambda _: None),
            Command("*ESR?", self._on_event),
            Command("*ESE", self._on_event_enable, 1, 1),
            Command("*ESE?", lambda _: str(self._event_enable)),
            Command("*SRE", self._on_service_enable, 1, 1),
            Command("*SRE?", lambda _: str(self._service_enable)),
            Command("*TST?", none),
            Command("SYSTem:ERRor[:NEXT]?", lambda _: self._errors.popleft() if self._errors else '0,"No error"'),
            Command("SYSTem:VERSion?", lambda _: "1999.0"),
            Command("STATus:OPERation:CONDition?", condition),
            Command("STATus:OPERation[:EVENt]?", condition),
            Command("STATus:OPERation:ENABle", enable("OPER"), 1, 1),
            Command("STATus:OPERation:ENABle?", lambda _: str(self._enables["OPER"])),
            Command("STATus:QUEStionable:CONDition?", none),
            Command("STATus:QUEStionable[:EVENt]?", none),
            Command("STATus:QUEStionable:ENABle", enable("QUES"), 1, 1),
            Command("STATus:QUEStionable:ENABle?", lambda _: str(self._enables["QUES"])),
            Command("STATus:PRESet", lambda _: self._enables.update(OPER=0, QUES=0)),
        ]

    def _on_reset(self, _: Call) -> None:
        self._complete_wanted = False
        self._reset()

    def _on_clear(self, _: Call) -> None:
        self._errors.clear()
        self._event = 0
        self._complete_wanted = False

    def _on_complete(self, _: Call) -> None:
        self._complete_wanted = True
        self._note_completion()

    def _on_event(self, _: Call) -> str:
        self._note_completion()
        event, self._event = self._event, 0
        return str(event)

    def _on_event_enable(self, call: Call) -> None:
        self._event_enable = int(number(call.parameters[0], "", 0, 255))

    def _on_service_enable(self, call: Call) -> None:
        self._service_enable = int(number(call.parameters[0], "", 0, 255)) & ~64
