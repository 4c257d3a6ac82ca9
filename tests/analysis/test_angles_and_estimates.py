"""Angles on the circle, and estimates made of their budgets."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.angles import circular_mean, wrap
from analysis.estimate import BudgetLine, estimate, refused, scaled, scatter_of_mean

ANGLES = st.floats(-1e4, 1e4)


@given(angle=ANGLES)
@settings(max_examples=50, deadline=None)
def test_a_wrapped_angle_is_the_same_direction(angle: float) -> None:
    found = wrap(angle)
    assert -180 < found <= 180
    assert math.cos(math.radians(found - angle)) == pytest.approx(1.0, abs=1e-12)


def test_ends_of_the_circle() -> None:
    assert [wrap(a) for a in (-180.0, 180.0, 540.0, -179.0, 181.0, 0.0)] == [180, 180, 180, -179, -179, 0]
    assert wrap(np.array([190.0, -190.0])).tolist() == [-170, 170]


@given(middle=ANGLES, away=st.lists(st.floats(-20.0, 20.0), min_size=1, max_size=9))
@settings(max_examples=50, deadline=None)
def test_mean_direction_does_not_care_where_the_circle_is_cut(middle: float, away: list[float]) -> None:
    around = [*away, *(-a for a in away)]
    found = circular_mean(np.array([wrap(middle + a) for a in around]))
    assert wrap(found - middle) == pytest.approx(0.0, abs=1e-8)


def test_no_angles_have_no_mean() -> None:
    assert math.isnan(circular_mean(np.empty(0)))


def test_uncertainty_and_freedom_of_the_gum_examples() -> None:
    # JCGM 100:2008 H.1: 25 nm (18), 9.7 nm (25.6), 2.9 nm (50), 16.6 nm (2) give 32 nm and 16.7 degrees of freedom.
    lines = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (50.000623e-3 * 11.5e-6 * 0.029 * 1e9, 2.0)]
    found = estimate(50.000838, "mm", [BudgetLine(str(i), "A", u, dof) for i, (u, dof) in enumerate(lines)])
    assert found.u == pytest.approx(31.7, abs=0.06)
    assert found.dof == pytest.approx(16.7, abs=0.1)
    # G.4.1: relative 0.25, 0.57, 0.82 % of 10, 5, 15 readings (n - 1 each) give 1.03 % and 19.0.
    product = [BudgetLine(str(dof), "A", u, dof) for u, dof in ((0.25, 9.0), (0.57, 4.0), (0.82, 14.0))]
    found = estimate(1.0, "", product)
    assert (found.u, found.dof) == (pytest.approx(1.03, abs=0.005), pytest.approx(19.0, abs=0.05))


DAYS_V = [10.000172, 10.000116, 10.000013, 10.000144, 10.000106, 10.000031, 10.000060, 10.000125, 10.000163, 10.000041]
TEMPERATURES_C = [96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
                  100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72]  # fmt: skip


@pytest.mark.parametrize(
    ("readings", "s", "tolerance"),
    [
        # JCGM 100:2008, 4.4.3 and table 1: mean 100.145 degC, s 1.489, s / sqrt(20) = 0.333.
        (TEMPERATURES_C, 1.489, 0.0005),
        # JCGM 100:2008, H.5: the means of ten days of a voltage standard, s of the means 57 uV.
        (DAYS_V, 57e-6, 0.5e-6),
        # NIST StRD, univariate NumAcc1 to NumAcc4 (certified s 1 and 0.1; data and values from memory).
        ([10000001, 10000003, 10000002], 1.0, 1e-12),
        ([1.2, *[1.1, 1.3] * 500], 0.1, 1e-12),
        ([1000000.2, *[1000000.1, 1000000.3] * 500], 0.1, 1e-9),
        ([10000000.2, *[10000000.1, 10000000.3] * 500], 0.1, 1e-8),
    ],
)
def test_scatter_of_a_mean_is_that_of_published_readings(readings: list[float], s: float, tolerance: float) -> None:
    found = scatter_of_mean("scatter", readings)
    assert found.u * math.sqrt(len(readings)) == pytest.approx(s, abs=tolerance)
    assert (found.kind, found.dof) == ("A", len(readings) - 1.0)


def test_lines_without_a_share_are_left_out_and_a_count_has_none() -> None:
    found = estimate(8192.0, "count", [BudgetLine("nothing", "B", 0.0)])
    assert (found.u, found.dof, found.budget) == (0.0, math.inf, ())


@given(factor=st.floats(-50.0, 50.0).filter(lambda f: abs(f) > 1e-3))
@settings(max_examples=30, deadline=None)
def test_another_unit_scales_value_uncertainty_and_budget(factor: float) -> None:
    of = estimate(3.0, "V", [BudgetLine("a", "A", 0.3, 4.0), BudgetLine("b", "B", 0.4)])
    found = scaled(of, factor, "mV")
    assert (found.value, found.u) == (pytest.approx(3 * factor), pytest.approx(0.5 * abs(factor)))
    assert [line.u for line in found.budget] == pytest.approx([0.3 * abs(factor), 0.4 * abs(factor)])
    assert (found.unit, found.dof) == ("mV", of.dof)


def test_a_refusal_keeps_its_reason_in_another_unit() -> None:
    found = scaled(refused("V", "clipped"), 1000.0, "mV")
    assert (found.value, found.u, found.unit, found.reason) == (None, None, "mV", "clipped")
