"""What all drivers share: messages by name through a command map, replies turned into values or into named faults."""

import math
from collections.abc import Callable, Sequence
from typing import TypeVar

from drivers import replies
from drivers.command_map import CommandMap
from drivers.errors import NotANumber, Refused
from drivers.link import Link

READ_BACK_TOLERANCE = 1e-3
JOIN = ";:"
"""Joins messages in one line: `;` parts them, `:` goes back to the root of the command tree."""

Value = TypeVar("Value")
Named = tuple[str, dict[str, object]]
"""A message by name, and what fills its placeholders."""


class InstrumentPort:
    """One instrument: its link and its command map."""

    def __init__(self, link: Link, command_map: CommandMap) -> None:
        self.link, self.map = link, command_map

    def send(self, name: str, **fill: object) -> None:
        """Send a message and make sure that the instrument took it without an error."""
        self.send_all([(name, fill)])

    def send_all(self, messages: Sequence[Named]) -> None:
        """Send a group of messages and read the error queue once after it."""
        texts = [self.map[name].text(**fill) for name, fill in messages]
        for line in [JOIN.join(texts)] if self.map.joined else texts:
            self.link.write(line)
        self.link.check_errors(JOIN.join(texts), self.map.next_error)

    def number(self, name: str, **fill: object) -> float:
        """Ask for one number.

        Raises
        ------
        NotANumber
            The reply is none, or one of the values that stand for none.
        """
        return self.numbers_of([(name, fill)])[0]

    def numbers_of(self, queries: Sequence[Named]) -> list[float]:
        """Ask for several numbers, in one line where the instrument takes that.

        Raises
        ------
        NotANumber
            Not as many replies came back as queries were sent, or one is no number.
        """
        asked = self.texts_of(queries)
        return [
            self.read(replies.as_number, message, reply) / self.map[name].factor
            for (name, _), (message, reply) in zip(queries, asked, strict=True)
        ]

    def integer(self, name: str, **fill: object) -> int:
        """Ask for one whole number; NotANumber where the reply is none."""
        message = self.map[name].text(**fill)
        return self.read(replies.as_integer, message, self.link.query(message))

    def boolean(self, name: str, **fill: object) -> bool:
        """Ask for one Boolean; NotANumber where the reply is none."""
        message = self.map[name].text(**fill)
        return self.read(replies.as_boolean, message, self.link.query(message))

    def booleans(self, message: str, reply: str, count: int) -> list[bool]:
        """Read a list of so many Booleans.

        Raises
        ------
        NotANumber
            It holds another number of values, or what is no Boolean.
        """
        values = [self.read(replies.as_boolean, message, part) for part in reply.split(",")]
        if len(values) != count:
            raise self._no_number(message, f"{len(values)} values in '{reply}'; allowed: {count}")
        return values

    def text(self, name: str, **fill: object) -> str:
        """Ask for a text."""
        return self.link.query(self.map[name].text(**fill))

    def texts_of(self, queries: Sequence[Named]) -> list[tuple[str, str]]:
        """Ask several queries, in one line where the instrument takes that, and return (message, reply) of each.

        Raises
        ------
        NotANumber
            Not as many replies came back as queries were sent.
        """
        texts = [self.map[name].text(**fill) for name, fill in queries]
        if not self.map.joined:
            return [(text, self.link.query(text)) for text in texts]
        line = JOIN.join(texts)
        reply = self.link.query(line)
        parts = reply.split(";")
        if len(parts) != len(texts):
            raise self._no_number(line, f"{len(parts)} replies in '{reply}'; allowed: {len(texts)}")
        return list(zip(texts, parts, strict=True))

    def set_and_read_back(self, what: str, value: float, **fill: object) -> None:
        """Set a quantity and read it back.

        Raises
        ------
        Refused
            The instrument answers another value: limits would not be what they seem.
        """
        self.send(f"set_{what}", value=value, **fill)
        got = self.number(f"read_{what}", **fill)
        if not math.isclose(got, value, rel_tol=READ_BACK_TOLERANCE, abs_tol=1e-9):
            message = self.map[f"set_{what}"].text(value=value, **fill)
            raise Refused(self.link.resource, message, f"reads back {got:g}; allowed: {value:g}")

    def read(self, kind: Callable[[str, str, str], Value], message: str, reply: str) -> Value:
        """Read a reply as a kind of value; where it is none, the link is closed."""
        try:
            return kind(self.link.resource, message, reply)
        except NotANumber as fault:
            raise self.link.give_up(fault) from None

    def _no_number(self, message: str, said: str) -> Exception:
        return self.link.give_up(NotANumber(self.link.resource, message, said))
