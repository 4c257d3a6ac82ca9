"""Judges what is seen of the bench by the interlock table; pure but for reading the table's file.

The table stands in `interlocks.yaml` and nowhere else: the supervisor runs it, and INTERLOCKS.md shows it.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from safety.interlock_reader import table_of
from safety.interlock_rows import Condition, Row, Table, Threshold, When
from safety.states import State
from safety.strict_yaml import read_file

__all__ = ["Row", "Table", "Threshold", "Violation", "Watch", "When", "going_on", "read_table"]

SHIPPED = Path(__file__).with_name("interlocks.yaml")

RUNNING = frozenset({When.ENERGISED, When.TURNING})

Seen = Mapping[str, "bool | float | None"]


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
    return table_of(read_file(path))


def going_on(state: State) -> frozenset[When]:
    """Return what a bench state means for the rows that count only at times.

    A bench on its way to rest, or tripped, may still be live and turn until rest is proven.
    """
    match state:
        case State.AT_REST:
            return frozenset()
        case State.STARTING:
            return frozenset({When.ENERGISED})
        case State.TURNING | State.GOING_TO_REST | State.TRIPPED:
            return RUNNING


@dataclass(slots=True)
class Watch:
    """Judges what is seen, look after look, holding each row's debounce.

    Parameters
    ----------
    thresholds
        Values for the thresholds that the table leaves to motor type and bench, by name, in the unit of the name's
        suffix. The table's default holds for each that is not given.

    Raises
    ------
    ValueError
        The table has no such mode or threshold, or a value is not finite.
    """

    table: Table
    mode: str
    thresholds: Mapping[str, float] = field(default_factory=dict)
    _limits: dict[str, float] = field(default_factory=dict, init=False)
    _broken_since_s: dict[str, float] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        """Settle mode and thresholds before anything is judged: a misspelt one must not switch a row off."""
        if self.mode not in self.table.modes:
            raise ValueError(f"mode must be one of {', '.join(self.table.modes)}, got {self.mode}")
        self._limits = {t.name: t.default for t in self.table.thresholds}
        for name, value in self.thresholds.items():
            if name not in self._limits:
                raise ValueError(f"threshold must be one of {', '.join(self._limits)}, got {name}")
            if not math.isfinite(value):
                raise ValueError(f"threshold {name} must be finite, got {value}")
            self._limits[name] = value

    def look(self, now_s: float, seen: Seen, whiles: frozenset[When] = RUNNING) -> list[Violation]:
        """Judge one look.

        Parameters
        ----------
        now_s
            Bench time of the look [s].
        seen
            Observations by name; a missing name or None means that nothing was to be had.
        whiles
            What goes on now, such as `going_on(state)`; rows of other times are passed over and forget their
            debounce.

        Returns
        -------
        list of Violation
            The rows that act.
        """
        return [v for row in self.table.rows if (v := self._judge(row, now_s, seen, whiles)) is not None]

    def next_due_s(self, now_s: float) -> float:
        """Return after how much time a row that is broken now would have outlasted its debounce [s]; inf if none is."""
        ends = [
            self._broken_since_s[row.name] + row.debounce_s - now_s
            for row in self.table.rows
            if row.name in self._broken_since_s
        ]
        return min((left_s for left_s in ends if left_s > 0), default=math.inf)

    def missing_permissives(self, seen: Seen, whiles: frozenset[When]) -> list[Violation]:
        """Judge one look without debounce: what does not hold of that which must hold before something starts.

        Parameters
        ----------
        whiles
            What is about to go on.
        """
        return [
            Violation(row, why)
            for row in self.table.rows
            if self._counts(row, seen, whiles) and (why := self._why(row, seen))
        ]

    def _counts(self, row: Row, seen: Seen, whiles: frozenset[When]) -> bool:
        now = row.when is When.ALWAYS or row.when in whiles
        # A contact that is not to be had might be in the state that the row is about.
        otherwise = any(seen.get(contact) is not None and seen[contact] != state for contact, state in row.only_if)
        return self.mode in row.modes and now and not otherwise

    def _judge(self, row: Row, now_s: float, seen: Seen, whiles: frozenset[When]) -> Violation | None:
        why = self._why(row, seen) if self._counts(row, seen, whiles) else ""
        if not why:
            self._broken_since_s.pop(row.name, None)
            return None
        broken_s = now_s - self._broken_since_s.setdefault(row.name, now_s)
        # A time that ran backward, or is no number, buys no debounce.
        return None if 0 <= broken_s < row.debounce_s else Violation(row, why)

    def _why(self, row: Row, seen: Seen) -> str:
        """Say why a row does not hold; nothing if it does."""
        value = seen.get(row.watch)
        if value is None:
            return f"{row.watch} was not to be had" if row.silence_trips else ""
        if row.condition is Condition.IS:
            return _why_contact(row, value)
        limits = [self._limits[t] if isinstance(t, str) else t for t in row.thresholds]
        lower, upper = _span(row.condition, limits)
        if isinstance(value, bool):
            return f"{row.watch} is {value}, which is no measured value"
        # Written so that a value that is no number counts as broken.
        if lower <= value <= upper:
            return ""
        return f"{row.watch} is {value:.4g}; allowed: {_said(lower, upper)}"


def _why_contact(row: Row, value: float) -> str:
    if value not in (True, False):
        return f"{row.watch} is {value}, which is no state of a contact"
    return "" if bool(value) == row.wanted else f"{row.watch} is {'closed' if value else 'open'}"


def _span(condition: Condition, limits: list[float]) -> tuple[float, float]:
    match condition:
        case Condition.ABOVE:
            return limits[0], math.inf
        case Condition.WITHIN:
            return limits[0], limits[1]
        case Condition.MAGNITUDE_BELOW:
            return -limits[0], limits[0]
        case _:
            return -math.inf, limits[0]


def _said(lower: float, upper: float) -> str:
    if lower == -math.inf:
        return f"{upper:.4g} or less"
    return f"{lower:.4g} or more" if upper == math.inf else f"{lower:.4g} to {upper:.4g}"
