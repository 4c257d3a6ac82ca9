"""Insulation resistance after IEEE 43-2013 (rules by public copies, thermoset constants from memory)."""

import math

import pytest

from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.insulation import (
    InsulationKind,
    factor_to_40_c,
    insulation_at_40_c,
    least_by_rated_voltage_mohm,
    polarization_index,
)


def reading(value: float, relative: float = 0.03, kind: str = "B") -> Estimate:
    return estimate(value, "Mohm", [BudgetLine("meter", kind, relative * value)])


@pytest.mark.parametrize(("temperature", "factor"), [(30.0, 0.5), (20.0, 0.25), (40.0, 1.0), (50.0, 2.0)])
def test_the_halving_rule(temperature: float, factor: float) -> None:
    assert factor_to_40_c(temperature) == pytest.approx(factor)


@pytest.mark.parametrize(("temperature", "factor"), [(25.0, 0.8186), (50.0, 1.5195), (40.0, 1.0)])
def test_the_thermoset_rule(temperature: float, factor: float) -> None:
    assert factor_to_40_c(temperature, InsulationKind.THERMOSET) == pytest.approx(factor, abs=5e-5)


def test_a_hundred_megohms_at_30_degrees_are_fifty_at_40() -> None:
    found = insulation_at_40_c(reading(100.0), Estimate(30.0, "degC", 0.5))
    assert found.value == pytest.approx(50.0)
    # dK/dT = K ln 2 / 10.
    assert found.u == pytest.approx(math.hypot(0.03 * 50, 50 * math.log(2) / 10 * 0.5), rel=0.01)


def test_without_temperature_the_reading_is_not_referred() -> None:
    assert insulation_at_40_c(reading(100.0), None).reason == "no temperature was measured"
    assert insulation_at_40_c(refused("Mohm", "not asked"), None).reason == "not asked"


def test_the_thermoset_rule_ends_at_10_degrees() -> None:
    found = insulation_at_40_c(reading(100.0), Estimate(5.0, "degC", 0.5), InsulationKind.THERMOSET)
    assert found.reason == "the thermoset rule holds from 10 degC up, got 5 degC"


def test_least_resistance_of_a_480_volt_machine() -> None:
    assert least_by_rated_voltage_mohm(0.48) == pytest.approx(1.48)


def test_polarization_index_is_a_ratio_without_the_meters_scale() -> None:
    found = polarization_index(reading(1000.0, 0.02, "A"), reading(2500.0, 0.02, "A"))
    assert found.value == pytest.approx(2.5)
    assert found.u == pytest.approx(2.5 * 0.02 * math.sqrt(2))
    assert polarization_index(reading(1000.0), reading(2500.0)).u == 0.0


def test_polarization_index_is_not_judged_above_5000_megohms() -> None:
    assert polarization_index(reading(5001.0), reading(9000.0)).reason == "not judged above 5000 Mohm after one minute"
