"""What a plain word in YAML means: the core schema of YAML 1.2 and nothing of YAML 1.1.

So `on`, `NO`, `12:30:45` and `2026-05-31` are words, `1e-3` is a number, and `010` is ten.
"""

import math
import re

_NULL = re.compile(r"~|null|Null|NULL|")
_BOOL = re.compile(r"true|True|TRUE|false|False|FALSE")
_INT = re.compile(r"[-+]?[0-9]+")
_OCTAL = re.compile(r"0o[0-7]+")
_HEX = re.compile(r"0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[-+]?(\.inf|\.Inf|\.INF)|\.nan|\.NaN|\.NAN")

MOST_DIGITS = 300
"""No quantity needs more, and the language itself refuses to read integers of some thousand digits."""


def resolve(text: str) -> str | int | float | bool | None:
    """Give a plain scalar its value (YAML 1.2.2, section 10.3.2, from memory).

    Raises
    ------
    ValueError
        The text is a number in form, but none that can be used: not finite, or absurdly long.
    """
    if _NULL.fullmatch(text):
        return None
    if _BOOL.fullmatch(text):
        return text.lower() == "true"
    if _NOT_FINITE.fullmatch(text):
        raise ValueError(f"'{text}' is no finite number")
    return _number(text)


def _number(text: str) -> str | int | float:
    forms = ((_INT, 10), (_OCTAL, 8), (_HEX, 16))
    base = next((base for form, base in forms if form.fullmatch(text)), None)
    if base is None and not _FLOAT.fullmatch(text):
        return text
    if len(text) > MOST_DIGITS:
        raise ValueError(f"a number of {len(text)} characters")
    if base is not None:
        # Octal and hexadecimal stand behind a prefix of two characters.
        return int(text if base == 10 else text[2:], base)
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"'{text}' is too large for a number")
    return value
