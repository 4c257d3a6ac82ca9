"""Makes the interlock table of its file's document, with every problem at its place."""

import re
from collections.abc import Mapping, Sequence
from typing import Any

from safety.error_wording import shown, unknown_key
from safety.interlock_rows import Condition, Row, Table, Threshold, When
from safety.limits import LINK_TIMEOUT_S
from safety.strict_yaml import Document, Loc, Problem, YamlError
from safety.unit_text import UNITS, read_quantity, unit_of_name

_NAME = re.compile(r"[a-z][A-Za-z0-9_-]*")
_HAZARD = re.compile(r"H-[0-9]{2}")
_CONDITIONS = tuple(c.value for c in Condition)
_REQUIRED = ("row", "watch", "debounce", "reaction", "deadline", "reset", "hazard", "text")
_KEYS = ("row", "modes", "watch", *_CONDITIONS, "only_if", "while", "silence", *_REQUIRED[2:])
_CONTACT = {"closed": True, "open": False}
_THRESHOLD_KEYS = ("default", "given_by", "text")
_GIVERS = ("bench", "motor type")


def table_of(document: Document) -> Table:
    """Make the table.

    Raises
    ------
    YamlError
        The document breaks a rule; every problem with its position.
    """
    data = document.data if isinstance(document.data, dict) else {}
    top = _Place(document, (), [])
    top.only_keys(data, ("modes", "thresholds", "rows"))
    modes = _modes(top, data.get("modes"))
    thresholds = _thresholds(top, data.get("thresholds", {}))
    rows = _rows(top, data.get("rows"), modes, thresholds)
    if top.problems:
        raise YamlError(sorted(top.problems, key=lambda p: (p.line, p.column)))
    return Table(tuple(modes), thresholds, tuple(rows))


class _Place:
    """A mapping in the document, and the problems found so far."""

    def __init__(self, document: Document, loc: Loc, problems: list[Problem]) -> None:
        self.document, self.loc, self.problems = document, loc, problems

    def below(self, *loc: str | int) -> "_Place":
        return _Place(self.document, (*self.loc, *loc), self.problems)

    def complain(self, loc: Loc, what: str, allowed: str) -> None:
        self.problems.append(self.document.problem((*self.loc, *loc), what, allowed))

    def only_keys(self, item: Mapping[str, Any], allowed: Sequence[str]) -> None:
        for key in item:
            if key not in allowed:
                line, column = self.document.position((*self.loc, key), key=True)
                self.problems.append(Problem(self.document.name, line, column, *unknown_key(key, allowed)))

    def choice(self, item: Mapping[str, Any], key: str, allowed: Sequence[str], default: str) -> str:
        value = str(item.get(key, default))
        if value not in allowed:
            self.complain((key,), f"{key} is '{value}'", ", ".join(allowed))
            return default
        return value

    def text(self, item: Mapping[str, Any], key: str) -> str:
        value = item.get(key)
        if key in item and (not isinstance(value, str) or not value):
            self.complain((key,), f"{key} is {shown(value)}", "a text")
        return str(value)

    def seconds(self, item: Mapping[str, Any], key: str) -> float:
        if key not in item:
            return 0.0
        found = read_quantity(item[key])
        if found is None or found[1] != "s" or found[0] < 0:
            self.complain((key,), f"{key} is {shown(item[key])}", "a time with its unit, such as 20 ms")
            return 0.0
        return found[0]


def _modes(top: _Place, modes: Any) -> Sequence[str]:
    if not isinstance(modes, list) or not modes or not all(isinstance(m, str) for m in modes):
        top.complain(("modes",), "no list of modes", "modes: [guarded, setting, static]")
        return ()
    return modes


def _thresholds(top: _Place, items: Any) -> tuple[Threshold, ...]:
    if not isinstance(items, dict):
        top.complain(("thresholds",), f"thresholds is {shown(items)}", "a mapping of names to defaults")
        return ()
    made = (_threshold(top.below("thresholds", name), name, item) for name, item in items.items())
    return tuple(threshold for threshold in made if threshold is not None)


def _threshold(place: _Place, name: str, item: Any) -> Threshold | None:
    if not isinstance(item, dict):
        place.complain((), f"{name} is {shown(item)}", ", ".join(_THRESHOLD_KEYS))
        return None
    place.only_keys(item, _THRESHOLD_KEYS)
    for key in _THRESHOLD_KEYS:
        if key not in item:
            place.complain((), f"'{key}' is missing", f"'{key}' with a value")
    found, unit = read_quantity(item.get("default")), unit_of_name(name)
    if found is None or found[1] != unit:
        place.complain(("default",), f"default is {shown(item.get('default'))}", f"a quantity in {unit or UNITS}")
        return None
    giver = place.choice(item, "given_by", _GIVERS, _GIVERS[0])
    return Threshold(name, found[0], found[1], giver, place.text(item, "text"))


