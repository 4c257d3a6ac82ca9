"""SCPI program messages: headers in long and short form, the path rule, parameters, blocks.

Follows the syntax chapter of SCPI-1999 volume 1 and IEEE 488.2: a keyword is accepted in exactly its short or exactly
its long form in any case, `;` continues at the parent of the previous header, `:` goes back to the root.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product

ERROR_TEXTS = {
    -101: "Invalid character",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -131: "Invalid suffix",
    -200: "Execution error",
    -211: "Trigger ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
}


class ScpiError(Exception):
    """An error that goes into an instrument's error queue.

    Parameters
    ----------
    code
        One of `ERROR_TEXTS`.
    detail
        What exactly was wrong, appended after a semicolon as SCPI allows.
    """

    def __init__(self, code: int, detail: str = "") -> None:
        super().__init__(code, detail)
        self.code = code
        self.detail = detail

    def entry(self) -> str:
        """Return the queue entry, `code,"text;detail"`."""
        text = ERROR_TEXTS[self.code]
        return f'{self.code},"{text};{self.detail}"' if self.detail else f'{self.code},"{text}"'


@dataclass(frozen=True, slots=True)
class Call:
    """One command as received: numeric suffixes of its header (1 where left out) and its raw parameters."""

    suffixes: tuple[int, ...]
    parameters: tuple[str, ...]


Handler = Callable[[Call], str | bytes | None]


@dataclass(frozen=True, slots=True)
class Command:
    """A header pattern and what it does.

    Parameters
    ----------
    pattern
        Header as manuals print it, upper case marking the short form: `[SOURce:]VOLTage[:LEVel]`; `#` after a keyword
        means that it takes a numeric suffix, a trailing `?` makes it a query.
    handler
        Called with the `Call`; a query returns its reply.
    least, most
        How many parameters are allowed.
    """

    pattern: str
    handler: Handler
    least: int = 0
    most: int = 0


@dataclass(frozen=True, slots=True)
class _Keyword:
    short: str
    long: str
    numbered: bool

    def match(self, word: str) -> int | None:
        """Return the suffix (1 if none) when `word` is this keyword, else None."""
        name, digits = word, ""
        if self.numbered:
            name = word.rstrip("0123456789")
            digits = word[len(name) :]
        if name not in (self.short, self.long):
            return None
        return int(digits) if digits else 1


def _keyword(text: str) -> _Keyword:
    bare = text.removesuffix("#")
    return _Keyword("".join(c for c in bare if not c.islower()), bare.upper(), text.endswith("#"))


def _expand(pattern: str) -> Iterator[tuple[_Keyword, ...]]:
    """Yield every path that the optional parts of a pattern allow."""
    parts = re.findall(r"\[[^\]]*\]|[^\[\]]+", pattern)
    choices = [("", part[1:-1]) if part.startswith("[") else (part,) for part in parts]
    for chosen in product(*choices):
        yield tuple(_keyword(word) for word in "".join(chosen).strip(":").split(":") if word)


class CommandTree:
    """The headers that one instrument knows."""

    def __init__(self, commands: Iterable[Command]) -> None:
        self._paths: list[tuple[tuple[_Keyword, ...], bool, Command]] = []
        for command in commands:
            query = command.pattern.endswith("?")
            for path in _expand(command.pattern.removesuffix("?")):
                self._paths.append((path, query, command))
        self._known: dict[str, tuple[Command, tuple[int, ...]]] = {}

    def find(self, header: str) -> tuple[Command, tuple[int, ...]]:
        """Return the command of a full header and the numeric suffixes of its numbered keywords.

        Raises
        ------
        ScpiError
            -113 where no command has this header.
        """
        key = header.upper()
        if key not in self._known:
            self._known[key] = self._search(key)
        return self._known[key]

    def _search(self, header: str) -> tuple[Command, tuple[int, ...]]:
        query = header.endswith("?")
        words = header.removesuffix("?").split(":")
        for path, is_query, command in self._paths:
            if is_query is query and len(path) == len(words):
                suffixes = [keyword.match(word) for keyword, word in zip(path, words, strict=True)]
                if None not in suffixes:
                    numbered = [s for s, k in zip(suffixes, path, strict=True) if k.numbered and s is not None]
                    return command, tuple(numbered)
        raise ScpiError(-113, header[:40])


_UNIT = re.compile(r"""(?:"[^"]*"|'[^']*'|[^;"'])+""")
_PARAMETER = re.compile(r"""(?:"[^"]*"|'[^']*'|\([^)]*\)|[^,"'(])+""")
_HEADER = re.compile(r"\*[A-Za-z]+\??|:?[A-Za-z]\w*(?::[A-Za-z]\w*)*\??", re.ASCII)


