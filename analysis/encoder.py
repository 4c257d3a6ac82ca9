"""Counts of an incremental encoder between index pulses, three ways, with the place of every lost or false pulse.

A dropped pulse of one channel costs four counts at fourfold decoding, one period of that channel, and shows as a
reversal; a false one nets nothing or four the other way. So counts, edges and reversals are reported side by side.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.edges import Levels, levels_of
from analysis.estimate import BudgetLine, Estimate, estimate, refused

Volts = NDArray[np.float64]
SMALLEST_SWING_V = 2.0
BLOCK = 1 << 17
LOST_RATIO, FALSE_RATIO = 1.5, 0.6
NEIGHBOURS = 65
HYSTERESIS_PART = 0.15
LEAST_SAMPLES_PER_COUNT = 3.0
# From state (A, B) before to after, both as 2 A + B: one count up, one down, none, or both at once (illegal).
_STEP = np.array([0, -1, 1, 2, 1, 0, 2, -1, -1, 2, 0, 1, 2, 1, -1, 0], dtype=np.int64)
ILLEGAL = 2


@dataclass(frozen=True, slots=True)
class Anomaly:
    """One lost or false pulse: channel, turn (counted from the first index pulse) and place in it, and what it was."""

    channel: str
    what: str
    turn: int
    place: float


@dataclass(frozen=True, slots=True)
class EncoderFigures:
    """What one capture of A, B and index says.

    Counts are per turn between index pulses. `sense` is +1 where A leads B. `repeats` says that the anomalies come at
    the same place each turn (disc), else they are electrical.
    """

    turns: int
    counts_per_rev_x4: Estimate
    edges_per_rev_a: Estimate
    edges_per_rev_b: Estimate
    dropped: Estimate
    extra: Estimate
    illegal: Estimate
    reversals: int
    sense: int
    quadrature_deg_line: Estimate
    duty_a: Estimate
    duty_b: Estimate
    index_width_counts: float | None
    index_times_s: NDArray[np.float64]
    anomalies: tuple[Anomaly, ...]
    repeats: bool
    levels: dict[str, Levels]
    refusal: str


def schmitt_edges(volts: Volts, *, rare: bool = False) -> tuple[NDArray[np.float64], NDArray[np.bool_], Levels]:
    """Edges with hysteresis of 15 % of the swing about the middle, in samples with sub-sample interpolation.

    Parameters
    ----------
    rare
        The signal is high so seldom (an index pulse) that quantiles do not see it: its extremes are its levels.

    Returns
    -------
    tuple
        Positions (n,), rising (n,), levels; empty if the swing is below 2 V.
    """
    levels = Levels(float(volts.min()), float(volts.max())) if rare else levels_of(volts)
    empty = np.empty(0)
    if levels.swing_v < SMALLEST_SWING_V:
        return empty, empty.astype(bool), levels
    up = _flips(volts, levels.middle_v + HYSTERESIS_PART * levels.swing_v)
    down = _flips(volts, levels.middle_v - HYSTERESIS_PART * levels.swing_v)
    # A rise counts at the upper threshold, a fall at the lower; alternation is kept by dropping repeats.
    rises = up[volts[up + 1] > volts[up]]
    falls = down[volts[down + 1] < volts[down]]
    at = np.concatenate([rises, falls])
    rising = np.concatenate([np.ones(rises.size, bool), np.zeros(falls.size, bool)])
    order = np.argsort(at, kind="stable")
    at, rising = at[order], rising[order]
    keep = np.concatenate([[True], rising[1:] != rising[:-1]]) if at.size else np.empty(0, bool)
    at, rising = at[keep], rising[keep]
    before, after = volts[at], volts[at + 1]
    part = np.clip((levels.middle_v - before) / np.where(after == before, 1.0, after - before), 0.0, 1.0)
    return at + part, rising, levels


def _flips(volts: Volts, threshold_v: float) -> NDArray[np.int64]:
    """Samples after which a threshold is crossed; in blocks that stay in the cache."""
    found = []
    for start in range(0, volts.size - 1, BLOCK):
        high = volts[start : start + BLOCK + 1] > threshold_v
        found.append(np.flatnonzero(high[1:] != high[:-1]) + start)
    return np.concatenate(found) if found else np.empty(0, np.int64)


def analyse_encoder(a_v: Volts, b_v: Volts, z_v: Volts, interval_s: float, lines: int) -> EncoderFigures:
    """Analyse one capture of a turning encoder.

    Parameters
    ----------
    a_v, b_v, z_v
        Samples of A, B and index, shape (n,) [V].
    lines
        Lines per turn by the nameplate; used to word what is lost, never to count.
    """
    (ta, ra, la), (tb, rb, lb) = schmitt_edges(a_v), schmitt_edges(b_v)
    tz, rz, lz = schmitt_edges(z_v, rare=True)
    levels = {"A": la, "B": lb, "Z": lz}
    refusal = _refusal(levels, ta, tb, a_v.size)
    index, width = _index_centres(tz, rz)
    if not refusal and index.size < 2:  # noqa: PLR2004 - one turn needs two
        refusal = f"{index.size} index pulses in the record; needed: two"
    if refusal:
        return _refused(refusal, levels)
    times, step, illegal_at = _decode(ta, ra, tb, rb)
    position = np.cumsum(step)
    turns = index.size - 1
    counts = np.abs(np.rint(np.diff(np.interp(index, times, position)))).astype(np.int64)
    forward = 1 if position[-1] > position[0] else -1
    edges_a, edges_b = _edges_per_turn(ta, index), _edges_per_turn(tb, index)
    anomalies = tuple(x for name, t, r in (("A", ta, ra), ("B", tb, rb)) for x in _anomalies(name, t, r, index))
    missing = int(np.sum(np.maximum(0, 4 * lines - counts)))
    surplus = int(np.sum(np.maximum(0, counts - 4 * lines)))
    inside = (times >= index[0]) & (times <= index[-1])
    duty_a, duty_b = _duty(ta, ra), _duty(tb, rb)
    # A record whose turns differ is told by its worst turn, so that one bad turn in five cannot hide.
    return EncoderFigures(
        turns=turns,
        counts_per_rev_x4=_exact(float(counts[np.argmax(np.abs(counts - 4 * lines))])),
        edges_per_rev_a=_exact(float(edges_a[np.argmax(np.abs(edges_a - 2 * lines))])),
        edges_per_rev_b=_exact(float(edges_b[np.argmax(np.abs(edges_b - 2 * lines))])),
        dropped=_exact(float(missing)),
        extra=_exact(float(surplus)),
        illegal=_exact(float(np.sum((illegal_at >= index[0]) & (illegal_at <= index[-1])))),
        reversals=int(np.sum(step[inside] == -forward)),
        sense=forward,
        quadrature_deg_line=_quadrature(ta, ra, tb, rb, forward),
        duty_a=duty_a,
        duty_b=duty_b,
        index_width_counts=None if width is None else float(width * counts.mean() / np.diff(index).mean()),
        index_times_s=index * interval_s,
        anomalies=anomalies,
        repeats=_repeats(anomalies, turns),
        levels=levels,
        refusal="",
    )


def _exact(value: float) -> Estimate:
    """A count: it is exact, or it is wrong."""
    return estimate(value, "count", [])


def _refusal(levels: dict[str, Levels], ta: NDArray[np.float64], tb: NDArray[np.float64], size: int) -> str:
    for name in ("A", "B", "Z"):
        if levels[name].swing_v < SMALLEST_SWING_V:
            return f"{name} does not switch: swing {levels[name].swing_v:.2f} V; needed: 2 V"
    per_count = size / max(1, ta.size + tb.size)
    if per_count < LEAST_SAMPLES_PER_COUNT:
        return f"{per_count:.1f} samples a count; needed: {LEAST_SAMPLES_PER_COUNT:g}"
    return ""


def _refused(reason: str, levels: dict[str, Levels]) -> EncoderFigures:
    none, line, duty = refused("count", reason), refused("deg_line", reason), refused("percent", reason)
    empty = np.empty(0)
    return EncoderFigures(0, none, none, none, none, none, none, 0, 0, line, duty, duty, None, empty, (), False, levels, reason)


def _index_centres(tz: NDArray[np.float64], rz: NDArray[np.bool_]) -> tuple[NDArray[np.float64], float | None]:
    """Middles of the index pulses and their median width [samples]; the edge itself may lie next to a count edge."""
    if tz.size == 0:
        return np.empty(0), None
    start = 0 if rz[0] else 1
    rises, falls = tz[start::2], tz[start + 1 :: 2]
    rises = rises[: falls.size]
    if rises.size == 0:
        return np.empty(0), None
    return (rises + falls) / 2, float(np.median(falls - rises))


def _decode(
    ta: NDArray[np.float64], ra: NDArray[np.bool_], tb: NDArray[np.float64], rb: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64]]:
    """Fourfold decoding: times, steps of -1, 0, +1, and where both channels changed at once."""
    times = np.concatenate([ta, tb])
    order = np.argsort(times, kind="stable")
    is_a = np.concatenate([np.ones(ta.size, bool), np.zeros(tb.size, bool)])[order]
    high = np.concatenate([ra, rb])[order]
    times = times[order]
    a = _levels_over(is_a, high, initial=not bool(ra[0]))
    b = _levels_over(~is_a, high, initial=not bool(rb[0]))
    after = 2 * a + b
    before = np.concatenate([[2 * int(not ra[0]) + int(not rb[0])], after[:-1]])
    same = np.concatenate([[False], np.diff(times) == 0])
    step = _STEP[4 * before + after]
    return times, np.where(step == ILLEGAL, 0, step), times[(step == ILLEGAL) | same]


def _levels_over(mine: NDArray[np.bool_], high: NDArray[np.bool_], *, initial: bool) -> NDArray[np.int64]:
    """Level of one channel after every event of both."""
    last = np.maximum.accumulate(np.where(mine, np.arange(mine.size), -1))
    return np.where(last >= 0, high[np.maximum(last, 0)], initial).astype(np.int64)


def _edges_per_turn(times: NDArray[np.float64], index: NDArray[np.float64]) -> NDArray[np.int64]:
    number = np.interp(index, times, np.arange(times.size))
    return np.rint(np.diff(number)).astype(np.int64)


def _anomalies(name: str, times: NDArray[np.float64], rising: NDArray[np.bool_], index: NDArray[np.float64]) -> list[Anomaly]:
    """Periods far from the running mean of their neighbours."""
    starts = times[rising]
    periods = np.diff(starts)
    if periods.size < NEIGHBOURS:
        return []
    kernel = np.ones(NEIGHBOURS) / NEIGHBOURS
    padded = np.pad(periods, NEIGHBOURS // 2, mode="edge")
    ratio = periods / np.convolve(padded, kernel, mode="valid")
    found = []
    for at in np.flatnonzero((ratio > LOST_RATIO) | (ratio < FALSE_RATIO)):
        where = float(np.interp(starts[at] + periods[at] / 2, index, np.arange(index.size), left=-1, right=-1))
        if where >= 0:
            what = "lost" if ratio[at] > LOST_RATIO else "false"
            found.append(Anomaly(name, what, int(where), where % 1.0))
    return found


def _repeats(anomalies: tuple[Anomaly, ...], turns: int) -> bool:
    """The same place in every turn: two thousandths of a turn apart at most."""
    if turns < 2 or not anomalies:  # noqa: PLR2004 - one turn cannot repeat
        return False
    places: dict[int, set[int]] = {}
    for a in anomalies:
        places.setdefault(round(a.place * 500) % 500, set()).add(a.turn)
    return any(len(seen) == turns for seen in places.values())


def _duty(times: NDArray[np.float64], rising: NDArray[np.bool_]) -> Estimate:
    start = int(np.argmax(rising))
    rises, falls = times[start::2], times[start + 1 :: 2]
    count = min(rises.size - 1, falls.size)
    parts = 100 * (falls[:count] - rises[:count]) / np.diff(rises)[:count]
    return estimate(_middle(parts), "percent", _scatter(parts, 100 / float(np.median(np.diff(rises)))))


def _quadrature(
    ta: NDArray[np.float64], ra: NDArray[np.bool_], tb: NDArray[np.float64], rb: NDArray[np.bool_], sense: int
) -> Estimate:
    """Angle from A to B in degrees of a line, mean of rise to rise and fall to fall: rise alone errs with the duty."""
    figures = []
    for kind in (True, False):
        a, b = ta[ra == kind], tb[rb == kind]
        at = np.searchsorted(a, b) - 1
        use = (at >= 0) & (at < a.size - 1)
        part = (b[use] - a[at[use]]) / (a[at[use] + 1] - a[at[use]])
        figures.append(360 * part)
    parts = np.concatenate(figures)
    phase = float(np.mean([_middle(f) for f in figures]))
    phase = phase if sense > 0 else 360 - phase
    return estimate(phase, "deg_line", _scatter(parts, 360 / float(np.median(np.diff(ta[ra])))))


def _middle(parts: NDArray[np.float64]) -> float:
    """Mean without the far off: a mean averages the sample grid out where a median would stick to it."""
    near = np.abs(parts - np.median(parts)) <= 0.25 * np.median(np.abs(parts))
    return float(parts[near].mean())


def _scatter(parts: NDArray[np.float64], grid: float) -> list[BudgetLine]:
    u_a = float(np.median(np.abs(parts - np.median(parts)))) / 0.6745 / np.sqrt(max(1, parts.size))
    return [
        BudgetLine("scatter from line to line", "A", float(u_a), max(1.0, parts.size - 1.0)),
        # Edges meet the sample grid nearly evenly; a twentieth of a sample is left where they do not.
        BudgetLine("sample grid of the edges", "B", grid / 20),
    ]
