"""Writes the tables of INTERLOCKS.md from the interlock table: `python -m safety.interlock_document [--check] [FILE]`.

The page is written by hand but for what stands between its markers. Exit code 0: written, or the page is up to date;
1: it is not (with --check); 2: the page or the table cannot be used.
"""

import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from safety.interlock_rows import Condition, Row, Table, Threshold
from safety.interlocks import read_table
from safety.rest_order import REST_ORDER
from safety.strict_yaml import YamlError

PAGE = Path(__file__).with_name("INTERLOCKS.md")

UP_TO_DATE, STALE, UNUSABLE = 0, 1, 2


def main(args: Sequence[str]) -> int:
    """Rewrite or check the page; return the exit code."""
    check = "--check" in args
    files = [a for a in args if a != "--check"]
    if len(files) > 1 or any(f.startswith("-") for f in files):
        return _say("usage: python -m safety.interlock_document [--check] [FILE]", UNUSABLE)
    page = Path(files[0]) if files else PAGE
    try:
        text = page.read_text(encoding="utf-8")
        wanted = renewed(text, read_table())
    except (OSError, UnicodeDecodeError, ValueError) as error:
        detail = str(error) if isinstance(error, YamlError) else f"{page}: {error}"
        return _say(detail, UNUSABLE)
    if wanted == text:
        return UP_TO_DATE
    if check:
        return _say(f"{page} does not show interlocks.yaml; run: python -m safety.interlock_document", STALE)
    page.write_text(wanted, encoding="utf-8")
    return UP_TO_DATE


def renewed(text: str, table: Table) -> str:
    """Return the page with everything between its markers made anew.

    Raises
    ------
    ValueError
        A marker is missing, or stands more than once.
    """
    for name, make in PARTS.items():
        begin, end = f"<!-- {name}: begin -->", f"<!-- {name}: end -->"
        if text.count(begin) != 1 or text.count(end) != 1 or text.index(end) < text.index(begin):
            raise ValueError(f"the page must have '{begin}' and after it '{end}', each once")
        before, after = text[: text.index(begin)], text[text.index(end) :]
        text = f"{before}{begin}\n{make(table)}{after}"
    return text


def interlock_table(table: Table) -> str:
    """Lay out all rows."""
    heads = (
        "interlock",
        "modes",
        "must hold",
        "while",
        "no value",
        "debounce",
        "stop cat.",
        "deadline",
        "hazard",
        "meaning",
    )
    return _table(heads, (_row(row, table.modes) for row in table.rows))


def threshold_table(table: Table) -> str:
    """Lay out the limits that motor type and bench give."""
    cells = ((f"`{t.name}`", _quantity(t), t.given_by, t.text) for t in table.thresholds)
    return _table(("limit", "default", "given by", "meaning"), cells)


def rest_table(table: Table) -> str:
    """Lay out the order of going to rest, which is the same for every row."""
    del table
    cells = ((str(i), step.name, f"{step.deadline_s:g} s") for i, step in enumerate(REST_ORDER, start=1))
    return _table(("", "step", "deadline"), cells)


PARTS: Mapping[str, Callable[[Table], str]] = {
    "interlock table": interlock_table,
    "limits": threshold_table,
    "order of going to rest": rest_table,
}
"""What stands between which markers."""

_SAID = {
    Condition.IS: "{} is {}",
    Condition.BELOW: "{} up to {}",
    Condition.ABOVE: "{} from {}",
    Condition.WITHIN: "{} from {} to {}",
    Condition.MAGNITUDE_BELOW: "size of {} up to {}",
}


def _row(row: Row, modes: Sequence[str]) -> tuple[str, ...]:
    return (
        row.name,
        "all" if set(row.modes) == set(modes) else ", ".join(row.modes),
        _condition(row),
        row.when.value,
        "trips" if row.silence_trips else "passes",
        _milliseconds(row.debounce_s),
        row.reaction,
        _milliseconds(row.deadline_s),
        row.hazard,
        row.text,
    )


def _condition(row: Row) -> str:
    limits = [f"`{t}`" if isinstance(t, str) else f"{t:g}" for t in row.thresholds]
    said = _SAID[row.condition].format(f"`{row.watch}`", *(limits or [_state(row.wanted)]))
    given = " and ".join(f"`{contact}` is {_state(state)}" for contact, state in row.only_if)
    return f"{said}, if {given}" if given else said


def _state(closed: bool) -> str:  # noqa: FBT001 - the state of a contact, not a switch
    return "closed" if closed else "open"


def _milliseconds(seconds: float) -> str:
    return f"{1000 * seconds:.0f} ms"


def _quantity(threshold: Threshold) -> str:
    return f"{threshold.default:g} {threshold.unit}"


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [heads, ["---"] * len(heads), *rows]
    return "".join("| " + " | ".join(line) + " |\n" for line in lines)


def _say(sentence: str, code: int) -> int:
    sys.stderr.write(sentence + "\n")
    return code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
