"""Replies as values: text where a number is due, and the numbers that stand for none, are faults."""

import math
import re

from drivers.errors import NotANumber

NUMBER = re.compile(r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?")
# SCPI-1999 writes these for `not a number` and `infinity` (the second from memory).
NO_NUMBERS = (9.91e37, 9.9e37)
BOOLEANS = {"1": True, "0": False, "ON": True, "OFF": False}


def as_number(resource: str, message: str, reply: str) -> float:
    """Read one finite number.

    Raises
    ------
    NotANumber
        The reply is none, or one of the values that stand for none.
    """
    # Not float() alone: it takes `1_0` too.
    if not NUMBER.fullmatch(reply.strip()):
        raise NotANumber(resource, message, f"'{reply}'; allowed: a number")
    value = float(reply)
    if not math.isfinite(value) or any(math.isclose(abs(value), none) for none in NO_NUMBERS):
        raise NotANumber(resource, message, f"'{reply}' stands for no number; allowed: a finite number")
    return value


def as_integer(resource: str, message: str, reply: str) -> int:
    """Read one whole number, in whatever form it is written.

    Raises
    ------
    NotANumber
        The reply is no number, or not a whole one.
    """
    value = as_number(resource, message, reply)
    if value != int(value):
        raise NotANumber(resource, message, f"'{reply}'; allowed: a whole number")
    return int(value)


def as_boolean(resource: str, message: str, reply: str) -> bool:
    """Read one Boolean: 1, 0, or the words that some instruments answer.

    Raises
    ------
    NotANumber
        The reply is neither.
    """
    value = BOOLEANS.get(reply.strip().removeprefix("+").upper())
    if value is None:
        raise NotANumber(resource, message, f"'{reply}'; allowed: {', '.join(BOOLEANS)}")
    return value
