"""Reads the interlock table and judges what is seen of the bench by it; pure but for reading the file."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import Any

from safety.strict_yaml import Document, Problem, YamlError, read_file

SHIPPED = Path(__file__).with_name("interlocks.yaml")

_QUANTITY = re.compile(r"([-+]?[0-9.]+) (ms|s|V|mV|A|mA|rpm|degC)")
_NAME = re.compile(r"[a-z][a-z0-9_]*")
_TO_BASE = {"ms": 1e-3, "s": 1.0, "V": 1.0, "mV": 1e-3, "A": 1.0, "mA": 1e-3, "rpm": 1.0, "degC": 1.0}
_KEYS = frozenset(
    {"row", "modes", "watch", "is", "below", "above", "within", "while", "silence", "debounce", "reaction", "deadline",
     "reset", "hazard", "text"}
)  # fmt: skip
_CONDITIONS = ("is", "below", "above", "within")
_REQUIRED = ("row", "watch", "debounce", "reaction", "deadline", "reset", "hazard", "text")

Seen = Mapping[str, "bool | float | None"]


class When(Enum):
    """While what a row counts."""

    ALWAYS = "always"
    ENERGISED = "energised"
    TURNING = "turning"


@dataclass(frozen=True, slots=True)
class Row:
    """One interlock.

    `condition` is what must hold: `is` with `wanted`, or `below`, `above`, `within` with one or two thresholds, each a
    number in the watched quantity's unit or the name of one that motor type and bench give.
    """

    name: str
    modes: tuple[str, ...]
    watch: str
    condition: str
    wanted: bool
    thresholds: tuple[float | str, ...]
    when: When
    silence_trips: bool
    debounce_s: float
    reaction: str
    deadline_s: float
    reset: str
    hazard: str
    text: str


@dataclass(frozen=True, slots=True)
class Table:
    """All rows, in the file's order."""

    modes: tuple[str, ...]
    rows: tuple[Row, ...]
    digest_text: str = field(repr=False, default="")


@dataclass(frozen=True, slots=True)
class Violation:
    """A row that does not hold, and what was seen."""

    row: Row
    what: str


def read_table(path: Path = SHIPPED) -> Table:
    """Read the table.

    Raises
    ------
    YamlError
        The file breaks a rule; every problem with its position.
    """
    document = read_file(path)
    problems: list[Problem] = []
    data = document.data if isinstance(document.data, dict) else {}
    modes, items = data.get("modes"), data.get("rows")
    if not isinstance(modes, list) or not isinstance(items, list) or not modes or not items:
        raise YamlError([document.problem((), "no interlock table", "lists `modes` and `rows`")])
    rows = [
        row for i, item in enumerate(items) if (row := _RowReader(document, ("rows", i), modes, problems).read(item))
    ]
    names = [row.name for row in rows]
    problems += [
        document.problem(("rows", i, "row"), f"row '{name}' stands twice", "each row once")
        for i, name in enumerate(names)
        if name in names[:i]
    ]
    if problems:
        raise YamlError(problems)
    return Table(tuple(modes), tuple(rows), document.text)


class _RowReader:
    """Reads one row, gathering what is wrong with it."""

    def __init__(
        self, document: Document, place: tuple[str | int, ...], modes: Sequence[str], problems: list[Problem]
    ) -> None:
        self.document, self.place, self.modes, self.problems = document, place, modes, problems

    def read(self, item: Any) -> Row | None:
        before = len(self.problems)
        if not isinstance(item, dict):
            self._complain((), "a row that is no mapping", ", ".join(sorted(_KEYS)))
            return None
        for key in item:
            if key not in _KEYS:
                self._complain((key,), f"unknown key '{key}'", ", ".join(sorted(_KEYS)))
        for key in _REQUIRED:
            if key not in item:
                self._complain((), f"'{key}' is missing", "every row has it")
        for mode in item.get("modes", []):
            if mode not in self.modes:
                self._complain(("modes",), f"unknown mode '{mode}'", ", ".join(self.modes))
        condition, wanted, thresholds = self._condition(item)
        row = Row(
            name=str(item.get("row")),
            modes=tuple(item.get("modes", self.modes)),
            watch=str(item.get("watch")),
            condition=condition,
            wanted=wanted,
            thresholds=thresholds,
            when=When(self._choice(item, "while", tuple(w.value for w in When), When.ALWAYS.value)),
            silence_trips=self._choice(item, "silence", ("trip", "pass"), "trip") == "trip",
            debounce_s=self._seconds(item, "debounce"),
            reaction=self._choice(item, "reaction", ("0", "1"), "0"),
            deadline_s=self._seconds(item, "deadline"),
            reset=str(item.get("reset")),
            hazard=str(item.get("hazard")),
            text=str(item.get("text")),
        )
        return row if len(self.problems) == before else None

    def _complain(self, key: tuple[str | int, ...], what: str, allowed: str) -> None:
        self.problems.append(self.document.problem((*self.place, *key), what, allowed))

    def _choice(self, item: Mapping[str, Any], key: str, allowed: tuple[str, ...], default: str) -> str:
        value = str(item.get(key, default))
        if value not in allowed:
            self._complain((key,), f"{key} is '{value}'", ", ".join(allowed))
            return default
        return value

    def _seconds(self, item: Mapping[str, Any], key: str) -> float:
        value = self._number(key, item.get(key))
        if not isinstance(value, float):
            self._complain((key,), f"{key} is '{value}'", "a time with unit, such as 20 ms")
            return 0.0
        return value

    def _condition(self, item: Mapping[str, Any]) -> tuple[str, bool, tuple[float | str, ...]]:
        given = [c for c in _CONDITIONS if c in item]
        if len(given) != 1:
            self._complain((), f"{len(given)} conditions", "exactly one of is, below, above, within")
            return "is", True, ()
        condition, value = given[0], item[given[0]]
        if condition == "is":
            return "is", self._choice(item, "is", ("closed", "open"), "closed") == "closed", ()
        values = value if isinstance(value, list) else [value]
        if len(values) != (2 if condition == "within" else 1):
            self._complain((condition,), f"{len(values)} thresholds", "two for within, one for below and above")
        return condition, True, tuple(self._number(condition, v) for v in values)

    def _number(self, key: str, value: Any) -> float | str:
        found = _QUANTITY.fullmatch(str(value))
        if found:
            return float(found.group(1)) * _TO_BASE[found.group(2)]
        if not _NAME.fullmatch(str(value)):
            self._complain(
                (key,), f"'{value}' is no threshold", "a quantity with unit, or a name such as overspeed_rpm"
            )
        return str(value)


