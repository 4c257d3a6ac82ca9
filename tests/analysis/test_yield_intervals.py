"""Intervals of proportions, and what counts for first-pass yield."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.yield_figures import (
    Trial,
    first_pass,
    first_pass_by,
    most_failing_without_failure,
    rolled_yield,
    wilson_interval,
)


@pytest.mark.parametrize(
    ("passed", "n", "lower", "upper"),
    [
        # Newcombe, Statistics in Medicine 17:857 (1998), table I, score method without continuity correction.
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0000, 0.1611),
        (1, 29, 0.0061, 0.1718),
        (29, 29, 0.8830, 1.0),
        # Same method at 4 of 20 (the inputs are those of Agresti & Coull, 1998; recomputed).
        (4, 20, 0.0807, 0.4160),
    ],
)
def test_score_intervals_as_published(passed: int, n: int, lower: float, upper: float) -> None:
    assert wilson_interval(passed, n) == pytest.approx((lower, upper), abs=5.1e-5)


@given(data=st.data(), n=st.integers(1, 2000))
@settings(max_examples=50, deadline=None)
def test_an_interval_holds_its_proportion_and_mirrors(data: st.DataObject, n: int) -> None:
    passed = data.draw(st.integers(0, n))
    lower, upper = wilson_interval(passed, n)
    assert 0 <= lower <= passed / n <= upper <= 1
    assert lower < upper
    mirrored = wilson_interval(n - passed, n)
    assert mirrored == pytest.approx((1 - upper, 1 - lower), abs=1e-12)
    # Both ends are where a test of that proportion just rejects (the definition of the score interval).
    for end in (lower, upper):
        if 0 < end < 1:
            assert abs(passed / n - end) == pytest.approx(1.959964 * math.sqrt(end * (1 - end) / n), rel=1e-5)


@pytest.mark.parametrize(("passed", "n"), [(0, 0), (3, 2), (-1, 5)])
def test_impossible_proportions_are_refused(passed: int, n: int) -> None:
    with pytest.raises(ValueError, match=f"got {passed} of {n}"):
        wilson_interval(passed, n)


def trial(job: str, day: int, conforming: bool, complete: bool = True) -> Trial:
    return Trial(job, f"2026-03-{day:02d}T08:00:00Z", conforming, complete)


def test_a_retest_never_changes_the_first_pass_result() -> None:
    first = [trial("J1", 1, False), trial("J2", 1, True)]
    again = [*first, trial("J1", 2, True), trial("J2", 3, False)]
    assert first_pass(again) == first_pass(first)
    # What comes first is told by the time, not by the order of the rows.
    assert first_pass(reversed(again)) == first_pass(first)
    assert (first_pass(first).passed, first_pass(first).n, first_pass(first).value) == (1, 2, 0.5)


def test_a_stopped_run_is_no_failure_and_uses_no_first_try() -> None:
    found = first_pass([trial("J1", 1, False, complete=False), trial("J1", 2, True)])
    assert (found.passed, found.n) == (1, 1)
    assert first_pass([trial("J1", 1, False, complete=False)]).n == 0


def test_of_nothing_there_is_no_yield() -> None:
    found = first_pass([])
    assert (found.n, found.value, found.lower, found.upper) == (0, None, None, None)


def test_a_job_counts_once_and_where_it_was_first_tried() -> None:
    trials = [trial("J1", 1, False), trial("J1", 9, True), trial("J2", 9, True)]
    found = first_pass_by(trials, lambda t: t.started[:10])
    assert {day: (f.passed, f.n) for day, f in found.items()} == {"2026-03-01": (0, 1), "2026-03-09": (1, 1)}


def test_rolled_yield_of_four_steps() -> None:
    # 0.98 x 0.95 x 0.96 x 0.99 (product rule of ISO 13053-1 usage; recomputed).
    assert rolled_yield([0.98, 0.95, 0.96, 0.99]) == pytest.approx(0.8848224, abs=5e-8)


@pytest.mark.parametrize(("n", "bound"), [(59, 0.0495), (299, 0.00997)])
def test_bound_without_a_failure(n: int, bound: float) -> None:
    # 1 - 0.05^(1/n), one-sided 95 %.
    assert most_failing_without_failure(n) == pytest.approx(bound, abs=5e-5)


def test_a_bound_of_no_trials_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one trial, got 0"):
        most_failing_without_failure(0)
