"""Counting a wanted turn down at standstill, with the unit's own encoder and the shaft held.

The encoder sees its disc against its body, counts = N / 360 (shaft + hub - body), and the sensors' offset is
P (body - hub), all clockwise positive, so with the shaft held a count is worth -360 P / N of offset whichever of the two is
turned: 0.176 deg_el with 2048 lines and 4 pole pairs. (Both follow from the sign convention: body clockwise by d mechanical
adds P d, hub clockwise on the shaft subtracts P d.)

A shaft that goes along with the body hides counts, and with the hub adds some; rounds that were measured before and after
tell by how much, and which way the counts run.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from analysis.angles import wrap
from analysis.comparison import compare
from analysis.correction import CCW, CW
from analysis.counter import Counter
from analysis.edge_table import UnmeasurableError
from analysis.estimate import BudgetLine, Estimate, estimate, refused, scaled

UNIT = "deg_el"
PRIOR_GAIN_U = 0.05
"""Standard uncertainty of a gain of 1 before any round was measured: how well a hand holds the shaft (assumed)."""
LEAST_GAIN = 0.2
"""Below this the offset does not follow the counts (assumed)."""
WRONG_WAY_COUNTS = 2
"""Counts the other way than wanted that are no trembling of the hand (assumed)."""
LEAST_LOCKS = 3
"""Two shifts have a standard deviation of one degree of freedom, which says next to nothing."""
COVERAGE = 0.95
COVERAGE_K = 2.0


class Part(StrEnum):
    """What is turned: the feedback unit's body, or its hub on the shaft."""

    BODY = "body"
    HUB = "hub"


class ViewingEnd(StrEnum):
    """Where from a way round is told."""

    DRIVE_END = "drive end"
    REAR = "rear"


@dataclass(frozen=True, slots=True)
class Aim:
    """Where to: target of the mean offset and the window about it in which setting ends [deg_el].

    Raises
    ------
    ValueError
        The target lies outside its window.
    """

    target_deg_el: float
    window_deg_el: tuple[float, float]

    def __post_init__(self) -> None:
        """Refuse a window that does not hold its target."""
        lower, upper = self.window_deg_el
        if not lower <= self.target_deg_el <= upper:
            raise ValueError(
                f"the target {self.target_deg_el:g} deg_el must lie in its window {lower:g} to {upper:g} deg_el"
            )


@dataclass(frozen=True, slots=True)
class Round:
    """A turn that was measured before and after (before it was locked), and the counts in between."""

    before: Estimate
    after: Estimate
    counts: int
    part: Part = Part.BODY


@dataclass(frozen=True, slots=True)
class Gain:
    """Change of offset over what the counts say.

    Parameters
    ----------
    value
        How many times as much the offset changes; always positive.
    sense
        +1 where counts run as stated, -1 where they run the other way (A and B swapped, or another sense than the type's).
    u
        Standard uncertainty of the value.
    rounds
        Rounds that it was learned from.
    note
        What a gain far from 1 says; empty if it is not.
    """

    value: float = 1.0
    sense: int = 1
    u: float = PRIOR_GAIN_U
    rounds: int = 0
    note: str = ""


@dataclass(frozen=True, slots=True)
class LockShift:
    """How the offset of a motor type shifts when the unit is locked.

    Parameters
    ----------
    mean_deg_el, sd_deg_el
        Mean, and standard deviation of single shifts; None of none, or of fewer than two.
    interval_deg_el
        95 % interval of the mean by Student's t; None for fewer than two.
    expected
        The next shift: the mean, with the scatter of a single one about it.
    """

    n: int
    mean_deg_el: float | None
    sd_deg_el: float | None
    interval_deg_el: tuple[float, float] | None
    expected: Estimate


@dataclass(frozen=True, slots=True)
class Remaining:
    """How far a turn has come.

    Parameters
    ----------
    wanted_counts, left_counts
        Of the whole turn, and what is left of it, in the counter's own sense.
    counted
        Counts so far.
    left
        Change of offset still wanted [deg_el].
    offset_now
        Where the offset stands, going by the counts [deg_el].
    after_lock
        The same with the shift that locking is expected to add; as it is where none has been learned.
    part, end, way
        What to turn, from where it is seen, and which way: `clockwise` or `counter-clockwise`.
    in_window, surely_in_window
        Whether the offset after locking lies in its window, and whether it still does with twice its uncertainty.
    wrong_way
        Whether the turn so far went the other way than wanted.
    overshot
        Whether it went past the aim and out of the window.
    """

    wanted_counts: float
    counted: int
    left_counts: float
    left: Estimate
    offset_now: Estimate
    after_lock: Estimate
    part: Part
    end: ViewingEnd
    way: str
    in_window: bool
    surely_in_window: bool
    wrong_way: bool
    overshot: bool

    def amount_deg_mech(self, pole_pairs: int) -> Estimate:
        """How far to turn, whichever way [deg_mech]."""
        return scaled(self.left, math.copysign(1.0, self.left.value or 0.0) / pole_pairs, "deg_mech")


