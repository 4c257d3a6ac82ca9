"""What plain words mean; expected values from the core schema table of YAML 1.2.2, section 10.3.2 (from memory)."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from safety.core_scalars import MOST_DIGITS, resolve


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("", None), ("~", None), ("null", None), ("Null", None), ("NULL", None),
        ("true", True), ("True", True), ("TRUE", True), ("false", False), ("False", False), ("FALSE", False),
        ("0", 0), ("-0", 0), ("+12", 12), ("010", 10), ("0o10", 8), ("0o17", 15), ("0x1F", 31), ("0xff", 255),
        ("1e-3", 0.001), ("1e3", 1000.0), ("-1.5E+2", -150.0), (".5", 0.5), ("5.", 5.0), ("+.25", 0.25), ("0.0", 0.0),
    ],
)  # fmt: skip
def test_core_schema_values(text: str, value: object) -> None:
    made = resolve(text)
    assert made == value
    assert type(made) is type(value)


@pytest.mark.parametrize(
    "text",
    ["on", "off", "yes", "No", "NO", "y", "nULL", "tRUE", "12:30:45", "1:30", "2026-05-31", "1_000", "0b101", "0o8",
     "0xG", "1e", "e3", ".", "-", "+", "=", "<<", "1.2.3", "0o", "0x", "-0x1F", "5 V", "١٢"],
)  # fmt: skip
def test_words_that_other_schemas_take_for_something_else_stay_words(text: str) -> None:
    assert resolve(text) == text


@pytest.mark.parametrize("text", [".inf", "-.INF", "+.Inf", ".nan", ".NaN", "1e999", "-1e400", "9" * (MOST_DIGITS + 1)])
def test_numbers_that_cannot_be_used_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match="number"):
        resolve(text)


@settings(max_examples=200, deadline=None)
@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_finite_float_comes_back_from_its_own_text(value: float) -> None:
    assert resolve(repr(value)) == value


@settings(max_examples=200, deadline=None)
@given(st.integers(min_value=-(10**60), max_value=10**60))
def test_every_integer_comes_back_from_its_own_text(value: int) -> None:
    assert resolve(str(value)) == value


@settings(max_examples=300, deadline=None)
@given(st.text("0123456789+-.eExo_infaINF~trule", max_size=10))
def test_near_numbers_are_a_finite_value_a_word_or_refused_with_the_reason(text: str) -> None:
    try:
        made = resolve(text)
    except ValueError:
        with pytest.raises(ValueError, match="number"):
            resolve(text)
    else:
        assert made is None or made == text or (isinstance(made, int | float) and math.isfinite(made))
