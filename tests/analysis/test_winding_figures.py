"""EMF constants from captures, unbalance and its uncertainty, resistance at a temperature, distortion of a capture."""

import math

import numpy as np
import pytest
from emf_signals import Look, Unit, capture
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.conformity import combined_u
from analysis.crossings import zero_phase
from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.windings import (
    constant_peak_v_per_krpm,
    harmonics_part,
    open_phase,
    referred_resistance,
    resistance_at,
    thd_percent,
    unbalance_percent,
)

PAIRS = ("U-V", "V-W", "W-U")


def exact(value: float, unit: str = "V/krpm", u: float = 0.0) -> Estimate:
    return estimate(value, unit, [BudgetLine("reading", "A", u, 9.0)])


def by_pair(*values: float, u: float = 0.0) -> dict[str, Estimate]:
    return {pair: exact(v, u=u) for pair, v in zip(PAIRS, values, strict=True)}


def test_constant_from_captures_both_ways_round() -> None:
    found = constant_peak_v_per_krpm([15.0, 30.2], [-300.0, 600.0], gain_u=0.01, time_base_u=0.0)
    assert found.value == pytest.approx((50.0 + 50.33333) / 2, rel=1e-6)
    # Half the difference of two is the standard deviation of their mean; the scale's share is 1 %.
    assert found.u == pytest.approx(math.hypot(0.333333 / 2, 0.501667), rel=1e-5)
    assert constant_peak_v_per_krpm([], [], gain_u=0.01, time_base_u=0.0).value is None


def test_unbalance_uncertainty_is_the_slope_times_the_scatter() -> None:
    values, u = np.array([50.0, 50.0, 48.0]), 0.1
    found = unbalance_percent(by_pair(*values, u=u))
    step = 1e-6
    base = found.value or 0.0
    slopes = [((unbalance_percent(by_pair(*(values + step * row))).value or 0.0) - base) / step for row in np.eye(3)]
    assert found.u == pytest.approx(combined_u(slopes, [u] * 3), rel=1e-4)


def test_resistance_by_a_types_coefficient_is_the_same_rule() -> None:
    # alpha at 20 degC = 1 / 254.5 for copper.
    measured, warm = exact(1.2, "ohm"), exact(75.0, "degC", 0.5)
    found = referred_resistance(measured, warm, 1 / 254.5, 25.0)
    assert found.value == pytest.approx(1.00614, abs=5e-6)
    assert referred_resistance(measured, None, 1 / 254.5).reason == "no temperature was measured"
    assert referred_resistance(measured, warm, None).reason == "the type states no temperature coefficient"
    assert referred_resistance(refused("ohm", "open"), warm, 0.004).reason == "open"


@given(t=st.floats(-20.0, 150.0), wanted=st.floats(-20.0, 150.0), ohm=st.floats(0.01, 100.0))
@settings(max_examples=50, deadline=None)
def test_referring_there_and_back_changes_nothing(t: float, wanted: float, ohm: float) -> None:
    there = resistance_at(exact(ohm, "ohm"), t, wanted)
    assert resistance_at(there, wanted, t).value == pytest.approx(ohm, rel=1e-12)


def test_three_dead_pairs_are_no_open_phase() -> None:
    assert open_phase(PAIRS) is None


@pytest.mark.parametrize("ripple", [(), ((1, 0.02, 0.4), (3, 0.01, 1.0))])
def test_harmonics_of_a_drawn_emf_whatever_the_speed_does(ripple: tuple[tuple[int, float, float], ...]) -> None:
    shares = {5: 0.04, 7: 0.02, 11: 0.01}
    unit = Unit(harmonics={5: (0.04, 0.0), 7: (0.02, 180.0), 11: (0.01, 0.0)})
    look = Look(ripple=ripple)
    emf_v = capture(unit, look).emf_v
    phase = zero_phase(emf_v, look.interval_s, unit.pole_pairs)
    assert phase is not None
    found = harmonics_part(emf_v, look.interval_s, phase)
    for order, share in found.items():
        assert share == pytest.approx(shares.get(order, 0.0), abs=0.002)
    assert thd_percent(found) == pytest.approx(100 * math.sqrt(0.04**2 + 0.02**2 + 0.01**2), abs=0.1)