def turning_down(
    offset: Estimate,
    aim: Aim,
    counter: Counter,
    counted: int,
    *,
    part: Part = Part.BODY,
    end: ViewingEnd = ViewingEnd.REAR,
    gain: Gain | None = None,
    shift: LockShift | None = None,
) -> Remaining:
    """Say what is left of a turn.

    Parameters
    ----------
    offset
        Mean offset as measured before the turn [deg_el].
    counted
        Counts since then, the shaft held.
    gain
        Learned from the rounds before; None: the counts are taken at their word, as well as a hand holds the shaft.
    shift
        Learned of the motor type's locks; the turn then ends so much before the target.

    Raises
    ------
    UnmeasurableError
        The offset was not measured.

    Notes
    -----
    offset = offset before - clockwise sense gain (360 P / N) counts, see the head of this module. Uncertainty: that of the
    offset before, of the gain over the turn so far, and of one count at either end (rectangular).
    """
    if offset.value is None:
        raise UnmeasurableError(f"no turn to count down, the offset was not measured: {offset.reason}")
    learned = gain or Gain()
    per_count = -counter.clockwise * learned.sense * learned.value * counter.deg_el
    add = 0.0 if shift is None or shift.expected.value is None else shift.expected.value
    whole = float(wrap(aim.target_deg_el - add - offset.value))
    moved = per_count * counted
    wanted = whole / per_count
    lines = [*offset.budget, *_count_lines(counter, counted, learned)]
    # From the target backwards, so that an offset on the far side of +-180 is not held against the window unwrapped.
    now = estimate(aim.target_deg_el - add - (whole - moved), UNIT, lines)
    shift_lines = [] if shift is None else [replace(x, source=f"locking: {x.source}") for x in shift.expected.budget]
    after = estimate((now.value or 0.0) + add, UNIT, [*lines, *shift_lines])
    left = estimate(whole - moved, UNIT, [*lines, *shift_lines])
    inside = _inside(after, aim, 0.0)
    return Remaining(
        wanted_counts=wanted,
        counted=counted,
        left_counts=wanted - counted,
        left=left,
        offset_now=replace(now, value=float(wrap(now.value or 0.0))),
        after_lock=replace(after, value=float(wrap(after.value or 0.0))),
        part=part,
        end=end,
        way=way_of(whole - moved, part, end),
        in_window=inside,
        surely_in_window=_inside(after, aim, COVERAGE_K),
        wrong_way=counted * wanted < 0 and abs(counted) > WRONG_WAY_COUNTS,
        overshot=counted * wanted > 0 and abs(counted) > abs(wanted) and not inside,
    )


def way_of(change_deg_el: float, part: Part, end: ViewingEnd) -> str:
    """Say which way to turn a part for a change of offset: `clockwise` or `counter-clockwise`, seen from an end.

    Notes
    -----
    Body clockwise seen facing the drive end adds, hub clockwise subtracts; from the rear each looks the other way.
    """
    clockwise = (change_deg_el > 0) == (part is Part.BODY)
    return CW if clockwise == (end is ViewingEnd.DRIVE_END) else CCW


def _count_lines(counter: Counter, counted: int, gain: Gain) -> list[BudgetLine]:
    # The count where the turn began and the one where it stands: two rectangular ones of a count's width.
    one = gain.value * counter.deg_el * math.sqrt(2 / 12)
    return [
        BudgetLine("one count at either end of the turn", "B", one),
        BudgetLine("gain of the counts", "B", gain.u * counter.deg_el * abs(counted)),
    ]


def _inside(offset: Estimate, aim: Aim, k: float) -> bool:
    lower, upper = aim.window_deg_el
    value, margin = offset.value or 0.0, k * (offset.u or 0.0)
    return lower + margin <= value <= upper - margin


def learn_gain(rounds: Iterable[Round], counter: Counter, part: Part = Part.BODY) -> Gain:
    """Learn from measured rounds how the offset follows the counts while one part is turned.

    Rounds of the other part, and those too small to tell a sense by (within twice their uncertainty of none), are left out.

    Raises
    ------
    UnmeasurableError
        The offset did not follow the counts, or rounds disagree on their sense.

    Notes
    -----
    Weighted mean of 1 (u = 0.05) and of each round's |change / change by counts|; where they disagree its uncertainty is
    widened by the Birge ratio, sqrt(chi^2 / (n - 1)) (R. T. Birge, Phys. Rev. 40:207, 1932).
    """
    told = [g for g in (_gain_of(r, counter) for r in rounds if r.part is part) if g is not None]
    senses = {1 if value > 0 else -1 for value, _ in told}
    if len(senses) > 1:
        raise UnmeasurableError(
            "rounds disagree on which way the counts run: in one the shaft was not held, or counts were lost"
        )
    if not told:
        return Gain()
    values = np.array([1.0, *(abs(value) for value, _ in told)])
    weights = 1 / np.array([PRIOR_GAIN_U, *(u for _, u in told)]) ** 2
    mean = float(np.sum(weights * values) / np.sum(weights))
    birge = math.sqrt(float(np.sum(weights * (values - mean) ** 2)) / len(told))
    u = max(1.0, birge) / math.sqrt(float(np.sum(weights)))
    return Gain(mean, senses.pop(), u, len(told), _gain_note(mean, part) if birge > COVERAGE_K else "")


