"""Edges of logic signals: levels, times between samples, glitches and chatter, rise and fall times."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from analysis.edges import find_edges, levels_of, timed_levels

INTERVAL_S = 1e-5
LOW_V, HIGH_V = 0.2, 4.8


def square(edges_at: list[float], samples: int, ramp: float = 4.0, *, first_high: bool = False) -> NDArray[np.float64]:
    """A signal that passes its middle at these places [samples], each edge a ramp of so many samples."""
    n = np.arange(samples, dtype=np.float64)
    high = np.full(samples, 1.0 if first_high else 0.0)
    for i, at in enumerate(edges_at):
        rising = (i % 2 == 0) != first_high
        high += (1 if rising else -1) * np.clip((n - at) / ramp + 0.5, 0, 1)
    return LOW_V + (HIGH_V - LOW_V) * high


@given(
    start=st.floats(100.0, 300.0),
    widths=st.lists(st.floats(300.0, 900.0), min_size=4, max_size=9),
    first_high=st.booleans(),
)
@settings(max_examples=50, deadline=None)
def test_edges_are_timed_between_the_samples(start: float, widths: list[float], first_high: bool) -> None:
    at = list(np.cumsum([start, *widths]))
    found = find_edges(square(at, int(at[-1]) + 400, first_high=first_high), INTERVAL_S)
    assert found.times_s == pytest.approx(np.array(at) * INTERVAL_S, abs=1e-9)
    assert found.rising.tolist() == [(i % 2 == 0) != first_high for i in range(len(at))]
    assert found.glitches == 0
    assert not found.chatter_s.any()


@pytest.mark.parametrize(("swing_v", "edges"), [(1.9, 0), (2.2, 4)])
def test_a_swing_below_two_volts_has_no_edges(swing_v: float, edges: int) -> None:
    volts = 1.0 + (square([500, 1000, 1500, 2000], 2500) - LOW_V) / (HIGH_V - LOW_V) * swing_v
    found = find_edges(volts, INTERVAL_S)
    assert found.times_s.size == edges
    assert found.levels.swing_v == pytest.approx(swing_v)


def test_a_dead_level_with_noise_has_no_edges() -> None:
    noise = np.random.default_rng(2).standard_normal(5000)
    for level in (0.1, 2.4, 4.9):
        found = find_edges(level + 0.05 * noise, INTERVAL_S)
        assert (found.times_s.size, found.glitches) == (0, 0)
        assert found.levels.middle_v == pytest.approx(level, abs=0.02)


def test_a_glitch_is_counted_and_is_no_edge() -> None:
    volts = square([500, 1000, 1500, 2000], 2500)
    volts[700:702] = LOW_V
    volts[1200] = HIGH_V
    found = find_edges(volts, INTERVAL_S)
    assert found.times_s == pytest.approx(np.array([500, 1000, 1500, 2000]) * INTERVAL_S, abs=1e-9)
    assert found.glitches == 2


def test_a_chattering_edge_is_one_edge_at_its_first_flip_with_its_width() -> None:
    volts = square([500, 1000, 1500, 2000], 2500, ramp=1.0)
    # High at 1000 less 6 samples for two, then low: falls at 993.5, rises, falls at 1000.
    volts[994:996] = LOW_V
    found = find_edges(volts, INTERVAL_S)
    assert found.times_s.size == 4
    assert found.times_s[1] == pytest.approx(993.5 * INTERVAL_S)
    assert found.chatter_s[1] > 0
    assert found.chatter_s[[0, 2, 3]].tolist() == [0, 0, 0]
    assert found.glitches == 1


def test_levels_rise_and_fall_times() -> None:
    at = [500.0 * k for k in range(1, 9)]
    volts = square(at, 4500, ramp=10.0)
    levels = timed_levels(volts, INTERVAL_S, find_edges(volts, INTERVAL_S))
    assert (levels.low_v, levels.high_v) == pytest.approx((LOW_V, HIGH_V))
    # A straight ramp takes 80 % of its length from 10 % to 90 %.
    assert levels.rise_s == pytest.approx(8 * INTERVAL_S, rel=1e-6)
    assert levels.fall_s == pytest.approx(8 * INTERVAL_S, rel=1e-6)


def test_a_pull_up_rises_slower_than_it_falls() -> None:
    # RC rise: 10 % to 90 % takes RC ln 9 (first-order step response); here RC = 20 samples, so 43.9.
    n = np.arange(8000.0)
    part = n % 1000
    volts = np.where(part < 500, HIGH_V * (1 - np.exp(-part / 20)), 0.0)
    levels = timed_levels(volts, INTERVAL_S, find_edges(volts, INTERVAL_S))
    assert levels.rise_s == pytest.approx(20 * np.log(9) * INTERVAL_S, rel=0.02)
    assert levels.fall_s is not None
    assert levels.fall_s < INTERVAL_S


def test_without_edges_of_a_kind_there_is_no_time_for_it() -> None:
    volts = square([700.0], 1400)
    levels = timed_levels(volts, INTERVAL_S, find_edges(volts, INTERVAL_S))
    assert levels.rise_s is not None
    assert levels.fall_s is None


def test_levels_of_long_records_come_from_few_samples() -> None:
    at = [997.0 * k for k in range(1, 60)]
    assert levels_of(square(at, 60_000)).swing_v == pytest.approx(HIGH_V - LOW_V)
