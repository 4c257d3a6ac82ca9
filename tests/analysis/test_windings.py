"""Windings: constants, balance, harmonics and resistance against NEMA MG 1, SI relations, IEC 60034-1 and IEEE 118."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.crossings import zero_phase
from analysis.emf_asymmetry import asymmetry_split
from analysis.emf_forms import FORMS, constant_forms, flux_linkage, form_unit, line_peak_from, torque_constant
from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.windings import (
    ALUMINIUM_K_IEC,
    COPPER_K_IEC,
    constant_at,
    constant_peak_v_per_krpm,
    dead_pairs,
    harmonics_by_phase,
    harmonics_part,
    mean_constant,
    open_phase,
    referred_resistance,
    resistance_at,
    temperature_rise_k,
    thd_percent,
    unbalance_percent,
)

PAIRS = ("U-V", "V-W", "W-U")


def volts(value: float, scatter: float = 0.0, scale: float = 0.0, unit: str = "V/krpm") -> Estimate:
    return estimate(value, unit, [BudgetLine("scatter", "A", scatter, 5), BudgetLine("scale", "B", scale)])


def pairs(*values: float, scatter: float = 0.0, scale: float = 0.0) -> dict[str, Estimate]:
    return {p: volts(v, scatter, scale) for p, v in zip(PAIRS, values, strict=True)}


# SI: K_e and K_t are the same quantity on like bases; sinusoidal star machine of 50 V rms line-line per 1000 rpm.
STATED = {
    "rms, line-to-line, per rad/s": 0.477465,
    "peak, line-to-line, per rad/s": 0.675237,
    "rms, phase, per rad/s": 0.275664,
    "peak, phase, per rad/s": 0.389848,
    "rms, line-to-line, per 1000 rpm": 50.0,
}


def test_every_form_of_the_constant_of_a_50_volt_machine() -> None:
    line_peak = line_peak_from(volts(50.0, scale=0.5), "rms, line-to-line, per 1000 rpm")
    forms = constant_forms(line_peak)
    for form, expected in STATED.items():
        assert forms[form].value == pytest.approx(expected, abs=5e-7 * max(1, expected))
        assert forms[form].u == pytest.approx(0.01 * expected, rel=1e-5)
    assert torque_constant(line_peak).value == pytest.approx(0.826993, abs=5e-7)
    # Phase peak over pole pairs: 0.389848 / 4.
    assert flux_linkage(line_peak, 4).value == pytest.approx(0.389848 / 4, abs=2e-7)


def test_torque_per_peak_ampere_is_three_halves_of_the_phase_peak() -> None:
    line_peak = line_peak_from(volts(50.0), "rms, line-to-line, per 1000 rpm")
    per_peak = (torque_constant(line_peak).value or 0) / math.sqrt(2)
    assert per_peak == pytest.approx(0.584773, abs=5e-7)
    assert per_peak == pytest.approx(1.5 * 0.389848, abs=2e-6)


def test_one_volt_per_thousand_rpm_in_si() -> None:
    # 1 V/krpm = 0.00954930 V s/rad.
    forms = constant_forms(volts(1.0))
    assert forms["peak, line-to-line, per rad/s"].value == pytest.approx(0.00954930, abs=5e-9)
    assert form_unit("peak, line-to-line, per rad/s") == "V*s/rad"


@settings(deadline=None, max_examples=50)
@given(st.sampled_from(sorted(FORMS)), st.floats(0.01, 500))
def test_forms_convert_there_and_back(form: str, value: float) -> None:
    line_peak = line_peak_from(Estimate(value, form_unit(form), 0.01 * value), form)
    assert constant_forms(line_peak)[form].value == pytest.approx(value, rel=1e-12)


def test_an_unknown_form_is_refused_with_those_there_are() -> None:
    with pytest.raises(ValueError, match="unknown form of EMF constant 'mean'; allowed: peak, line-to-line"):
        line_peak_from(volts(1.0), "mean")


def test_constant_of_captures_with_its_budget() -> None:
    found = constant_peak_v_per_krpm([10.0, 20.2, 29.9], [200.0, -400.0, 600.0], gain_u=0.01, time_base_u=0.001)
    each = np.array([50.0, 50.5, 49.83333])
    assert found.value == pytest.approx(each.mean(), abs=1e-4)
    by_source = {line.source: line.u for line in found.budget}
    assert by_source["scatter from capture to capture"] == pytest.approx(each.std(ddof=1) / math.sqrt(3), rel=1e-3)
    assert by_source["voltage scale of probe and scope"] == pytest.approx(0.01 * each.mean(), rel=1e-4)
    assert constant_peak_v_per_krpm([], [], gain_u=0.0, time_base_u=0.0).reason == "no capture with a verified speed"


def test_the_mean_of_three_pairs_keeps_the_scale_they_share() -> None:
    found = mean_constant(pairs(50.0, 51.0, 52.0, scatter=0.3, scale=0.5))
    assert found.value == pytest.approx(51.0)
    assert found.u == pytest.approx(math.hypot(0.3 / math.sqrt(3), 0.5))
    lacking = mean_constant(pairs(50.0, 51.0, 52.0) | {"V-W": refused("V/krpm", "the EMF is clipped")})
    assert lacking.reason == "not measured on V-W: the EMF is clipped"


# NEMA MG 1 voltage unbalance: a public worked example; another one in which the max - min form would give 1.68;
# and the standard's own example (460, 467, 450).
@pytest.mark.parametrize(
    ("values", "expected"), [((462, 463, 455), 1.087), ((480, 476, 472), 0.840), ((460, 467, 450), 1.961)]
)
def test_unbalance_is_that_of_nema_mg_1(values: tuple[float, float, float], expected: float) -> None:
    assert unbalance_percent(pairs(*values)).value == pytest.approx(expected, abs=5e-4)


def test_uncertainty_of_the_unbalance_agrees_with_a_reference_library_and_knows_no_common_scale() -> None:
    from uncertainties import ufloat

    a, b, c = ufloat(462, 1.0), ufloat(463, 1.0), ufloat(455, 1.0)
    mean = (a + b + c) / 3
    found = unbalance_percent(pairs(462, 463, 455, scatter=1.0, scale=20.0))
    assert found.u == pytest.approx((100 * (mean - c) / mean).std_dev, rel=1e-6)


def test_unbalance_of_single_captures_is_not_taken_for_exact() -> None:
    """One capture a pair shows no scatter; a tenth of a percent of each stands for it."""
    each = {
        pair: constant_peak_v_per_krpm([volts_], [600.0], gain_u=0.01, time_base_u=0.0)
        for pair, volts_ in (("U-V", 30.0), ("V-W", 30.0), ("W-U", 29.4))
    }
    found = unbalance_percent(each)
    assert found.u == pytest.approx(0.1 * np.sqrt(2 / 3), rel=0.02)


def test_unbalance_names_the_pair_that_is_lacking() -> None:
    found = unbalance_percent(pairs(1, 2, 3) | {"V-W": refused("V/krpm", "clipped")})
    assert found.reason == "not measured on V-W"


def test_dead_pairs_name_the_open_phase_of_a_star() -> None:
    assert dead_pairs(pairs(0.5, 50.0, 0.6)) == ("U-V", "W-U")
    assert open_phase(("U-V", "W-U")) == "U"
    assert open_phase(("V-W", "W-U")) == "W"
    assert open_phase(("U-V",)) is None
    assert open_phase(PAIRS) is None


def phases(cycles: int, n: int) -> np.ndarray:
    return np.arange(n) * 360.0 * cycles / n


# Exact sums of Fourier series (references section 7), orders to 40.
@pytest.mark.parametrize(
    ("shape", "expected"),
    [
        (lambda x: np.sign(np.sin(x)), 47.032),
        (lambda x: 2 / np.pi * np.arcsin(np.sin(x)), 12.1153),
        (lambda x: 10 * np.sin(x) + np.sin(3 * x) + 0.5 * np.sin(5 * x + 1) + 0.3 * np.cos(7 * x), 11.5758),
    ],
)
def test_distortion_of_known_waves(shape: object, expected: float) -> None:
    assert callable(shape)
    chi = phases(1, 8000) + 0.001
    parts = harmonics_by_phase(shape(np.radians(chi)), chi, range(2, 41))
    assert thd_percent({k: share for k, (share, _) in parts.items()}) == pytest.approx(expected, abs=0.01)


def test_the_flat_top_trapezoid_of_120_degrees() -> None:
    # Ideal phase EMF of unit peak: fundamental 1.215854, third 0.270190, fifth 0.048634; phase THD 22.86 %, line to
    # line 4.64 % without any third (triplen harmonics vanish line to line).
    def trapezoid(x: np.ndarray) -> np.ndarray:
        folded = np.abs((x + 90) % 360 - 180) - 90
        return np.clip(-folded / 30, -1, 1)

    chi = phases(1, 7200) + 0.025
    phase = {k: v for k, (v, _) in harmonics_by_phase(trapezoid(chi), chi, range(2, 100)).items()}
    assert phase[3] == pytest.approx(0.270190 / 1.215854, abs=1e-5)
    assert phase[5] == pytest.approx(0.048634 / 1.215854, abs=1e-5)
    assert thd_percent(phase) == pytest.approx(22.86, abs=0.01)
    line = harmonics_by_phase(trapezoid(chi) - trapezoid(chi - 120), chi + 30, range(2, 100))
    assert line[3][0] == pytest.approx(0, abs=1e-9)
    assert thd_percent({k: v for k, (v, _) in line.items()}) == pytest.approx(4.64, abs=0.01)


def test_phases_of_harmonics_refer_to_the_fundamental() -> None:
    chi = phases(2, 4000)
    wave = 2 * np.sin(np.radians(chi + 25)) + 0.1 * np.sin(np.radians(5 * (chi + 25) + 40))
    share, psi = harmonics_by_phase(wave, chi)[5]
    assert share == pytest.approx(0.05)
    assert psi == pytest.approx(40.0)


def test_harmonics_need_a_whole_cycle() -> None:
    with pytest.raises(ValueError, match="at least one whole cycle"):
        harmonics_by_phase(np.zeros(10), np.linspace(0, 300, 10))


@pytest.mark.parametrize("drift", [0.0, 0.1])
def test_distortion_of_a_capture_with_noise_and_changing_speed(drift: float) -> None:
    interval_s, n = 1e-5, 100_000
    t = np.arange(n) * interval_s
    chi = 2 * np.pi * 20.3 * (t + drift * t**2 / 2)
    speed = 1 + drift * t
    rng = np.random.default_rng(2)
    emf = 40 * speed * (np.sin(chi) + 0.03 * np.sin(5 * chi + 0.1) + 0.02 * np.sin(7 * chi)) + rng.normal(0, 0.3, n)
    phase = zero_phase(emf, interval_s)
    assert phase is not None
    parts = harmonics_part(emf, interval_s, phase)
    assert parts[5] == pytest.approx(0.03, abs=0.001)
    assert parts[7] == pytest.approx(0.02, abs=0.001)
    assert thd_percent(parts) == pytest.approx(100 * math.hypot(0.03, 0.02), abs=0.1)


def test_ripple_falls_with_the_square_of_speed_and_asymmetry_does_not() -> None:
    constant, ripple = asymmetry_split((200.0, volts(0.2 + 0.9, 0.01)), (600.0, volts(0.2 + 0.1, 0.01)))
    assert constant.value == pytest.approx(0.2)
    assert ripple.value == pytest.approx(0.9)
    from uncertainties import ufloat

    low, high = ufloat(1.1, 0.01), ufloat(0.3, 0.01)
    assert constant.u == pytest.approx(((9 * high - low) / 8).std_dev)
    assert ripple.u == pytest.approx((low - (9 * high - low) / 8).std_dev)


def test_asymmetry_is_not_split_by_speeds_too_alike() -> None:
    constant, _ = asymmetry_split((500.0, volts(1.0)), (600.0, volts(1.0)))
    assert constant.reason == "the speeds are too alike: ratio 1.20; needed: 1.3"


def test_resistance_at_25_degrees() -> None:
    # IEEE 118: 1.2 ohm at 75 degC is 1.00614 at 25 degC with k = 234.5, 1.00645 with 235.
    reading = volts(1.2, 0.002, unit="ohm")
    assert resistance_at(reading, 75.0, 25.0).value == pytest.approx(1.00614, abs=5e-6)
    assert resistance_at(reading, 75.0, 25.0, COPPER_K_IEC).value == pytest.approx(1.00645, abs=5e-6)


def test_resistance_carries_the_thermometers_uncertainty() -> None:
    from uncertainties import ufloat

    expected = ufloat(1.2, 0.002) * (234.5 + 20) / (234.5 + ufloat(31.0, 0.5))
    found = resistance_at(volts(1.2, 0.002, unit="ohm"), 31.0, 20.0)
    assert (found.value, found.u) == pytest.approx((expected.nominal_value, expected.std_dev), rel=1e-6)


def test_a_referred_resistance_needs_temperature_and_coefficient() -> None:
    reading, warm = volts(1.2, unit="ohm"), Estimate(31.0, "degC", 0.5)
    # alpha at 20 degC of copper with k = 234.5 is 1 / 254.5.
    referred = referred_resistance(reading, warm, 1 / 254.5)
    assert referred.value == pytest.approx(resistance_at(reading, 31.0, 20.0).value)
    assert referred_resistance(reading, None, 1 / 254.5).reason == "no temperature was measured"
    assert referred_resistance(reading, warm, None).reason == "the type states no temperature coefficient"


def test_temperature_rise_by_resistance() -> None:
    # IEC 60034-1: 200 mohm at 20 degC, 210 mohm, ambient 25 degC: 7.75 K with k = 235, 7.725 K with 234.5.
    assert temperature_rise_k(0.2, 0.21, 20.0, 25.0) == pytest.approx(7.75)
    assert temperature_rise_k(0.2, 0.21, 20.0, 25.0, 234.5) == pytest.approx(7.725)
    assert temperature_rise_k(0.2, 0.21, 20.0, 25.0, ALUMINIUM_K_IEC) == pytest.approx(1.05 * 245 - 250)


def test_an_emf_constant_is_referred_by_the_magnets_coefficient() -> None:
    found = constant_at(volts(50.0, 0.1), Estimate(40.0, "degC", 1.0), -0.001)
    # Two percent weaker at 40 than at 20 degC, so 51.02 where 50 were read.
    assert found.value == pytest.approx(51.0204, abs=1e-4)
    assert found.u == pytest.approx(math.hypot(0.1 / 0.98, 50 / 0.98**2 * 0.001), rel=1e-6)
    assert constant_at(volts(50.0), Estimate(40.0, "degC", 1.0), None).value is None
    assert constant_at(volts(50.0), None, -0.001).reason == "no temperature was measured"
