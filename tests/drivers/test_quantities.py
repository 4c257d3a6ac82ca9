"""Texts with units become numbers in one unit, and what is unclear is refused in a clear sentence."""

import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from drivers.quantities import Celsius, DegEl, NewtonMetres, Rpm, Volts, parse

UNITS = [
    "V", "A", "s", "rpm", "Hz", "ohm", "F", "deg_el", "deg_mech", "deg_line", "degC", "percent", "N*m", "1/K", "V/krpm",
    "V*s/rad", "min", "kHz", "Mohm", "mV", "us",
]  # fmt: skip
NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
# The prefixes of the SI (from memory).
PREFIXES = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6}


@settings(deadline=None, max_examples=60)
@given(number=NUMBERS, unit=st.sampled_from(UNITS), space=st.sampled_from(["", " ", "  "]))
def test_a_number_in_its_own_unit_comes_back_exactly(number: float, unit: str, space: str) -> None:
    # Without a space `5` and `1/K` would run together as 51.
    between = space or " " * unit[0].isdigit()
    assert parse(f"{number!r}{between}{unit}", unit) == number


@settings(deadline=None, max_examples=60)
@given(
    number=st.floats(min_value=1e-200, max_value=1e6),
    prefix=st.sampled_from(sorted(PREFIXES)),
    unit=st.sampled_from(["V", "A", "s", "Hz", "F"]),
)
def test_a_prefix_scales_and_the_way_back_returns(number: float, prefix: str, unit: str) -> None:
    value = parse(f"{number!r} {prefix}{unit}", unit)
    assert math.isclose(value, number * PREFIXES[prefix], rel_tol=1e-14, abs_tol=0)
    assert math.isclose(parse(f"{value!r} {unit}", prefix + unit), number, rel_tol=1e-14, abs_tol=0)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("10 us", "s", 1e-5),
        ("1.5 min", "s", 90.0),
        ("+5.e0 V", "V", 5.0),
        (" .5 V ", "V", 0.5),
        ("2 kohm", "ohm", 2000.0),
        ("5 Mohm", "ohm", 5e6),
        ("3 %", "percent", 3.0),
        ("0.4 N*m", "N*m", 0.4),
        ("0.4 Nm", "N*m", 0.4),
        ("50 V/krpm", "V/krpm", 50.0),
        ("0.05 V/rpm", "V/krpm", 50.0),
        # SI brochure: t/degC = T/K - 273.15 (from memory).
        ("293.15 K", "degC", 20.0),
        # One turn is 2 pi rad, so 1 V*s/rad is 2 pi / 60 V per rpm.
        ("1 V*s/rad", "V/krpm", 1000 * 2 * math.pi / 60),
    ],
)
def test_units_that_convert(text: str, unit: str, value: float) -> None:
    assert parse(text, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("degree", ["deg", "degree", "degrees", "°"])
@pytest.mark.parametrize("unit", ["deg_el", "deg_mech", "deg_line"])
def test_a_bare_degree_is_refused(degree: str, unit: str) -> None:
    with pytest.raises(ValueError, match=r"a bare degree is ambiguous; write deg_el .* or deg_mech"):
        parse(f"3 {degree}", unit)


@settings(deadline=None, max_examples=30)
@given(number=NUMBERS, unit=st.sampled_from(UNITS))
def test_a_number_without_a_unit_is_refused(number: float, unit: str) -> None:
    with pytest.raises(ValueError, match=f"has no unit; it must be in {re.escape(unit)}"):
        parse(f"{number!r}", unit)


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("3 deg_mech", "deg_el"), ("3 deg_el", "deg_mech"), ("3 deg_line", "deg_el"), ("5 A", "V"), ("5 Hz", "rpm"),
        ("5 rpm", "Hz"), ("5 s", "Hz"), ("5 percent", "V"), ("20 degC", "K"), ("20 V", "degC"), ("5 Nm", "V"),
        ("3 deg_el", "V"), ("5 rad", "deg_mech"),
    ],
)  # fmt: skip
def test_a_unit_of_another_kind_is_refused(text: str, unit: str) -> None:
    with pytest.raises(ValueError, match=f"^'{text}' is not in {unit} or what converts to it$"):
        parse(text, unit)


@pytest.mark.parametrize("text", ["5 volds", "5 foot", "5 __class__", "5 V**2", "5 V; 3", "5 V 3 V", "5 kV/0", "51/V",
                                  "5 V*10**10**10", "5 V*99999999", "5 V//V", "5 V*"])  # fmt: skip
def test_an_unknown_unit_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"unknown unit|is not in V"):
        parse(text, "V")


@pytest.mark.parametrize("text", ["", "V", "five V", "0x10 V", "1_000 V", "1,5 V", "nan V", "inf V", "- 5 V", "٣ V"])
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"is no quantity in V, such as '5 V'|unknown unit"):
        parse(text, "V")


@pytest.mark.parametrize("text", ["1e999 V", "1e308 kV", "-1e308 MV"])
def test_a_number_beyond_all_numbers_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is too large for a number"):
        parse(text, "V")


@settings(deadline=None, max_examples=150)
@given(text=st.text(max_size=24) | st.from_regex(r"\A[0-9]{1,3} [A-Za-z_*/0-9%()]{1,8}\Z"))
def test_any_text_gives_a_finite_number_or_a_sentence(text: str) -> None:
    try:
        value = parse(text, "V")
    except ValueError as refused:
        value, sentence = 0.0, str(refused)
    else:
        sentence = text
    assert text in sentence
    assert math.isfinite(value)


def test_a_model_reads_a_text_and_nothing_else() -> None:
    volts = TypeAdapter(Volts)
    assert volts.validate_python("24 V") == 24.0
    for value, words in ((24, "'24' has no unit"), (24.0, "'24.0' has no unit"), (None, "nothing has no unit")):
        with pytest.raises(ValidationError, match=f"{words}; allowed: a number with a unit, such as '5 V'"):
            volts.validate_python(value)
    with pytest.raises(ValidationError, match=r"'24 A' is not in V .*; allowed: a quantity such as '5 V'"):
        volts.validate_python("24 A")


@pytest.mark.parametrize(
    ("kind", "example"),
    [(Volts, "5 V"), (Rpm, "300 rpm"), (DegEl, "3 deg_el"), (Celsius, "20 degC"), (NewtonMetres, "0.4 N*m")],
)
def test_the_schema_for_editors_fits_what_is_read(kind: object, example: str) -> None:
    adapter: TypeAdapter[float] = TypeAdapter(kind)
    schema = adapter.json_schema()
    assert schema["type"] == "string"
    assert schema["examples"] == [example]
    assert re.match(schema["pattern"], example)
    assert not re.match(schema["pattern"], "five")
    assert isinstance(adapter.validate_python(example), float)


@pytest.mark.parametrize("text", ["5 s*10**10**10", "5 V**2", "5 V*1000", "5 V//s"])
def test_powers_and_numbers_in_a_unit_are_refused_and_never_worked_out(text: str) -> None:
    with pytest.raises(ValueError, match="unknown unit"):
        parse(text, "V")
