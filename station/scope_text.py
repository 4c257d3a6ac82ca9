"""Tables of numbers as scopes write them: any delimiter, point or comma, with or without a preamble, headings and units.

What a file is like is found from its last lines, where every scope writes nothing but samples: each of the marks below
leaves at most one way to read a line as two or more whole numbers.
"""

import codecs
import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from station.exit_codes import BadInput

Delimiter = Literal["comma", "semicolon", "tab", "space"]
Decimal = Literal["point", "comma"]

DELIMITERS: dict[Delimiter, str | None] = {"comma": ",", "semicolon": ";", "tab": "\t", "space": None}
WAYS: tuple[tuple[Delimiter, Decimal], ...] = (
    ("semicolon", "comma"),
    ("semicolon", "point"),
    ("tab", "comma"),
    ("tab", "point"),
    ("comma", "point"),
    ("space", "comma"),
    ("space", "point"),
)
LOOKED_AT = 60
"""Lines at the end from which the form is found."""
LEAST_ROWS = 8
NUMBER = re.compile(r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?")
UNIT = re.compile(r"\s*[\[(]\s*([^\[\]()]*?)\s*[\])]\s*$")


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Columns of numbers, shape (rows, columns), with their headings and units, empty where the file states none."""

    headings: tuple[str, ...]
    units: tuple[str, ...]
    data: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Form:
    """How the lines of a file are to be read; `kept` are the fields that hold numbers."""

    delimiter: Delimiter
    decimal: Decimal
    kept: tuple[int, ...]

    def fields(self, line: str) -> list[str]:
        mark = DELIMITERS[self.delimiter]
        if mark is None:
            return line.split()
        return [field.strip() for field in next(csv.reader([line], delimiter=mark), [])]

    def numbers(self, line: str) -> list[float] | None:
        """Return the numbers of a line, None where a field that should hold one does not."""
        fields = self.fields(line)
        if len(fields) <= self.kept[-1]:
            return None
        texts = [_plain(fields[i], self.decimal) for i in self.kept]
        return [float(t) for t in texts] if all(t is not None and NUMBER.fullmatch(t) for t in texts) else None  # type: ignore[arg-type]


def read_table(path: Path, delimiter: Delimiter | None = None, decimal: Decimal | None = None) -> Table:
    """Read a text file of samples.

    Parameters
    ----------
    delimiter, decimal
        As stated by whoever knows the file; None to find out.

    Raises
    ------
    BadInput
        The file cannot be read, holds no columns of numbers, or has a line in the middle that is no row of numbers; the
        message names file and line.
    """
    lines = _lines(path)
    form = _form(path, lines, delimiter, decimal)
    start = next(i for i in range(len(lines)) if _begins(lines, i, form))
    headings, units = _headings(lines[:start], form)
    return Table(headings, units, _data(path, lines, start, form))


def _data(path: Path, lines: Sequence[str], start: int, form: _Form) -> NDArray[np.float64]:
    """Read all samples at once; only where that fails, line by line to find the one that is wrong."""
    rows = lines[start:]
    if form.decimal == "comma":
        rows = [row.replace(",", ".") for row in rows]
    try:
        data = np.loadtxt(rows, delimiter=DELIMITERS[form.delimiter], usecols=form.kept, comments=None, ndmin=2)
    except ValueError:
        data = np.empty(0)
    if data.shape[0] == len(rows) and np.isfinite(data).all():
        return np.asarray(data, dtype=np.float64)
    each = [form.numbers(line) for line in lines[start:]]
    wrong = next((i for i, row in enumerate(each) if row is None), None)
    if wrong is not None:
        said = lines[start + wrong][:40]
        raise BadInput(
            f"{path}, line {start + wrong + 1}: '{said}' is no row of {len(form.kept)} numbers; "
            "allowed: finite numbers to the last line"
        )
    return np.array(each, dtype=np.float64)


def _lines(path: Path) -> list[str]:
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise BadInput(f"{path} cannot be read: {error.strerror}; allowed: a file of samples") from None
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        text = raw.decode("utf-16", errors="replace")
    else:
        try:
            text = raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            # Headings only: numbers are the same in every encoding that scopes use.
            text = raw.decode("latin-1")
    lines = text.splitlines()
    while lines and not lines[-1].strip(" \t;,"):
        lines.pop()
    return lines


def _form(path: Path, lines: Sequence[str], delimiter: Delimiter | None, decimal: Decimal | None) -> _Form:
    ways = [w for w in WAYS if delimiter in (None, w[0]) and decimal in (None, w[1])]
    if delimiter == "comma" and decimal == "comma":
        raise BadInput(f"{path}: comma cannot be delimiter and decimal mark at once; allowed: one of both")
    tail = [line for line in lines[-LOOKED_AT:] if line.strip()]
    if len(tail) < LEAST_ROWS:
        raise BadInput(f"{path} has {len(tail)} lines; allowed: columns of samples, {LEAST_ROWS} rows at least")
    form = next((f for f in (_fitting(tail[len(tail) // 2 :], *way) for way in ways) if f is not None), None)
    if form is None:
        raise BadInput(
            f"{path}, line {len(lines)}: '{tail[-1][:40]}' is no row of two or more numbers; allowed: text columns of time and volts"
        )
    return form


def _fitting(tail: Sequence[str], delimiter: Delimiter, decimal: Decimal) -> _Form | None:
    """Return the form if in every line the same fields, two or more, hold numbers and all others are empty."""
    bare = _Form(delimiter, decimal, (0,))
    split = [bare.fields(line) for line in tail]
    width = max(len(fields) for fields in split)
    padded = [fields + [""] * (width - len(fields)) for fields in split]
    kept = tuple(i for i in range(width) if all(row[i] for row in padded))
    others = any(row[i] for row in padded for i in range(width) if i not in kept)
    if len(kept) < 2 or others:
        return None
    form = _Form(delimiter, decimal, kept)
    return form if all(form.numbers(line) is not None for line in tail) else None


def _plain(field: str, decimal: Decimal) -> str | None:
    """Return a number with a decimal point, None where the other mark stands in it."""
    if decimal == "point":
        return None if "," in field else field
    return None if "." in field else field.replace(",", ".")


def _begins(lines: Sequence[str], at: int, form: _Form) -> bool:
    """Whether samples begin here: this line and the next few are rows of numbers."""
    return all(form.numbers(line) is not None for line in lines[at : at + LEAST_ROWS // 2])


def _headings(preamble: Sequence[str], form: _Form) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Take the last line of the preamble that has a word for every column, and units beside or below it."""
    words = [_words(line, form) for line in preamble]
    full = [w for w in words if w is not None]
    if not full:
        return ("",) * len(form.kept), ("",) * len(form.kept)
    last = full[-1]
    before = full[-2] if len(full) > 1 and words[-2:] == full[-2:] else None
    if before is not None and all(UNIT.fullmatch(w) or w in UNIT_WORDS for w in last):
        return before, tuple(_bare_unit(w) for w in last)
    units = [UNIT.search(w) for w in last]
    names = tuple(w[: u.start()].strip() if u else w for w, u in zip(last, units, strict=True))
    return names, tuple(u.group(1) if u else "" for u in units)


UNIT_WORDS = frozenset(
    {"s", "ms", "us", "\N{MICRO SIGN}s", "ns", "V", "mV", "kV", "Volt", "Volts", "Second", "Seconds"}
)


def _bare_unit(word: str) -> str:
    found = UNIT.fullmatch(word)
    return found.group(1) if found else word


def _words(line: str, form: _Form) -> tuple[str, ...] | None:
    fields = form.fields(line)
    if len(fields) <= form.kept[-1]:
        return None
    words = tuple(fields[i] for i in form.kept)
    return words if all(words) else None