@dataclass(slots=True)
class Watch:
    """Judges what is seen, look after look, holding each row's debounce.

    Parameters
    ----------
    thresholds
        Values for the thresholds that the table leaves to motor type and bench, by name. A row whose threshold has no
        value (a type without a brake has no brake window) does not count.
    """

    table: Table
    mode: str
    thresholds: Mapping[str, float]
    _broken_since_s: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Refuse a mode that the table does not know."""
        if self.mode not in self.table.modes:
            raise ValueError(f"mode must be one of {', '.join(self.table.modes)}, got {self.mode}")

    def look(self, now_s: float, seen: Seen, whiles: frozenset[When]) -> list[Violation]:
        """Judge one look.

        Parameters
        ----------
        now_s
            Bench time of the look [s].
        seen
            Observations by name; a missing name or None means that nothing was to be had.
        whiles
            What goes on now; rows of other times are passed over and forget their debounce.
        """
        return [v for row in self.table.rows if (v := self._judge(row, now_s, seen, whiles))]

    def broken(self, now_s: float, seen: Seen, whiles: frozenset[When]) -> list[Violation]:
        """Judge one look without debounce: what must hold before anything starts."""
        del now_s
        return [Violation(r, why) for r in self._counting(whiles) if (why := self._why(r, seen))]

    def _counting(self, whiles: frozenset[When]) -> list[Row]:
        return [r for r in self.table.rows if self._counts(r, whiles)]

    def _counts(self, row: Row, whiles: frozenset[When]) -> bool:
        known = all(not isinstance(t, str) or t in self.thresholds for t in row.thresholds)
        return self.mode in row.modes and (row.when is When.ALWAYS or row.when in whiles) and known

    def _judge(self, row: Row, now_s: float, seen: Seen, whiles: frozenset[When]) -> Violation | None:
        why = self._why(row, seen) if self._counts(row, whiles) else ""
        if not why:
            self._broken_since_s.pop(row.name, None)
            return None
        since_s = self._broken_since_s.setdefault(row.name, now_s)
        return Violation(row, why) if now_s - since_s >= row.debounce_s else None

    def _why(self, row: Row, seen: Seen) -> str:
        value = seen.get(row.watch)
        if value is None:
            return f"{row.watch} was not to be had" if row.silence_trips else ""
        if row.condition == "is":
            return "" if bool(value) == row.wanted else f"{row.watch} is {'closed' if value else 'open'}"
        limits = [self.thresholds[t] if isinstance(t, str) else t for t in row.thresholds]
        lower = limits[0] if row.condition in ("above", "within") else float("-inf")
        upper = limits[-1] if row.condition in ("below", "within") else float("inf")
        # Written so that a value that is no number counts as broken.
        if lower <= float(value) <= upper:
            return ""
        return f"{row.watch} is {float(value):.4g}; allowed: {_span(lower, upper)}"


def _span(lower: float, upper: float) -> str:
    if lower == float("-inf"):
        return f"{upper:.4g} or less"
    return f"{lower:.4g} or more" if upper == float("inf") else f"{lower:.4g} to {upper:.4g}"
