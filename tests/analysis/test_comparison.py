"""As found against as left: sign, wrap, and what cancels, against a reference library."""

import math

import pytest

from analysis.comparison import compare, shared_systematic, sound_as_target
from analysis.estimate import BudgetLine, Estimate, estimate, refused


def figure(
    value: float, scatter: float = 0.02, gain: float = 0.1, play: float = 0.05, unit: str = "deg_el"
) -> Estimate:
    lines = [BudgetLine("scatter", "A", scatter, 4), BudgetLine("gain", "B", gain), BudgetLine("play", "B", play)]
    return estimate(value, unit, lines)


def test_the_change_is_as_left_less_as_found() -> None:
    found = compare(figure(12.0), figure(0.5))
    assert found.change.value == pytest.approx(-11.5)
    assert found.change.u == pytest.approx(math.sqrt(2) * math.hypot(0.02, 0.1, 0.05))
    assert found.significance == pytest.approx(11.5 / (found.change.u or 1))


def test_what_was_the_same_both_times_leaves_only_its_difference() -> None:
    from uncertainties import ufloat

    gain, one, two, three, four = (ufloat(0, 1) for _ in range(5))
    before = 12.0 + 0.10 * gain + 0.02 * one + 0.05 * two
    after = 0.5 + 0.08 * gain + 0.02 * three + 0.05 * four
    found = compare(figure(12.0), figure(0.5, gain=0.08), correlated={"gain"})
    assert found.change.u == pytest.approx((after - before).std_dev)


def test_a_correlated_source_of_one_side_alone_counts_in_full() -> None:
    bare = estimate(0.5, "deg_el", [BudgetLine("scatter", "A", 0.02, 4)])
    found = compare(figure(12.0), bare, correlated={"gain", "play"})
    assert found.change.u == pytest.approx(math.hypot(0.02, 0.02, 0.1, 0.05))


def test_scatter_never_cancels_whatever_is_named() -> None:
    found = compare(figure(1.0, gain=0.0, play=0.0), figure(1.0, gain=0.0, play=0.0), correlated={"scatter"})
    assert found.change.u == pytest.approx(0.02 * math.sqrt(2))
    assert found.change.dof == pytest.approx(8.0)
    assert found.significance == 0.0


def test_angles_change_the_short_way_round() -> None:
    assert compare(figure(178.0), figure(-179.0), circular=True).change.value == pytest.approx(3.0)
    assert compare(figure(178.0), figure(-179.0)).change.value == pytest.approx(-357.0)


def test_shared_sources_are_those_of_type_b_in_both() -> None:
    other = estimate(0.0, "deg_el", [BudgetLine("gain", "B", 0.1), BudgetLine("scatter", "A", 0.1)])
    assert shared_systematic(figure(1.0), other) == {"gain"}


@pytest.mark.parametrize(
    ("before", "after", "reason"),
    [
        (refused("deg_el", "clipped"), figure(1.0), "not measured as found: clipped"),
        (figure(1.0), refused("deg_el", "clipped"), "not measured as left: clipped"),
        (figure(1.0, unit="V"), figure(1.0), "as found in V, as left in deg_el"),
    ],
)
def test_no_change_without_two_figures_of_one_unit(before: Estimate, after: Estimate, reason: str) -> None:
    found = compare(before, after)
    assert (found.change.value, found.change.reason, found.significance) == (None, reason, None)


def test_exact_figures_change_without_a_significance() -> None:
    found = compare(estimate(8188.0, "count", []), estimate(8192.0, "count", []))
    assert (found.change.value, found.significance) == (4.0, None)


def test_as_found_is_a_target_only_if_all_else_is_sound() -> None:
    assert sound_as_target({"spread": "conforming", "closure": "conforming"}) == (True, ())
    assert sound_as_target({"spread": "conforming", "duty_H1": "undecided"}) == (False, ("duty_H1: undecided",))
    assert sound_as_target({}) == (False, ("nothing was checked",))
