"""The electrical frequency of a trace, and speeds whose harmonics keep clear of the mains."""

import numpy as np
import pytest
from emf_signals import Look, Unit, capture
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.speed import electrical_frequency, mains_rule, nearest_speed


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize("pole_pairs", [1, 4, 6])
def test_frequency_is_pole_pairs_times_speed(pole_pairs: int, direction: int) -> None:
    look = Look(direction=direction, rpm=1228 / pole_pairs, bits=8, noise_v=0.05)
    found = electrical_frequency(capture(Unit(pole_pairs), look).emf_v, look.interval_s)
    assert found == pytest.approx(1228 / 60, rel=2e-4)


def test_of_noise_there_is_no_frequency() -> None:
    assert electrical_frequency(np.random.default_rng(3).standard_normal(50_000), 1e-5) is None
    assert electrical_frequency(np.zeros(50_000), 1e-5) is None


@pytest.mark.parametrize(
    ("f_e_hz", "mains_hz", "kept"),
    [
        # 1.5 bins of 1 s are 1.5 Hz; 60 Hz is 3 x 20 Hz; 7 x 8.4 = 58.8 is 1.2 from 60; the eighth does not matter.
        (20.0, 60.0, False),
        (20.0, 50.0, True),
        (8.4, 60.0, False),
        (7.5, 60.0, True),
        (50.0, 50.0, False),
        (20.45, 60.0, False),
        (20.6, 60.0, True),
    ],
)
def test_mains_rule(f_e_hz: float, mains_hz: float, kept: bool) -> None:
    assert mains_rule(f_e_hz, mains_hz, 1.0) == kept


def test_a_speed_that_keeps_the_rule_is_left_alone() -> None:
    assert nearest_speed(330.0, 4, 50.0, 1.0) == pytest.approx(330.0)


@given(
    target=st.floats(100.0, 1000.0),
    pole_pairs=st.integers(1, 6),
    mains_hz=st.sampled_from([50.0, 60.0]),
    duration_s=st.floats(1.0, 3.0),
)
@settings(max_examples=50, deadline=None)
def test_the_speed_found_keeps_the_rule_and_is_near(
    target: float, pole_pairs: int, mains_hz: float, duration_s: float
) -> None:
    found = nearest_speed(target, pole_pairs, mains_hz, duration_s)
    steps = target * (1 + np.arange(-125, 126) * 0.002)
    reachable = [rpm for rpm in steps if mains_rule(rpm / 60 * pole_pairs, mains_hz, duration_s / 1.34)]
    assert abs(found / target - 1) <= 0.2501
    if reachable:
        assert mains_rule(found / 60 * pole_pairs, mains_hz, duration_s)
        assert abs(found - target) <= min(abs(rpm - target) for rpm in reachable) + 1e-6