def _rows(top: _Place, items: Any, modes: Sequence[str], thresholds: Sequence[Threshold]) -> list[Row]:
    if not isinstance(items, list) or not items:
        top.complain(("rows",), "no list of rows", "one row or more")
        return []
    names = {threshold.name for threshold in thresholds}
    rows = [
        row
        for i, item in enumerate(items)
        if (row := _RowReader(top.document, ("rows", i), top.problems).read(item, modes, names)) is not None
    ]
    seen: set[str] = set()
    for i, item in enumerate(items):
        name = item.get("row") if isinstance(item, dict) else None
        if isinstance(name, str) and name in seen:
            top.complain(("rows", i, "row"), f"row '{name}' stands twice", "each row once")
        seen |= {name} if isinstance(name, str) else set()
    used = {t for row in rows for t in row.thresholds}
    for name in sorted(names - used) if len(rows) == len(items) else ():
        top.complain(("thresholds", name), f"threshold '{name}' is used by no row", "thresholds that a row names")
    return rows


class _RowReader(_Place):
    """Reads one row."""

    def read(self, item: Any, modes: Sequence[str], names: set[str]) -> Row | None:
        before = len(self.problems)
        if not isinstance(item, dict):
            self.complain((), f"a row is {shown(item)}", "a mapping with " + ", ".join(_REQUIRED))
            return None
        self.only_keys(item, _KEYS)
        for key in _REQUIRED:
            if key not in item:
                self.complain((), f"'{key}' is missing", f"'{key}' with a value")
        watch = self._matching(item, "watch", _NAME, "the name of an observation")
        condition, wanted, thresholds = self._condition(item, watch, names)
        row = Row(
            name=self.text(item, "row"),
            modes=self._modes(item, modes),
            watch=watch,
            condition=condition,
            wanted=wanted,
            thresholds=thresholds,
            only_if=self._only_if(item),
            when=When(self.choice(item, "while", [w.value for w in When], When.ALWAYS.value)),
            silence_trips=self.choice(item, "silence", ("trip", "pass"), "trip") == "trip",
            debounce_s=self.seconds(item, "debounce"),
            reaction=self.choice(item, "reaction", ("0", "1"), "0"),
            deadline_s=self.seconds(item, "deadline"),
            reset=self.choice(item, "reset", ("person",), "person"),
            hazard=self._matching(item, "hazard", _HAZARD, "a hazard of HAZARDS.md, such as H-01"),
            text=self.text(item, "text"),
        )
        needed_s = row.slowest_look_s + LINK_TIMEOUT_S
        if len(self.problems) == before and needed_s > row.deadline_s + 1e-9:
            self.complain(
                ("debounce",),
                f"looks, debounce and switching off take up to {1000 * needed_s:.0f} ms",
                f"at most the deadline, {1000 * row.deadline_s:.0f} ms",
            )
        return row if len(self.problems) == before else None

    def _matching(self, item: Mapping[str, Any], key: str, form: re.Pattern[str], allowed: str) -> str:
        value = item.get(key)
        if key in item and (not isinstance(value, str) or not form.fullmatch(value)):
            self.complain((key,), f"{key} is {shown(value)}", allowed)
        return str(value)

    def _modes(self, item: Mapping[str, Any], modes: Sequence[str]) -> tuple[str, ...]:
        given = item.get("modes", modes)
        if not isinstance(given, Sequence) or isinstance(given, str) or not given or any(m not in modes for m in given):
            self.complain(("modes",), f"modes is {shown(given)}", "a list out of " + ", ".join(modes))
            return ()
        return tuple(given)

    def _only_if(self, item: Mapping[str, Any]) -> tuple[tuple[str, bool], ...]:
        given = item.get("only_if", {})
        if not isinstance(given, dict) or any(state not in tuple(_CONTACT) for state in given.values()):
            self.complain(("only_if",), f"only_if is {shown(given)}", "contacts with closed or open")
            return ()
        return tuple((contact, _CONTACT[state]) for contact, state in given.items())

    def _condition(
        self, item: Mapping[str, Any], watch: str, names: set[str]
    ) -> tuple[Condition, bool, tuple[float | str, ...]]:
        given = [c for c in Condition if c.value in item]
        if len(given) != 1:
            self.complain((), f"the row has {len(given)} conditions", "exactly one of " + ", ".join(_CONDITIONS))
            return Condition.IS, True, ()
        condition, value = given[0], item[given[0].value]
        if condition is Condition.IS:
            return condition, _CONTACT[self.choice(item, "is", tuple(_CONTACT), "closed")], ()
        values = value if isinstance(value, list) else [value]
        if len(values) != (2 if condition is Condition.WITHIN else 1):
            self.complain(
                (condition.value,), f"{condition.value} has {len(values)} thresholds", "two for within, else one"
            )
            return condition, True, ()
        return condition, True, tuple(self._limit(condition.value, v, unit_of_name(watch), names) for v in values)

    def _limit(self, key: str, value: Any, unit: str | None, names: set[str]) -> float | str:
        found = read_quantity(value)
        if found is not None and found[1] == unit:
            return found[0]
        if isinstance(value, str) and value in names and unit_of_name(value) == unit:
            return str(value)
        fitting = sorted(n for n in names if unit is not None and unit_of_name(n) == unit)
        allowed = f"a quantity in {unit}" if unit else "a watched name that carries its unit, such as spin_current_a"
        if fitting:
            allowed += ", or one of: " + ", ".join(fitting)
        self.complain((key,), f"{key} is {shown(value)}", allowed)
        return 0.0
