"""Quantities of the interlock table as text with a unit."""

import pytest

from safety.unit_text import read_quantity, unit_of_name


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("20 ms", 0.02, "s"),
        ("2 s", 2.0, "s"),
        ("60 V", 60.0, "V"),
        ("-.5 mV", -0.0005, "V"),
        ("150 mA", 0.15, "A"),
        ("1. A", 1.0, "A"),
        ("300 rpm", 300.0, "rpm"),
        ("80 degC", 80.0, "degC"),
    ],
)
def test_a_quantity_is_value_and_base_unit(text: str, value: float, unit: str) -> None:
    found = read_quantity(text)
    assert found is not None
    assert found == (pytest.approx(value, rel=1e-12), unit)


@pytest.mark.parametrize(
    "text",
    ["20", 21, 0.02, None, True, "20ms", "20 MS", "1.2.3 V", ". V", "5 deg", "5 V ", " 5 V", "1e3 V", "9" * 400 + " V"],
)
def test_anything_else_is_none(text: object) -> None:
    assert read_quantity(text) is None


def test_names_carry_their_unit() -> None:
    names = [
        "spin_current_a",
        "spin_voltage_v",
        "spin_speed_rpm",
        "winding_temperature_c",
        "deadline_s",
        "stop_circuit",
    ]
    assert [unit_of_name(n) for n in names] == ["A", "V", "rpm", "degC", "s", None]
