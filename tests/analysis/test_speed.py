"""Speed by the EMF, and speeds that keep the mains away."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.mains import bins_from_odd_harmonics
from analysis.speed import electrical_frequency, mains_rule, nearest_speed


def test_300_rpm_and_4_pole_pairs_put_60_hz_on_the_third_harmonic() -> None:
    assert not mains_rule(20.0, 60.0, 1.0)
    assert mains_rule(20.0, 50.0, 1.0)
    assert mains_rule(20.51, 60.0, 1.0)
    assert not mains_rule(20.49, 60.0, 1.0)


@given(st.floats(60, 3000), st.integers(1, 8), st.sampled_from([50.0, 60.0]), st.floats(0.2, 2.0))
@settings(deadline=None, max_examples=200)
def test_the_nearest_speed_keeps_the_rule_or_is_the_target(
    target: float, pole_pairs: int, mains_hz: float, duration_s: float
) -> None:
    rpm = nearest_speed(target, pole_pairs, mains_hz, duration_s)
    assert rpm == target or mains_rule(rpm / 60 * pole_pairs, mains_hz, duration_s)
    assert abs(rpm - target) <= 0.2501 * target


def test_a_speed_that_keeps_the_rule_is_left_alone() -> None:
    assert nearest_speed(330.0, 4, 50.0, 1.0) == 330.0


def test_only_odd_harmonics_matter_to_the_mean_of_both_zeros() -> None:
    assert bins_from_odd_harmonics(20.0, 60.0, 1.0) == 0.0
    assert bins_from_odd_harmonics(25.0, 50.0, 1.0) == 25.0
    assert bins_from_odd_harmonics(50.5, 50.0, 2.0) == 1.0


@pytest.mark.parametrize("f_e_hz", [3.3, 21.7, 133.0])
def test_frequency_of_a_noisy_wave_with_harmonics(f_e_hz: float) -> None:
    t = np.arange(60_000) * 2e-5
    wave = np.sin(2 * np.pi * f_e_hz * t) + 0.1 * np.sin(2 * np.pi * 5 * f_e_hz * t + 1)
    noisy = wave + 0.02 * np.random.default_rng(1).standard_normal(t.size)
    assert electrical_frequency(noisy, 2e-5) == pytest.approx(f_e_hz, rel=1e-3)


def test_noise_alone_has_no_speed() -> None:
    assert electrical_frequency(np.random.default_rng(2).standard_normal(50_000), 1e-5) is None
    assert electrical_frequency(np.zeros(50_000), 1e-5) is None
