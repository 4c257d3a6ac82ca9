import math
import string
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from station.formatting import (
    MINUS,
    TIMES,
    fact,
    local_date,
    local_time,
    number,
    plain,
    quantity,
    unit_sign,
    visible,
    with_uncertainty,
    zone_of,
)

numbers = st.floats(allow_nan=False, allow_infinity=False)


def read_back(text: str) -> Decimal:
    mantissa, _, power = text.replace(MINUS, "-").partition(f" {TIMES} 10")
    exponent = power.translate(str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻", "0123456789-")) or "0"
    return Decimal(mantissa).scaleb(int(exponent))


@pytest.mark.parametrize(
    ("value", "u", "printed"),
    [
        # JCGM 100:2008, 7.2.6 (from memory): 10.05762 ohm with 27 mohm is given as 10.058 ohm.
        (10.05762, 0.027, ("10.058", "0.027")),
        # JCGM 100:2008, 7.2.2 (from memory): 100.02147 g with 0.35 mg keeps all its digits.
        (100.02147, 0.00035, ("100.02147", "0.00035")),
        # Own cases: rounding up adds no third digit; whole tens; a lost sign; exact halves go to the even digit.
        (1.0, 0.0996, ("1.00", "0.10")),
        (812.4, 41.3, ("812", "41")),
        (56789.0, 1234.0, ("56800", "1200")),
        (-0.0004, 0.057, ("0.000", "0.057")),
        (0.125, 0.10, ("0.12", "0.10")),
        (2.5, 0.0, ("2.5", "")),
        (2.5, None, ("2.5", "")),
    ],
)
def test_value_and_uncertainty_end_at_the_same_place(value: float, u: float | None, printed: tuple[str, str]) -> None:
    assert with_uncertainty(value, u) == printed


@settings(deadline=None, max_examples=200)
@given(value=numbers, u=st.floats(min_value=1e-12, max_value=1e12))
def test_rounding_moves_a_value_by_half_a_place_at_most(value: float, u: float) -> None:
    shown_value, shown_u = (read_back(text) for text in with_uncertainty(value, u))
    digits = shown_u.as_tuple().digits
    assert len(Decimal(shown_u).normalize().as_tuple().digits) <= 2
    assert 10.0 <= float(shown_u) / 10.0 ** (shown_u.adjusted() - 1) < 100.0, digits
    place = Decimal(1).scaleb(shown_u.adjusted() - 1)
    assert abs(shown_value - Decimal(repr(value))) <= place / 2 * (1 + Decimal("1e-9"))


@settings(deadline=None, max_examples=200)
@given(value=numbers)
def test_a_plain_number_keeps_six_digits_and_never_shows_a_negative_zero(value: float) -> None:
    text = number(value)
    assert set(text) <= set(string.digits + ".10⁰¹²³⁴⁵⁶⁷⁸⁹⁻ " + MINUS + TIMES)
    assert math.isclose(float(read_back(text)), value, rel_tol=5.1e-6, abs_tol=1e-323)
    assert text != f"{MINUS}0"


@settings(deadline=None, max_examples=100)
@given(value=st.integers(min_value=-(10**8), max_value=10**8))
def test_a_whole_number_reads_the_same_as_integer_and_as_float(value: int) -> None:
    assert number(value) == number(float(value)) == str(value).replace("-", MINUS)


@pytest.mark.parametrize(
    ("value", "printed"),
    [
        (41.2764, "41.2764"),
        (0.1 + 0.2, "0.3"),
        (-3.0, f"{MINUS}3"),
        (1e-5, "0.00001"),
        (1e-9, f"1 {TIMES} 10⁻⁹"),
        (2.5e12, f"2.5 {TIMES} 10¹²"),
    ],
)
def test_a_number_without_uncertainty(value: float, printed: str) -> None:
    assert number(value) == printed


def test_units_are_printed_by_their_signs() -> None:
    assert quantity(3.0, "deg_el") == "3\xa0°\xa0el"
    assert unit_sign("count") == unit_sign(None) == ""
    assert unit_sign("furlong") == "furlong"


def test_the_unit_of_a_fact_comes_from_its_name() -> None:
    assert fact("sensor_supply_v", 5.0) == ("sensor supply", "5\xa0V")
    assert fact("turn_deg_mech", -0.5) == ("turn", f"{MINUS}0.5\xa0°\xa0mech")
    assert fact("pole_pairs", 4) == ("pole pairs", "4")
    assert fact("is_locked_s", True) == ("is locked s", "yes")


def test_nested_facts_do_not_depend_on_the_order_in_which_they_were_put_in() -> None:
    assert plain({"b": [1, 2.5], "a": None}) == plain({"a": None, "b": [1.0, 2.5]}) == "a: not stated; b: 1, 2.5"
    assert (plain({}), plain([]), plain(""), plain(False)) == ("none", "none", "not stated", "no")


def test_time_is_given_in_the_zone_and_in_utc_around_the_change_of_the_clocks() -> None:
    # Directive 2000/84/EC: summer time begins at 1 h UTC on the last Sunday of March, 29 March in 2026.
    assert local_time("2026-03-29T00:59:59Z", "Europe/Vienna") == "2026-03-29 01:59:59 +01:00 (2026-03-29 00:59:59 UTC)"
    assert (
        local_time("2026-03-29T01:00:00.9Z", "Europe/Vienna") == "2026-03-29 03:00:00 +02:00 (2026-03-29 01:00:00 UTC)"
    )


def test_the_day_is_that_of_the_zone() -> None:
    assert local_date("2026-03-28T23:41:07Z", "Europe/Vienna") == "2026-03-29"
    assert local_date("2026-03-28T23:41:07Z", "No/Such") == "2026-03-28"


@pytest.mark.parametrize("zone", ["No/Such", "../etc/passwd", "/etc/passwd", "Europe", "Europe/", "x\0y"])
def test_a_zone_that_is_not_known_leaves_utc_with_its_name(zone: str) -> None:
    assert zone_of(zone) is None
    assert local_time("2026-03-29T01:00:00Z", zone) == f"2026-03-29 01:00:00 UTC (zone {zone} not known here)"


def test_a_time_that_names_no_moment_is_refused() -> None:
    with pytest.raises(
        ValueError, match=r"the time '2026-03-29T01:00:00' has no offset; allowed: ISO 8601 with Z or an offset"
    ):
        local_time("2026-03-29T01:00:00", "Europe/Vienna")


def test_characters_that_hide_or_turn_text_are_spelt_out() -> None:
    assert visible("SN\u202e321\x00é日本\n") == "SN⟨U+202E⟩321⟨U+0000⟩é日本\n"
