"""Whatever is broken in a shipped sequence, the answer is a checked sequence or problems with places, never a crash."""

import re
from typing import Any

import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st
from sequence_samples import SEQUENCES, TYPES, adapter, bench_file, motor_type, shipped_text

from safety.strict_yaml import YamlError, read_text
from station.checked_sequence import CheckedSequence, check
from station.sequence_model import Sequence

LINES = [(name, index) for name in SEQUENCES for index in range(shipped_text(name).count("\n"))]


def outcome(text: str, type_name: str) -> CheckedSequence | YamlError:
    """Check a text; any exception but YamlError fails the test."""
    try:
        sequence = Sequence.read_string(text, "mutated.yaml")
        return check(sequence, motor_type(type_name), adapter(type_name), bench_file())
    except YamlError as error:
        return error


def assert_usable(result: CheckedSequence | YamlError, text: str) -> None:
    if isinstance(result, CheckedSequence):
        assert result.steps or result.left_out
        return
    assert result.problems
    lines = text.splitlines() or [""]
    for problem in result.problems:
        assert problem.what
        assert problem.allowed
        if problem.file == "mutated.yaml":
            assert 1 <= problem.line <= len(lines) + 1


def places(node: Any, place: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """Every place in plain data."""
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    return [place] * bool(place) + [p for key, child in items for p in places(child, (*place, key))]


def mutated(data: Any, place: tuple[str | int, ...], how: str, junk: Any) -> Any:
    """Return data with the value or key at a place deleted, renamed, stripped of its unit, or replaced."""
    parent = data
    for part in place[:-1]:
        parent = parent[part]
    last = place[-1]
    if how == "delete":
        del parent[last]
    elif how == "rename" and isinstance(parent, dict):
        parent[f"{last}x"] = parent.pop(last)
    elif how == "strip the unit" and isinstance(parent[last], str):
        parent[last] = re.sub(r"^(\d+(?:\.\d+)?) .*$", r"\1", parent[last])
    else:
        parent[last] = junk
    return data


JUNK = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(allow_nan=False, allow_infinity=False), st.text(max_size=8),
    st.sampled_from(["-5 rpm", "0 s", "1e9 rpm", "60 deg", "5 V", [], {}, [[]], {"x": {}}, ["CW", "CW"], "A", "U-V"]),
)  # fmt: skip


@settings(deadline=None, max_examples=120)
@given(
    name=st.sampled_from(SEQUENCES),
    type_name=st.sampled_from(TYPES),
    how=st.sampled_from(["delete", "rename", "strip the unit", "replace"]),
    junk=JUNK,
    data=st.data(),
)
def test_a_broken_value_is_answered_with_places(
    name: str, type_name: str, how: str, junk: Any, data: st.DataObject
) -> None:
    plain = read_text(shipped_text(name), name).data
    place = data.draw(st.sampled_from(places(plain)))
    text = yaml.safe_dump(mutated(plain, place, how, junk), sort_keys=False, allow_unicode=True)
    assert_usable(outcome(text, type_name), text)


@settings(deadline=None, max_examples=60)
@given(line=st.sampled_from(LINES), how=st.sampled_from(["delete", "double", "cut", "indent"]))
@example(line=("as-found", 0), how="delete")
def test_a_broken_line_is_answered_with_places(line: tuple[str, int], how: str) -> None:
    name, index = line
    lines = shipped_text(name).splitlines()
    change = {
        "delete": [],
        "double": [lines[index], lines[index]],
        "cut": [lines[index][: len(lines[index]) // 2]],
        "indent": [" " + lines[index]],
    }
    text = "\n".join([*lines[:index], *change[how], *lines[index + 1 :]]) + "\n"
    assert_usable(outcome(text, "quillmere-q3"), text)


@settings(deadline=None, max_examples=60)
@given(text=st.text(st.sampled_from("ab:-[]{}#'\"|>&*!%@?,. \n\tß€0"), max_size=60))
def test_any_text_is_answered_with_places(text: str) -> None:
    assert_usable(outcome(text, "ostrel-mt41"), text)


def test_a_doubled_key_is_refused_where_it_stands() -> None:
    text = shipped_text("setting").replace("at_most: 3,", "at_most: 3, at_most: 9,")
    result = outcome(text, "ostrel-mt41")
    assert isinstance(result, YamlError)
    line = next(i for i, row in enumerate(text.splitlines(), start=1) if "at_most" in row)
    assert [p.line for p in result.problems] == [line]
