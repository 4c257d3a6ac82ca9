"""EMF constants in every form, unbalance, resistance at a temperature, open phases and distortion."""

import math

import numpy as np
import pytest
from emf_signals import Look, Unit, capture
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.conformity import combined_u
from analysis.crossings import zero_phase
from analysis.emf_asymmetry import asymmetry_split
from analysis.emf_forms import FORMS, constant_forms, flux_linkage, line_peak_from, torque_constant
from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.windings import (
    COPPER_K,
    COPPER_K_IEC,
    constant_at,
    constant_peak_v_per_krpm,
    dead_pairs,
    harmonics_part,
    open_phase,
    referred_resistance,
    resistance_at,
    temperature_rise_k,
    thd_percent,
    unbalance_percent,
)

PAIRS = ("U-V", "V-W", "W-U")


def exact(value: float, unit: str = "V/krpm", u: float = 0.0) -> Estimate:
    return estimate(value, unit, [BudgetLine("reading", "A", u, 9.0)])


def by_pair(*values: float, u: float = 0.0) -> dict[str, Estimate]:
    return {pair: exact(v, u=u) for pair, v in zip(PAIRS, values, strict=True)}


@pytest.mark.parametrize(
    ("form", "expected"),
    [
        # 50 V rms line to line at 1000 rpm = 104.7198 rad/s; sqrt(2), sqrt(3) of a sinusoidal star machine: arithmetic.
        ("rms, line-to-line, per 1000 rpm", 50.0),
        ("rms, line-to-line, per rad/s", 0.477465),
        ("peak, line-to-line, per rad/s", 0.675237),
        ("rms, phase, per rad/s", 0.275664),
        ("peak, phase, per rad/s", 0.389848),
    ],
)
def test_one_constant_in_its_forms(form: str, expected: float) -> None:
    line_peak = line_peak_from(exact(50.0, u=0.5), "rms, line-to-line, per 1000 rpm")
    found = constant_forms(line_peak)[form]
    assert found.value == pytest.approx(expected, rel=2e-6)
    assert found.u == pytest.approx(0.01 * expected, rel=1e-5)
    assert found.unit == ("V*s/rad" if "rad/s" in form else "V/krpm")


def test_torque_constant_and_flux_linkage_of_the_same_machine() -> None:
    line_peak = line_peak_from(exact(50.0), "rms, line-to-line, per 1000 rpm")
    # Shaft power equals three-phase power: K_t = sqrt(3) K_e,LL,rms = 0.826993 N*m per ampere rms.
    assert torque_constant(line_peak).value == pytest.approx(0.826993, rel=2e-6)
    # Peak phase EMF over electrical speed, 4 pole pairs: 0.389848 / 4.
    assert flux_linkage(line_peak, 4).value == pytest.approx(0.0974622, rel=2e-6)


def test_one_volt_per_krpm_in_si_units() -> None:
    # 60 / (2 pi 1000)
    found = constant_forms(exact(1.0))["peak, line-to-line, per rad/s"]
    assert found.value == pytest.approx(0.00954930, abs=5e-9)


@pytest.mark.parametrize("form", FORMS)
def test_each_form_is_read_back(form: str) -> None:
    assert line_peak_from(constant_forms(exact(33.0))[form], form).value == pytest.approx(33.0)


def test_an_unknown_form_is_refused_with_those_there_are() -> None:
    with pytest.raises(ValueError, match="unknown form of EMF constant 'volts'; allowed: peak, line-to-line"):
        line_peak_from(exact(1.0), "volts")


def test_constant_from_captures_both_ways_round() -> None:
    found = constant_peak_v_per_krpm([15.0, 30.2], [-300.0, 600.0], gain_u=0.01, time_base_u=0.0)
    assert found.value == pytest.approx((50.0 + 50.33333) / 2, rel=1e-6)
    # Half the difference of two is the standard deviation of their mean; the scale's share is 1 %.
    assert found.u == pytest.approx(math.hypot(0.333333 / 2, 0.501667), rel=1e-5)
    assert constant_peak_v_per_krpm([], [], gain_u=0.01, time_base_u=0.0).value is None


@pytest.mark.parametrize(
    ("values", "percent"),
    [
        # NEMA MG 1 voltage unbalance, printed worked examples: largest deviation from the mean over the mean.
        ((462.0, 463.0, 455.0), 1.087),
        ((480.0, 476.0, 472.0), 0.840),
        ((460.0, 467.0, 450.0), 1.961),
    ],
)
def test_unbalance_of_worked_examples(values: tuple[float, ...], percent: float) -> None:
    assert unbalance_percent(by_pair(*values)).value == pytest.approx(percent, abs=5e-4)