def turned_the_wrong_way(of: Round, wanted_deg_el: float) -> bool:
    """Say of a measured round whether the offset went the other way than wanted, by more than twice its uncertainty.

    Counts alone cannot tell this from a counter that runs the other way than stated.
    """
    change = compare(of.before, of.after, circular=True).change
    if change.value is None or change.u is None:
        return False
    return change.value * wanted_deg_el < 0 and abs(change.value) > COVERAGE_K * change.u


def _gain_of(of: Round, counter: Counter) -> tuple[float, float] | None:
    """Gain of one round and its standard uncertainty; None where it tells nothing."""
    change = compare(of.before, of.after, circular=True).change
    by_counts = -counter.clockwise * counter.deg_el * of.counts
    if change.value is None or change.u is None or by_counts == 0:
        return None
    value = change.value / by_counts
    u = math.hypot(change.u / by_counts, value * math.sqrt(2 / 12) / of.counts)
    if abs(value) + COVERAGE_K * u < LEAST_GAIN:
        raise UnmeasurableError(
            f"the offset did not follow the counts: {of.counts} counts, {change.value:+.2f} deg_el of"
            f" {by_counts:+.2f} deg_el: the shaft was not held, or another unit was counted"
        )
    return (value, u) if abs(value) > COVERAGE_K * u else None


def _gain_note(gain: float, part: Part) -> str:
    along = (gain > 1) == (part is Part.BODY)
    how = f"goes along with the {part}" if along else f"turns against the {part}"
    return f"the offset changes {gain:.2f} times as much as the counts say: the shaft {how}"


@dataclass(frozen=True, slots=True)
class Locking:
    """What one lock did.

    Parameters
    ----------
    shift
        Change of offset from before to after [deg_el].
    by_counts_deg_el
        What the counts saw of it [deg_el].
    unseen
        The rest [deg_el].
    slipped
        Whether the rest is more than twice its uncertainty: something moved that the counts did not see.
    """

    shift: Estimate
    by_counts_deg_el: float
    unseen: Estimate
    slipped: bool


def locking(before: Estimate, after: Estimate, counts: int, counter: Counter, gain: Gain | None = None) -> Locking:
    """Compare the offset before and after a lock with what the counts saw of it.

    Parameters
    ----------
    counts
        Counts from before the first screw was turned until after the last, the shaft held.

    Raises
    ------
    UnmeasurableError
        The offset was not measured before or after.
    """
    shift = compare(before, after, circular=True).change
    if shift.value is None:
        raise UnmeasurableError(f"the shift of a lock is not known: {shift.reason}")
    learned = gain or Gain()
    seen = -counter.clockwise * learned.sense * learned.value * counter.deg_el * counts
    unseen = estimate(float(wrap(shift.value - seen)), UNIT, [*shift.budget, *_count_lines(counter, counts, learned)])
    return Locking(shift, seen, unseen, abs(unseen.value or 0.0) > COVERAGE_K * (unseen.u or 0.0))


def lock_shift(shifts_deg_el: Sequence[float]) -> LockShift:
    """Learn the shift of a motor type's locks, the newest included.

    Parameters
    ----------
    shifts_deg_el
        Offset after locking less that before, of each lock, shape (n,) [deg_el].

    Raises
    ------
    ValueError
        A shift is no number.

    Notes
    -----
    Mean +- t s / sqrt(n), t of n - 1 degrees of freedom (JCGM 100:2008, G.3); the next one scatters about the mean by
    s sqrt(1 + 1 / n).
    """
    from scipy.stats import t

    values = np.asarray(shifts_deg_el, dtype=np.float64)
    if not np.all(np.isfinite(values)):
        raise ValueError("every shift must be a number [deg_el]")
    n = values.size
    too_few = refused(UNIT, f"{n} locks of this type so far; needed: {LEAST_LOCKS}")
    if n < 2:
        return LockShift(n, float(values[0]) if n else None, None, None, too_few)
    mean, sd = float(values.mean()), float(values.std(ddof=1))
    half = float(t.ppf((1 + COVERAGE) / 2, n - 1)) * sd / math.sqrt(n)
    line = BudgetLine("scatter of the locks before", "A", sd * math.sqrt(1 + 1 / n), n - 1.0)
    expected = estimate(mean, UNIT, [line]) if n >= LEAST_LOCKS else too_few
    return LockShift(n, mean, sd, (mean - half, mean + half), expected)
