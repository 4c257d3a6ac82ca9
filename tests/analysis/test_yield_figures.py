"""Yield and its interval against published tables."""

import math

import pytest
import scipy.stats
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

# Newcombe, Statistics in Medicine 17:857 (1998), table I, score method without continuity correction, 95 %;
# and 4 of 20 after Agresti and Coull (1998).
WILSON = {
    (81, 263): (0.2553, 0.3662),
    (15, 148): (0.0624, 0.1605),
    (0, 20): (0.0000, 0.1611),
    (1, 29): (0.0061, 0.1718),
    (29, 29): (0.8830, 1.0),
    (4, 20): (0.0807, 0.4160),
}


@pytest.mark.parametrize(("counts", "interval"), WILSON.items())
def test_wilson_interval_is_that_of_the_published_table(counts: tuple[int, int], interval: tuple[float, float]) -> None:
    assert wilson_interval(*counts) == pytest.approx(interval, abs=5e-5)


@settings(deadline=None, max_examples=100)
@given(st.integers(1, 500).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_wilson_interval_agrees_with_scipy(counts: tuple[int, int]) -> None:
    passed, n = counts
    reference = scipy.stats.binomtest(passed, n).proportion_ci(0.95, method="wilson")
    assert wilson_interval(passed, n) == pytest.approx((reference.low, reference.high), abs=1e-9)


@pytest.mark.parametrize(("passed", "n"), [(0, 0), (3, 2), (-1, 2)])
def test_impossible_counts_are_refused(passed: int, n: int) -> None:
    with pytest.raises(ValueError, match="a proportion needs 0 <= passed <= n and n > 0"):
        wilson_interval(passed, n)


def test_a_retest_never_changes_the_first_pass_result() -> None:
    failed, mended = Trial("J1", "2030-01-01", conforming=False), Trial("J1", "2030-01-02", conforming=True)
    for trials in ([failed], [failed, mended], [mended, failed]):
        figure = first_pass(trials)
        assert (figure.passed, figure.n) == (0, 1)


def test_a_stopped_run_is_no_failure() -> None:
    stopped = Trial("J1", "2030-01-01", conforming=False, complete=False)
    assert first_pass([stopped]).n == 0
    assert first_pass([stopped, Trial("J1", "2030-01-02", conforming=True)]).value == 1.0


def test_a_motor_tested_twice_within_a_job_counts_once() -> None:
    trials = [Trial("J1", f"2030-01-0{i}", conforming=True) for i in (1, 2)]
    assert first_pass([*trials, Trial("J2", "2030-01-03", conforming=False)]).n == 2


def test_of_nothing_there_is_no_yield() -> None:
    figure = first_pass([])
    assert (figure.passed, figure.n, figure.value, figure.lower, figure.upper) == (0, 0, None, None, None)


def test_yield_carries_its_interval() -> None:
    trials = [Trial(f"J{i}", "2030-01-01", conforming=i < 4) for i in range(20)]
    figure = first_pass(trials)
    assert (figure.passed, figure.n, figure.value) == (4, 20, 0.2)
    assert (figure.lower, figure.upper) == pytest.approx((0.0807, 0.4160), abs=5e-5)


def test_a_retest_in_another_week_counts_where_it_was_first_tried() -> None:
    trials = [
        Trial("J1", "2030-W01-2", conforming=False),
        Trial("J1", "2030-W02-1", conforming=True),
        Trial("J2", "2030-W02-3", conforming=True),
    ]
    weeks = first_pass_by(trials, lambda t: t.started[:8])
    assert {week: (f.passed, f.n) for week, f in weeks.items()} == {"2030-W01": (0, 1), "2030-W02": (1, 1)}


def test_rolled_yield_of_four_steps() -> None:
    # ISO 13053-1 usage: 0.98 0.95 0.96 0.99 make 0.8848224.
    assert rolled_yield([0.98, 0.95, 0.96, 0.99]) == pytest.approx(0.8848224, abs=5e-8)
    assert -math.log(rolled_yield([0.98, 0.95, 0.96, 0.99])) == pytest.approx(0.122368, abs=5e-7)


# 1 - 0.05^(1/n), one-sided 95 %.
@pytest.mark.parametrize(("n", "bound"), [(59, 0.0495), (299, 0.00997)])
def test_no_failure_still_allows_some(n: int, bound: float) -> None:
    assert most_failing_without_failure(n) == pytest.approx(bound, rel=0.001)


def test_a_bound_needs_a_trial() -> None:
    with pytest.raises(ValueError, match="at least one trial"):
        most_failing_without_failure(0)
