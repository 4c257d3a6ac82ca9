"""Edges of logic signals: places, levels, glitches, chatter, rise and fall times."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.edges import Edges, find_edges, levels_of, timed_levels

DT = 1e-5


def square(times_s: list[float], samples: int, low: float = 0.2, high: float = 4.8) -> np.ndarray:
    """Start low, change at each time."""
    level = np.searchsorted(np.array(times_s), np.arange(samples) * DT, side="right") % 2
    return np.where(level == 1, high, low)


EVERY_10_MS = [0.01 * k + 0.003 for k in range(20)]


@given(st.lists(st.floats(0.002, 0.01), min_size=3, max_size=30))
@settings(deadline=None, max_examples=60)
def test_every_edge_is_found_within_half_a_sample(gaps: list[float]) -> None:
    times = np.cumsum(gaps)
    found = find_edges(square(list(times), int(times[-1] / DT) + 200), DT)
    assert found.times_s.size == times.size
    assert np.all(np.abs(found.times_s - times) <= DT / 2 + 1e-12)
    assert np.array_equal(found.rising, np.arange(times.size) % 2 == 0)
    assert found.glitches == 0


def test_levels_and_their_middle() -> None:
    levels = levels_of(square(EVERY_10_MS, 20_000))
    assert (levels.low_v, levels.high_v) == (0.2, 4.8)
    assert levels.swing_v == pytest.approx(4.6)
    assert levels.middle_v == pytest.approx(2.5)


@pytest.mark.parametrize("level_v", [0.0, 0.1, 5.0])
def test_a_signal_that_does_not_switch_has_no_edges_however_noisy(level_v: float) -> None:
    noisy = level_v + 0.1 * np.random.default_rng(1).standard_normal(20_000)
    assert find_edges(noisy, DT).times_s.size == 0
    assert find_edges(np.full(20_000, level_v), DT).times_s.size == 0


def test_a_signal_of_not_a_number_has_no_edges() -> None:
    assert find_edges(np.full(20_000, np.nan), DT).times_s.size == 0


def test_a_glitch_is_counted_and_makes_no_edge() -> None:
    volts = square(EVERY_10_MS, 20_000)
    volts[800:802] = 0.2
    found = find_edges(volts, DT)
    assert found.times_s.size == len(EVERY_10_MS)
    assert found.glitches == 1


def test_a_chattering_edge_is_one_edge_at_its_first_flip() -> None:
    volts = square(EVERY_10_MS, 20_000)
    at = int(EVERY_10_MS[4] / DT) + 1
    volts[at + 2 : at + 4] = 0.2
    volts[at + 6 : at + 7] = 0.2
    found = find_edges(volts, DT)
    assert found.times_s.size == len(EVERY_10_MS)
    assert found.times_s[4] == pytest.approx(EVERY_10_MS[4], abs=DT)
    assert found.glitches == 2
    assert found.chatter_s[4] == pytest.approx(7 * DT, abs=1.5 * DT)
    assert np.count_nonzero(found.chatter_s) == 1


def test_slow_edges_are_timed_between_samples_and_their_rise_is_told() -> None:
    # A ramp of 1 ms from 0 to 5 V: 10 % to 90 % in 0.8 ms, middle in the middle.
    t = np.arange(40_000) * DT
    volts = np.clip(5 * ((t % 0.02) - 0.005) / 1e-3, 0, 5) * ((t % 0.02) < 0.015)
    found = find_edges(volts, DT)
    rises = found.times_s[found.rising]
    assert np.allclose(rises % 0.02, 0.0055, atol=1e-9)
    levels = timed_levels(volts, DT, found)
    assert levels.rise_s == pytest.approx(0.8e-3, rel=0.01)
    assert levels.fall_s == pytest.approx(0.8 * DT, rel=0.01)


def test_without_edges_there_is_no_rise_time() -> None:
    flat = np.zeros(1000)
    levels = timed_levels(flat, DT, find_edges(flat, DT))
    assert levels.rise_s is None
    assert levels.fall_s is None


def test_one_edge_alone_is_found() -> None:
    found: Edges = find_edges(square([0.05], 10_000), DT)
    assert found.times_s == pytest.approx([0.05], abs=DT / 2)
