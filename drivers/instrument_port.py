"""What all drivers share: messages by name through a command map, replies turned into values or into named faults."""

import math
import re

from drivers.command_map import CommandMap
from drivers.errors import NotANumber, Refused
from drivers.link import Link

READ_BACK_TOLERANCE = 1e-3
JOIN = ";:"
"""Joins messages in one line: `;` parts them, `:` goes back to the root of the command tree."""
NUMBER = re.compile(r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?")
# IEEE 488.2 and SCPI write these for `not a number` and `infinity` (from memory).
NO_NUMBERS = (9.91e37, 9.9e37)


class InstrumentPort:
    """One instrument: its link and its command map."""

    def __init__(self, link: Link, command_map: CommandMap) -> None:
        self.link, self.map = link, command_map

    def send(self, name: str, **fill: object) -> None:
        """Send a message and make sure that the instrument took it without an error."""
        message = self.map[name].text(**fill)
        self.link.write(message)
        self.link.check_errors(message)

    def send_all(self, messages: list[tuple[str, dict[str, object]]]) -> None:
        """Send a group of messages and read the error queue once after it."""
        texts = [self.map[name].text(**fill) for name, fill in messages]
        for line in [JOIN.join(texts)] if self.map.joined else texts:
            self.link.write(line)
        self.link.check_errors(JOIN.join(texts))

    def replies(self, queries: list[tuple[str, dict[str, object]]]) -> list[tuple[str, str]]:
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
            raise NotANumber(self.link.resource, line, f"{len(parts)} replies in '{reply}'; allowed: {len(texts)}")
        return list(zip(texts, parts, strict=True))

    def number(self, name: str, **fill: object) -> float:
        """Ask for one number.

        Raises
        ------
        NotANumber
            The reply is none, or one of the values that stand for none.
        """
        message = self.map[name].text(**fill)
        return self.as_number(message, self.link.query(message))

    def numbers(self, name: str, count: int, **fill: object) -> list[float]:
        """Ask for a list of so many numbers."""
        message = self.map[name].text(**fill)
        return self.as_numbers(message, self.link.query(message), count)

    def as_numbers(self, message: str, reply: str, count: int) -> list[float]:
        """Read a list of so many numbers.

        Raises
        ------
        NotANumber
            It holds another number of values, or what is no number.
        """
        values = [self.as_number(message, part) for part in reply.split(",")]
        if len(values) != count:
            raise NotANumber(self.link.resource, message, f"{len(values)} values in '{reply}'; allowed: {count}")
        return values

    def text(self, name: str, **fill: object) -> str:
        """Ask for a text."""
        return self.link.query(self.map[name].text(**fill))

    def set_and_read_back(self, what: str, value: float, **fill: object) -> None:
        """Set a quantity and read it back.

        Raises
        ------
        Refused
            The instrument answers another value: limits would not be what they seem.
        """
        self.send(f"set_{what}", value=f"{value:.9g}", **fill)
        got = self.number(f"read_{what}", **fill)
        if not math.isclose(got, value, rel_tol=READ_BACK_TOLERANCE, abs_tol=1e-9):
            raise Refused(self.link.resource, self.map[f"set_{what}"].text(value=value, **fill), f"reads back {got:g}")

    def as_number(self, message: str, reply: str) -> float:
        """Read one number; NotANumber where it is none."""
        # Not float() alone: it takes `1_0` too.
        if not NUMBER.fullmatch(reply.strip()):
            raise NotANumber(self.link.resource, message, f"'{reply}'; allowed: a number")
        value = float(reply)
        if not math.isfinite(value) or any(math.isclose(abs(value), none) for none in NO_NUMBERS):
            raise NotANumber(self.link.resource, message, f"'{reply}' stands for no number; allowed: a finite number")
        return value