@dataclass(frozen=True, slots=True)
class Unit:
    """One program message unit: full header after the path rule, and raw parameters."""

    header: str
    parameters: tuple[str, ...]


def split_message(line: str) -> Iterator[Unit]:
    """Split a program message into units, each with its header made whole by the path rule.

    Raises
    ------
    ScpiError
        -102 where a unit does not start with a header.
    """
    path: Sequence[str] = ()
    for text in (found.group().strip() for found in _UNIT.finditer(line)):
        if not text:
            continue
        header_match = _HEADER.match(text)
        rest = text[header_match.end() :] if header_match else ""
        if header_match is None or (rest and not rest[0].isspace()):
            raise ScpiError(-102, text[:40])
        header = header_match.group()
        parameters = tuple(found.group().strip() for found in _PARAMETER.finditer(rest.strip()))
        if header.startswith("*"):
            yield Unit(header, parameters)
            continue
        words = header.removeprefix(":").split(":")
        full = words if header.startswith(":") else [*path, *words]
        path = full[:-1]
        yield Unit(":".join(full), parameters)


def number(text: str, unit: str = "", least: float = float("-inf"), most: float = float("inf")) -> float:
    """Read an NRf number, with `unit` as its only allowed suffix.

    Raises
    ------
    ScpiError
        -104 for no number, -131 for another suffix, -222 outside `least` to `most`.
    """
    found = re.fullmatch(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-z]*)", text)
    if found is None:
        raise ScpiError(-104, text[:40])
    if found.group(2).upper() not in ("", unit.upper()):
        raise ScpiError(-131, text[:40])
    value = float(found.group(1))
    if not least <= value <= most:
        raise ScpiError(-222, f"{text[:40]} not in {least:g} to {most:g}")
    return value


def boolean(text: str) -> bool:
    """Read ON, OFF, 1 or 0; raises -224 for anything else."""
    match text.upper():
        case "ON" | "1":
            return True
        case "OFF" | "0":
            return False
        case _:
            raise ScpiError(-224, text[:40])


def quoted(text: str) -> str:
    """Read a quoted string; raises -104 where the quotes are missing."""
    if len(text) < 2 or text[0] not in "\"'" or text[-1] != text[0]:
        raise ScpiError(-104, text[:40])
    return text[1:-1]


def channel_list(text: str) -> list[int]:
    """Read `(@1,3:5)` into [1, 3, 4, 5]; raises -104 for another form."""
    if not re.fullmatch(r"\(@\d+(:\d+)?(,\d+(:\d+)?)*\)", text.replace(" ", "")):
        raise ScpiError(-104, text[:40])
    channels: list[int] = []
    for part in text.replace(" ", "")[2:-1].split(","):
        first, _, last = part.partition(":")
        channels += range(int(first), int(last or first) + 1)
    return channels


def block(raw: bytes) -> bytes:
    """Wrap bytes as an IEEE 488.2 definite-length block."""
    size = str(len(raw)).encode()
    return b"#%d%s%s" % (len(size), size, raw)
