"""Edges of fast logic signals against a plain two-threshold Schmitt trigger, sample by sample."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from analysis.pulse_trains import Trace, common_levels, passes, pulses, rare_levels


def square(runs: list[int], low: int, high: int, *, start_high: bool = False) -> NDArray[np.int16]:
    """Runs of samples at one level and the other by turns."""
    level, made = start_high, []
    for run in runs:
        made += [high if level else low] * run
        level = not level
    return np.array(made, dtype=np.int16)


def schmitt(counts: NDArray[np.int16], lower: float, upper: float) -> list[bool]:
    """Levels that a Schmitt trigger shows one after another, written as slowly as it is read."""
    state, changes = None, []
    for value in counts:
        new = True if value > upper else False if value < lower else state
        if new is not None and state is not None and new != state:
            changes.append(new)
        state = new
    return changes


@pytest.mark.parametrize("kind", [np.int8, np.int16, np.float64])
def test_edges_lie_between_the_samples_where_the_level_changes(kind: type) -> None:
    counts = square([40, 60, 50, 30, 40], -50, 50).astype(kind)
    train = pulses(Trace(counts, 0.05, 2.5))
    assert train.at == pytest.approx([39.5, 99.5, 149.5, 179.5])
    assert train.rising.tolist() == [True, False, True, False]
    assert train.rises == pytest.approx([39.5, 149.5])
    assert train.falls == pytest.approx([99.5, 179.5])
    assert (train.levels.low_v, train.levels.high_v) == pytest.approx((0.0, 5.0))


def test_a_slow_edge_is_timed_where_it_passes_the_middle() -> None:
    ramp = np.concatenate([np.full(50, -100), np.linspace(-100, 100, 9), np.full(50, 100)])
    assert pulses(Trace(ramp, 0.05)).at == pytest.approx([54.0])


def test_a_negative_scale_turns_the_signal_over() -> None:
    counts = square([40, 60, 50], -50, 50)
    assert pulses(Trace(counts, -0.05)).rising.tolist() == [False, True]


@settings(deadline=None, max_examples=150)
@given(
    st.lists(st.integers(5, 40), min_size=4, max_size=20),
    st.lists(st.tuples(st.integers(0, 10_000), st.integers(-45, 45)), max_size=15),
    st.booleans(),
)
def test_what_is_held_is_what_a_schmitt_trigger_shows(
    runs: list[int], spoiled: list[tuple[int, int]], start_high: bool
) -> None:
    counts = square(runs, -50, 50, start_high=start_high)
    for place, value in spoiled:
        counts[place % counts.size] = value
    low, high = common_levels(counts)
    if (high - low) * 0.05 < 2:
        return
    beyond, middle = 0.15 * (high - low), (low + high) / 2
    train = pulses(Trace(counts, 0.05))
    expected = schmitt(counts, middle - beyond, middle + beyond)
    # Where the record starts between the thresholds the slow reader knows no level yet, and the quick one assumes one.
    assert train.rising.tolist()[-len(expected) or len(train.at) :] == expected or expected == train.rising.tolist()
    assert len(train.at) - len(expected) in (0, 1)


def test_runts_are_counted_and_make_no_edge() -> None:
    counts = square([50, 50, 50, 50], -50, 50)
    counts[120:123] = 5  # passes the middle, stays below the upper threshold
    counts[70:72] = -6
    train = pulses(Trace(counts, 0.05))
    assert train.at == pytest.approx([49.5, 99.5, 149.5])
    assert train.runts == 4


def test_a_chattering_edge_is_one_edge() -> None:
    counts = square([50, 50], -50, 50)
    counts[50:54] = [5, -5, 6, -4]
    assert pulses(Trace(counts, 0.05)).rising.tolist() == [True]


def test_no_edge_below_two_volts_of_swing() -> None:
    train = pulses(Trace(square([50, 50, 50], -9, 9), 0.1))
    assert train.at.size == 0
    assert train.levels.swing_v == pytest.approx(1.8)


@pytest.mark.parametrize("constant", [-120, 0, 120])
def test_a_still_channel_has_no_edge(constant: int) -> None:
    assert pulses(Trace(np.full(5000, constant, dtype=np.int8), 0.05)).at.size == 0
    assert pulses(Trace(np.full(5000, constant, dtype=np.int8), 0.05), rare=True).at.size == 0


def test_an_empty_channel_has_no_edge() -> None:
    assert pulses(Trace(np.empty(0, dtype=np.int16), 0.05)).at.size == 0


@pytest.mark.parametrize("active_low", [False, True])
def test_a_rare_pulse_has_the_levels_of_its_own_middle_not_of_a_spike(active_low: bool) -> None:
    rng = np.random.default_rng(3)
    counts = np.full(200_000, -80.0)
    for start in (20_000, 90_000, 160_000):
        counts[start : start + 25] = 80
    counts += rng.normal(0, 1.5, counts.size)
    counts[130_000] = 125
    counts = np.rint(-counts if active_low else counts).astype(np.int8)
    low, high = rare_levels(counts)
    assert (low, high) == pytest.approx((-80, 80), abs=5)
    train = pulses(Trace(counts, 0.02), rare=True)
    widths = np.sort(np.diff(train.at)[::2])
    assert widths[-3:] == pytest.approx([25, 25, 25], abs=0.3)


def test_passes_agree_with_a_plain_difference_over_block_borders() -> None:
    rng = np.random.default_rng(9)
    counts = rng.integers(-100, 100, 400_001).astype(np.int16)
    assert np.array_equal(passes(counts, 0.5), np.flatnonzero(np.diff((counts > 0.5).astype(np.int8))))


def test_levels_are_the_medians_of_both_sides() -> None:
    rng = np.random.default_rng(4)
    counts = np.where(np.arange(300_000) % 100 < 20, 90, -90) + rng.normal(0, 3, 300_000)
    assert common_levels(np.rint(counts).astype(np.int16)) == pytest.approx((-90, 90), abs=1)
