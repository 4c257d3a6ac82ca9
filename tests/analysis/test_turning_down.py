"""Counting a turn down, against a bench of its own that knows where shaft, hub and body stand.

The bench follows the sign convention, not the module: all angles mechanical, clockwise from the drive end; the sensors'
offset grows by P times the body's turn and falls by P times the hub's; the encoder sees its disc against its body.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats

from analysis.correction import correction
from analysis.counter import Counter
from analysis.edge_table import UnmeasurableError
from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.turning_down import (
    Aim,
    Gain,
    LockShift,
    Part,
    Remaining,
    Round,
    ViewingEnd,
    learn_gain,
    lock_shift,
    locking,
    turned_the_wrong_way,
    turning_down,
    way_of,
)

COUNTER = Counter(4 * 2048, 4)
AIM = Aim(0.0, (-0.7, 0.7))


@dataclass(frozen=True)
class Bench:
    """Where body, hub on the shaft, and shaft stand [deg_mech]; the offset with all at nothing [deg_el]."""

    start_deg_el: float
    counter: Counter
    body: float = 0.0
    hub: float = 0.0
    shaft: float = 0.0

    @property
    def offset_deg_el(self) -> float:
        return self.start_deg_el + self.counter.pole_pairs * (self.body - self.hub)

    @property
    def counts(self) -> int:
        disc_against_body = self.shaft + self.hub - self.body
        return math.floor(self.counter.clockwise * disc_against_body / 360 * self.counter.counts_per_rev)

    def turned(self, part: Part, clockwise_deg: float) -> "Bench":
        return replace(self, **{part.value: getattr(self, part.value) + clockwise_deg})


def of(value: float, u: float = 0.02) -> Estimate:
    return estimate(value, "deg_el", [BudgetLine("spin", "B", u)])


def clockwise_from_drive_end(remaining: Remaining) -> int:
    said = 1 if remaining.way == "clockwise" else -1
    return said if remaining.end is ViewingEnd.DRIVE_END else -said


counters = st.builds(Counter, st.sampled_from([4000, 4096, 8192, 10_000]), st.integers(1, 8), st.sampled_from([1, -1]))
parts, ends = st.sampled_from(Part), st.sampled_from(ViewingEnd)


def test_a_count_of_2048_lines_and_4_pole_pairs_is_0_176_degrees() -> None:
    # A turn is 1440 electrical degrees and 8192 counts.
    assert COUNTER.deg_el == pytest.approx(0.17578, abs=1e-5)
    remaining = turning_down(of(2.74), AIM, COUNTER, 0)
    # The worked example: 0.685 mechanical of 8192 counts.
    assert abs(remaining.wanted_counts) == pytest.approx(0.685 / 360 * 8192)
    assert remaining.amount_deg_mech(4).value == pytest.approx(0.685)
    assert remaining.amount_deg_mech(4).unit == "deg_mech"


@given(st.floats(-25, 25), counters, parts, ends)
@settings(deadline=None, max_examples=100)
def test_turning_as_told_until_nothing_is_left_brings_the_offset_to_its_target(
    offset: float, counter: Counter, part: Part, end: ViewingEnd
) -> None:
    bench = Bench(offset, counter)
    start = bench.counts
    first = turning_down(of(offset), AIM, counter, 0, part=part, end=end)
    step = first.amount_deg_mech(counter.pole_pairs).value or 0.0
    bench = bench.turned(part, clockwise_from_drive_end(first) * step)
    last = turning_down(of(offset), AIM, counter, bench.counts - start, part=part, end=end)
    assert bench.offset_deg_el == pytest.approx(0.0, abs=1e-9)
    assert abs(last.left_counts) <= 1 + 1e-6
    assert last.offset_now.value == pytest.approx(0.0, abs=counter.deg_el * (1 + 1e-6))
    assert not last.overshot or counter.deg_el > 0.7


@given(st.floats(-25, 25), st.floats(0, 1.5), counters, parts)
@settings(deadline=None, max_examples=100)
def test_what_is_left_is_right_to_a_count_all_the_way(
    offset: float, share: float, counter: Counter, part: Part
) -> None:
    bench = Bench(offset, counter)
    after = bench.turned(part, -share * offset / counter.pole_pairs * (1 if part is Part.BODY else -1))
    remaining = turning_down(of(offset), AIM, counter, after.counts - bench.counts, part=part)
    assert remaining.offset_now.value == pytest.approx(after.offset_deg_el, abs=counter.deg_el * (1 + 1e-6))
    assert remaining.left.value == pytest.approx(-after.offset_deg_el, abs=counter.deg_el * (1 + 1e-6))
    assert remaining.wanted_counts == pytest.approx(remaining.counted + remaining.left_counts)


@given(st.floats(-170, 170), st.floats(-20, 20), counters)
@settings(deadline=None, max_examples=100)
def test_body_and_hub_want_the_same_counts_and_opposite_ways(offset: float, target: float, counter: Counter) -> None:
    aim = Aim(target, (target - 1, target + 1))
    body, hub = (turning_down(of(offset), aim, counter, 0, part=p) for p in Part)
    assert body.wanted_counts == hub.wanted_counts
    assert body.way != hub.way
    # The other module that says which way: of the body, by reasoning of its own.
    assume(abs(abs(target - offset) - 180) > 1e-6 and abs(target - offset) > 1e-6)
    told = correction(offset, target, counter.pole_pairs, counter.counts_per_rev)
    assert abs(body.wanted_counts) == pytest.approx(told.counts)
    assert body.way == told.from_rear
    assert turning_down(of(offset), aim, counter, 0, end=ViewingEnd.DRIVE_END).way == told.from_drive_end


@given(st.floats(0.01, 90), st.sampled_from([1, -1]), parts)
@settings(deadline=None, max_examples=100)
def test_the_two_ends_see_opposite_ways_and_so_do_opposite_turns(size: float, sign: int, part: Part) -> None:
    ways = {way_of(sign * size, part, end) for end in ViewingEnd}
    assert ways == {"clockwise", "counter-clockwise"}
    assert way_of(size, part, ViewingEnd.REAR) != way_of(-size, part, ViewingEnd.REAR)


def test_the_shorter_way_round_is_counted() -> None:
    aim = Aim(-175.0, (-176.0, -174.0))
    remaining = turning_down(of(175.0), aim, COUNTER, 0)
    assert remaining.left.value == pytest.approx(10.0)
    there = turning_down(of(175.0), aim, COUNTER, round(remaining.wanted_counts))
    assert there.in_window
    assert there.offset_now.value == pytest.approx(-175.0, abs=0.1)


# The window, the wrong way, too far


def test_in_the_window_or_not_and_surely_or_not() -> None:
    for counted, inside, surely in ((0, False, False), (24, False, False), (25, True, False), (28, True, True)):
        remaining = turning_down(of(5.0, 0.1), AIM, COUNTER, counted)
        assert (remaining.in_window, remaining.surely_in_window) == (inside, surely), counted


def test_turning_the_wrong_way_is_seen_after_two_counts() -> None:
    assert not turning_down(of(5.0), AIM, COUNTER, -2).wrong_way
    wrong = turning_down(of(5.0), AIM, COUNTER, -20)
    assert wrong.wrong_way
    assert wrong.left.value == pytest.approx(-(5.0 + 20 * COUNTER.deg_el))
    assert not turning_down(of(5.0), AIM, COUNTER, 20).wrong_way
    assert turning_down(of(5.0), AIM, replace(COUNTER, clockwise=-1), 20).wrong_way


def test_too_far_is_seen_and_told_back() -> None:
    there, beyond = (turning_down(of(5.0), AIM, COUNTER, n) for n in (20, 40))
    assert not turning_down(of(5.0), AIM, COUNTER, 31).overshot
    assert not there.overshot
    assert beyond.overshot
    assert not beyond.wrong_way
    assert {there.way, beyond.way} == {"clockwise", "counter-clockwise"}


@given(st.integers(0, 200), st.integers(0, 200), st.floats(0.001, 0.3))
@settings(deadline=None, max_examples=100)
def test_the_further_the_turn_the_less_sure_is_what_is_left(one: int, other: int, u: float) -> None:
    near, far = sorted((one, other))
    stated = [turning_down(of(5.0, u), AIM, COUNTER, n).left.u or 0.0 for n in (near, far)]
    assert stated[0] <= stated[1]
    assert stated[0] >= u


def test_the_uncertainty_of_what_is_left_adds_up() -> None:
    remaining = turning_down(of(5.0, 0.1), AIM, COUNTER, 20, gain=Gain(1.0, 1, 0.03))
    # Two rectangular counts, and 3 % of 20 counts (JCGM 100:2008, 4.3.7 and 5.1.2).
    count = 360 * 4 / 8192
    expected = math.sqrt(0.1**2 + 2 * count**2 / 12 + (0.03 * 20 * count) ** 2)
    assert remaining.left.u == pytest.approx(expected)
    assert remaining.amount_deg_mech(4).u == pytest.approx(expected / 4)


def test_an_offset_not_measured_counts_nothing_down() -> None:
    with pytest.raises(UnmeasurableError, match="the offset was not measured: no EMF"):
        turning_down(refused("deg_el", "no EMF"), AIM, COUNTER, 0)
    with pytest.raises(ValueError, match="the target 2 deg_el must lie in its window -1 to 1 deg_el"):
        Aim(2.0, (-1.0, 1.0))


# Gain and sense, learned from the rounds before


def round_of(bench: Bench, part: Part, clockwise_deg: float, drag: float, u: float = 0.02) -> tuple[Round, Bench]:
    """Turn a part by hand; the shaft goes along by a share of it."""
    after = bench.turned(part, clockwise_deg)
    after = replace(after, shaft=after.shaft + drag * clockwise_deg)
    return Round(of(bench.offset_deg_el, u), of(after.offset_deg_el, u), after.counts - bench.counts, part), after


@given(
    st.floats(8, 25), st.sampled_from([1, -1]), st.floats(-0.1, 0.15), st.sampled_from([1, -1]), st.sampled_from([4, 5])
)
@settings(deadline=None, max_examples=100)
def test_after_one_round_the_next_lands_whatever_drags_and_whichever_way_counts_run(
    size: float, sign: int, drag: float, really: int, pole_pairs: int
) -> None:
    true = Counter(8192, pole_pairs, really)
    stated = replace(true, clockwise=1)
    measured, bench = round_of(Bench(sign * size, true), Part.BODY, -0.7 * sign * size / pole_pairs, drag)
    gain = learn_gain([measured], stated)
    assert gain.sense == really
    assert gain.value == pytest.approx(1 / (1 - drag), abs=3 * gain.u)
    assert gain.u <= 0.1
    start = bench.counts
    first = turning_down(of(bench.offset_deg_el), AIM, stated, 0, gain=gain)
    step = clockwise_from_drive_end(first) * (first.amount_deg_mech(pole_pairs).value or 0.0)
    after = bench.turned(Part.BODY, step)
    after = replace(after, shaft=after.shaft + drag * step)
    last = turning_down(of(bench.offset_deg_el), AIM, stated, after.counts - start, gain=gain)
    error = (last.offset_now.value or 0.0) - after.offset_deg_el
    # One count, and what learning left wrong.
    assert abs(error) <= 1.3 * true.deg_el + 4 * gain.u * abs(bench.offset_deg_el)
    assert abs(last.left_counts) <= 1.3 + 4 * gain.u * abs(last.wanted_counts)
    assert not last.wrong_way


def test_a_gain_far_from_one_says_what_it_means() -> None:
    along, _ = round_of(Bench(20.0, COUNTER), Part.BODY, -4.0, 0.3)
    gain = learn_gain([along], COUNTER)
    assert gain.note.endswith("the shaft goes along with the body")
    assert gain.u > 0.03
    hub, _ = round_of(Bench(20.0, COUNTER), Part.HUB, 4.0, 0.3)
    assert learn_gain([hub], COUNTER, Part.HUB).value < 0.9
    assert learn_gain([hub], COUNTER, Part.HUB).note.endswith("the shaft goes along with the hub")
    assert learn_gain([hub], COUNTER) == Gain()
    alone, _ = round_of(Bench(20.0, COUNTER), Part.BODY, -4.0, -0.5)
    assert learn_gain([alone], COUNTER).note.endswith("the shaft turns against the body")
    fair, _ = round_of(Bench(20.0, COUNTER), Part.BODY, -4.0, 0.02)
    assert learn_gain([fair], COUNTER).note == ""


def test_rounds_that_agree_make_the_gain_surer() -> None:
    one, bench = round_of(Bench(20.0, COUNTER), Part.BODY, -2.0, 0.05, u=0.1)
    two, _ = round_of(bench, Part.BODY, -2.0, 0.05, u=0.1)
    first, both = learn_gain([one], COUNTER), learn_gain([one, two], COUNTER)
    assert both.rounds == 2
    assert both.u < first.u < Gain().u


def test_a_round_too_small_to_tell_teaches_nothing() -> None:
    small = Round(of(1.0, 0.5), of(0.8, 0.5), 1)
    assert learn_gain([small], COUNTER) == Gain()
    assert learn_gain([], COUNTER) == Gain()
    assert learn_gain([Round(of(5.0), of(2.0), 0)], COUNTER) == Gain()
    assert learn_gain([Round(of(5.0), refused("deg_el", "no EMF"), 40)], COUNTER) == Gain()


def test_counts_that_the_offset_does_not_follow_are_refused() -> None:
    bench = Bench(20.0, COUNTER)
    shaft_only = replace(bench, shaft=4.0)
    with pytest.raises(UnmeasurableError, match="the offset did not follow the counts: 91 counts"):
        learn_gain([Round(of(20.0), of(shaft_only.offset_deg_el), shaft_only.counts - bench.counts)], COUNTER)
    one, after = round_of(bench, Part.BODY, -2.0, 0.0)
    other, _ = round_of(after, Part.BODY, -2.0, 0.0)
    with pytest.raises(UnmeasurableError, match="rounds disagree on which way the counts run"):
        learn_gain([one, replace(other, counts=-other.counts)], COUNTER)


def test_the_wrong_way_is_told_from_a_counter_that_runs_the_other_way() -> None:
    wrong, _ = round_of(Bench(5.0, COUNTER), Part.BODY, 1.0, 0.0)
    assert turned_the_wrong_way(wrong, -5.0)
    assert learn_gain([wrong], COUNTER).sense == 1
    right, _ = round_of(Bench(5.0, replace(COUNTER, clockwise=-1)), Part.BODY, -1.0, 0.0)
    assert not turned_the_wrong_way(right, -5.0)
    assert learn_gain([right], COUNTER).sense == -1
    assert not turned_the_wrong_way(Round(of(5.0), refused("deg_el", "no EMF"), 3), -5.0)


# Locking


def test_a_lock_that_the_counts_saw_did_not_slip() -> None:
    bench = Bench(0.3, COUNTER)
    after = bench.turned(Part.BODY, 0.4)
    seen = locking(of(bench.offset_deg_el), of(after.offset_deg_el), after.counts - bench.counts, COUNTER)
    assert seen.shift.value == pytest.approx(1.6)
    assert seen.by_counts_deg_el == pytest.approx(1.6, abs=COUNTER.deg_el)
    assert not seen.slipped
    unseen = locking(of(0.3), of(1.9), 0, COUNTER)
    assert unseen.slipped
    assert unseen.unseen.value == pytest.approx(1.6)
    with pytest.raises(UnmeasurableError, match="not measured as left: no EMF"):
        locking(of(0.3), refused("deg_el", "no EMF"), 0, COUNTER)


@given(st.lists(st.floats(-5, 5), min_size=3, max_size=30))
@settings(deadline=None, max_examples=100)
def test_the_learned_shift_is_student_s_interval(shifts: list[float]) -> None:
    assume(np.std(shifts) > 1e-3)
    learned = lock_shift(shifts)
    n = len(shifts)
    # scipy as the judge, by another way: interval of t with the standard error of the mean.
    low, high = stats.t.interval(0.95, n - 1, loc=np.mean(shifts), scale=stats.sem(shifts))
    assert learned.interval_deg_el == pytest.approx((low, high))
    assert learned.n == n
    assert learned.sd_deg_el == pytest.approx(np.std(shifts, ddof=1))
    assert learned.expected.dof == pytest.approx(n - 1)
    assert (learned.expected.u or 0) > (learned.sd_deg_el or 0)


def test_few_locks_promise_nothing() -> None:
    none, one, two = (lock_shift([0.4, 0.5][:n]) for n in range(3))
    assert (none.n, none.mean_deg_el, none.sd_deg_el, none.interval_deg_el) == (0, None, None, None)
    assert (one.n, one.mean_deg_el, one.sd_deg_el, one.interval_deg_el) == (1, 0.4, None, None)
    # Two values: t of one degree of freedom is 12.706 (table of Student's t), half the range 0.05.
    assert two.interval_deg_el == pytest.approx((0.45 - 12.706 * 0.05, 0.45 + 12.706 * 0.05), abs=1e-4)
    for learned in (none, one, two):
        assert learned.expected.reason == f"{learned.n} locks of this type so far; needed: 3"
        assert turning_down(of(5.0), AIM, COUNTER, 0, shift=learned).left.value == pytest.approx(-5.0)
    with pytest.raises(ValueError, match="every shift must be a number"):
        lock_shift([0.1, math.nan])


def shifting(mean: float, sd: float = 0.05) -> LockShift:
    return lock_shift([mean - sd, mean, mean + sd])


@given(st.floats(-20, 20), st.floats(-1, 1))
@settings(deadline=None, max_examples=100)
def test_a_turn_ends_so_far_before_the_target_as_locking_will_add(offset: float, shift: float) -> None:
    learned = shifting(shift)
    first = turning_down(of(offset), AIM, COUNTER, 0, shift=learned)
    bench = Bench(offset, COUNTER).turned(Part.BODY, (first.left.value or 0.0) / COUNTER.pole_pairs)
    assert bench.offset_deg_el + shift == pytest.approx(0.0, abs=1e-6)
    sure = Gain(u=0.002)
    done = turning_down(of(offset), AIM, COUNTER, round(first.wanted_counts), shift=learned, gain=sure)
    assert done.in_window
    assert done.after_lock.value == pytest.approx(0.0, abs=0.1)
    assert done.offset_now.value == pytest.approx(-shift, abs=0.1)
    assert (done.after_lock.u or 0) > (done.offset_now.u or 0)
    assert done.surely_in_window
