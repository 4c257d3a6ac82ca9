"""The strict reader against random data: what another writer wrote comes back, and faults are found where they stand."""

from collections.abc import Mapping
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from safety.core_scalars import resolve
from safety.strict_yaml import Problem, YamlError, read_text


def _same_in_both_schemas(text: str) -> bool:
    """Whether a writer that follows YAML 1.1 writes the text so that YAML 1.2 reads the same text."""
    try:
        return isinstance(resolve(text), str)
    except ValueError:
        return False


WORDS = st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), max_size=8).filter(_same_in_both_schemas)
SCALARS = (
    st.none()
    | st.booleans()
    | st.integers(-(10**12), 10**12)
    | st.floats(allow_nan=False, allow_infinity=False)
    | WORDS
)
DATA = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(WORDS, inner, max_size=4), max_leaves=20
)
TREES = st.recursive(
    st.integers(0, 99),
    lambda inner: st.dictionaries(st.from_regex(r"[a-m]{1,4}", fullmatch=True), inner, min_size=1, max_size=4),
    max_leaves=15,
)


@settings(max_examples=150, deadline=None)
@given(data=DATA, flow=st.booleans())
def test_plain_data_written_elsewhere_comes_back(data: Any, flow: bool) -> None:
    text = yaml.safe_dump(data, default_flow_style=flow)
    assert read_text(text, "f").data == data


@settings(max_examples=300, deadline=None)
@given(st.text(st.sampled_from("ab:- \n\t[]{},&*!?|>'\"#%@1.~<"), max_size=40))
def test_any_text_gives_plain_data_or_placed_problems(text: str) -> None:
    assert _said_badly(text) == []


def _said_badly(text: str) -> list[Problem]:
    """Read a text; return the problems that lack a place in the text or a half of the sentence."""
    try:
        document = read_text(text, "f")
    except YamlError as error:
        last = text.count("\n") + 2
        bad = [p for p in error.problems if not (1 <= p.line <= last and p.column >= 1 and p.what and p.allowed)]
        return bad if error.problems else [Problem("f", 0, 0, "refused without a problem", "")]
    return [] if _is_plain(document.data) else [Problem("f", 0, 0, "no plain data", "")]


def _is_plain(data: Any) -> bool:
    if isinstance(data, dict):
        return all(type(key) is str and _is_plain(value) for key, value in data.items())
    if isinstance(data, list):
        return all(map(_is_plain, data))
    return data is None or type(data) in (str, int, float, bool)


def _written(tree: Mapping[str, Any], indent: int, lines: list[str], ends: dict[int, tuple[int, list[str]]]) -> None:
    """Write a mapping in block style; note below which line each mapping ends, with its indent and keys."""
    for key, value in tree.items():
        lines.append(" " * indent + f"{key}:" + ("" if isinstance(value, dict) else f" {value}"))
        if isinstance(value, dict):
            _written(value, indent + 2, lines, ends)
    ends.setdefault(len(lines), (indent, list(tree)))


@settings(max_examples=150, deadline=None)
@given(tree=TREES.filter(lambda t: isinstance(t, dict)), draw=st.data())
def test_a_key_twice_is_found_at_any_depth_with_its_line(tree: dict[str, Any], draw: st.DataObject) -> None:
    lines: list[str] = []
    ends: dict[int, tuple[int, list[str]]] = {}
    _written(tree, 0, lines, ends)
    assert read_text("\n".join(lines), "f").data == tree
    line, (indent, keys) = draw.draw(st.sampled_from(sorted(ends.items())))
    key = draw.draw(st.sampled_from(keys))
    lines.insert(line, " " * indent + f"{key}: 1")
    with pytest.raises(YamlError) as caught:
        read_text("\n".join(lines), "f")
    assert [(p.line, p.column) for p in caught.value.problems] == [(line + 1, indent + 1)]
    assert caught.value.problems[0].what.startswith(f"key '{key}' stands twice")