def test_unbalance_uncertainty_is_the_slope_times_the_scatter() -> None:
    values, u = np.array([50.0, 50.0, 48.0]), 0.1
    found = unbalance_percent(by_pair(*values, u=u))
    step = 1e-6
    base = found.value or 0.0
    slopes = [((unbalance_percent(by_pair(*(values + step * row))).value or 0.0) - base) / step for row in np.eye(3)]
    assert found.u == pytest.approx(combined_u(slopes, [u] * 3), rel=1e-4)


def test_unbalance_needs_all_pairs() -> None:
    found = unbalance_percent({**by_pair(1.0, 1.0, 1.0), "V-W": refused("V/krpm", "dead")})
    assert (found.value, found.reason) == (None, "not measured on V-W")


def test_temperature_rise_by_resistance() -> None:
    # IEC 60034-1 by resistance, a resistance meter's printed example: 200 mohm at 20 degC, 210 mohm, ambient 25 degC.
    assert temperature_rise_k(0.200, 0.210, 20.0, 25.0) == pytest.approx(7.75)
    assert temperature_rise_k(0.200, 0.210, 20.0, 25.0, k=234.5) == pytest.approx(7.725)


@pytest.mark.parametrize(("k", "expected"), [(COPPER_K, 1.00614), (COPPER_K_IEC, 1.00645)])
def test_resistance_referred_to_25_degrees(k: float, expected: float) -> None:
    # R(25) = R (k + 25) / (k + t), IEEE Std 118 with k = 234.5, IEC 60034-1 with 235; 1.2 ohm at 75 degC.
    found = resistance_at(exact(1.2, "ohm", 0.012), 75.0, 25.0, k, 1.0)
    assert found.value == pytest.approx(expected, abs=5e-6)
    assert found.u == pytest.approx(expected * math.hypot(0.01, 1 / (k + 75)), rel=1e-4)


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


def test_constant_referred_to_20_degrees() -> None:
    # A magnet of -0.1 % / K at 70 degC has lost 5 %.
    found = constant_at(exact(47.5), exact(70.0, "degC", 2.0), -0.001)
    assert found.value == pytest.approx(50.0)
    assert found.u == pytest.approx(50.0 * 0.001 * 2 / 0.95, rel=1e-6)


@pytest.mark.parametrize(
    ("values", "dead", "phase"),
    [
        ((50.0, 50.0, 49.5), (), None),
        ((0.4, 50.0, 0.5), ("U-V", "W-U"), "U"),
        ((0.4, 0.5, 50.0), ("U-V", "V-W"), "V"),
        ((50.0, 0.4, 0.5), ("V-W", "W-U"), "W"),
        ((50.0, 50.0, 0.5), ("W-U",), None),
    ],
)
def test_two_dead_pairs_name_the_open_phase_of_a_star(
    values: tuple[float, ...], dead: tuple[str, ...], phase: str | None
) -> None:
    found = dead_pairs(by_pair(*values))
    assert (found, open_phase(found)) == (dead, phase)


def test_three_dead_pairs_are_no_open_phase() -> None:
    assert open_phase(PAIRS) is None


@pytest.mark.parametrize(
    ("shares", "thd"),
    [
        # THD_F of a square wave to order 40 is 47.032 %, to 50 47.297 %: odd orders, 1/k.
        ({k: 1 / k for k in range(3, 41, 2)}, 47.032),
        ({k: 1 / k for k in range(3, 51, 2)}, 47.297),
        ({3: 0.1, 5: 0.05, 7: 0.03}, 11.5758),
    ],
)
def test_distortion_of_known_waves(shares: dict[int, float], thd: float) -> None:
    assert thd_percent(shares) == pytest.approx(thd, abs=5e-4)


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


def test_trapezoid_line_to_line_has_the_distortion_of_the_ideal_one() -> None:
    # Line-to-line EMF of ideal 120-degree flat-top phases: odd orders but no triplens; the phase's Fourier series is
    # 4 sin(k pi/6) / (pi k^2 pi/6), so line to line THD is 4.64 %.
    orders = [k for k in range(5, 14, 2) if k % 3]
    line = {k: abs(math.sin(k * math.pi / 6) / k**2) / math.sin(math.pi / 6) for k in orders}
    assert thd_percent(line) == pytest.approx(4.64, abs=0.05)


def test_difference_of_the_zeros_splits_into_waveform_and_ripple() -> None:
    # d = c + k / w^2 with c = 0.5, k / w1^2 = 0.9 at 200 rpm, a ninth of that at 600 rpm.
    of_wave, of_ripple = asymmetry_split((200.0, exact(1.4, "deg_el", 0.1)), (600.0, exact(0.6, "deg_el", 0.1)))
    assert of_wave.value == pytest.approx(0.5)
    assert of_ripple.value == pytest.approx(0.9)
    assert of_wave.u == pytest.approx(0.1 * math.hypot(9, 1) / 8)
    none, _ = asymmetry_split((500.0, exact(1.4)), (600.0, exact(0.6)))
    assert (none.value, none.reason) == (None, "the speeds are too alike: ratio 1.20; needed: 1.3")
