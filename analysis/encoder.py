"""Counts of an incremental encoder between index pulses, three ways, with the place of every lost or false pulse.

A dropped pulse of one channel costs four counts at fourfold decoding and two edges of that channel, and shows as
reversals; a false one nets nothing or four the other way, and two edges more. So counts, edges and reversals are reported
side by side, and none is worked out from another.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.encoder_faults import (
    Anomaly,
    channel_anomalies,
    index_anomalies,
    lost_each_turn,
    narrow_pulses,
    pulses_beside,
    seen_clockwise,
    with_repeats,
)
from analysis.estimate import Estimate, estimate, refused
from analysis.index_pulses import IndexPulses, amid_edges, index_pulses, index_width
from analysis.pulse_trains import PulseTrain, Sampled, Trace, Volts, WireLevels, pulses
from analysis.quadrature import QuadratureTrack, decode, duty_percent, quadrature_deg_line

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]

LEAST_SAMPLES_PER_COUNT = 2.4
"""Down to here counts were exact in trials; five or more should be asked for."""
LEAST_INDEX_PULSES = 2
LEAST_EDGES = 8
NAMEPLATE_PART = 0.02
"""A count this near to the nameplate's is the nameplate's with pulses lost or false; else it is another line count."""
INDEX_PART = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class EncoderFigures:
    """What one capture of A, B and index says.

    Parameters
    ----------
    turns
        Whole turns between index pulses.
    counts_per_rev_x4, edges_per_rev_a, edges_per_rev_b
        Those of the turn that is furthest from the nameplate, so that one bad turn in five cannot hide.
    counts_each_turn, edges_each_turn_a, edges_each_turn_b, reversals_each_turn
        All of them, shape (turns,).
    dropped, extra
        Counts less and more than there should be, in all turns together; `turns` says how many these are.
    illegal
        Changes of A and B within one sample interval.
    reversals
        Steps against the rotation, between the first and the last index pulse.
    sense
        +1 where A leads B in this capture, -1 where B leads A.
    leads_going_cw
        `A` or `B`; empty where the direction was not given.
    lines_found
        Counts over four of the middle turn; None without one.
    index_width_counts, index_active_low
        Width of the index pulse; whether the index is low there.
    index_times_s
        Middles of the index pulses, shape (turns + 1,) [s from the first sample].
    edge_times_s, edge_counts
        Every edge of A and B, and the count after it, upwards as the shaft turns, shape (n,).
    anomalies
        Every lost or false pulse with its place, in partial turns too.
    refusal
        Why there are no counts; empty if there are. Where only the index is missing, sense, phase and duty stand.
    """

    turns: int
    counts_per_rev_x4: Estimate
    edges_per_rev_a: Estimate
    edges_per_rev_b: Estimate
    counts_each_turn: Counts
    edges_each_turn_a: Counts
    edges_each_turn_b: Counts
    reversals_each_turn: Counts
    dropped: Estimate
    extra: Estimate
    illegal: Estimate
    reversals: Estimate
    sense: int
    leads_going_cw: str
    lines_found: float | None
    quadrature_deg_line: Estimate
    duty_a: Estimate
    duty_b: Estimate
    index_width_counts: Estimate
    index_active_low: bool
    index_times_s: Floats
    edge_times_s: Floats
    edge_counts: Counts
    anomalies: tuple[Anomaly, ...]
    levels: Mapping[str, WireLevels]
    runts: Mapping[str, int]
    refusal: str = ""

    @property
    def repeats(self) -> bool:
        """Whether any anomaly comes at the same place again."""
        return any(one.repeats for one in self.anomalies)


def analyse_encoder(
    a: Sampled | Volts, b: Sampled | Volts, z: Sampled | Volts, interval_s: float, lines: int, direction: int = 0
) -> EncoderFigures:
    """Analyse one capture of a turning encoder.

    Parameters
    ----------
    a, b, z
        The channels as the scope gave them, or as volts; integers are quickest.
    lines
        Lines per turn by the nameplate; used to say what is lost, never to count.
    direction
        +1 clockwise seen facing the drive end, -1 counter-clockwise, 0 if not known.

    Raises
    ------
    ValueError
        The channels differ in length, or `lines` is not positive.
    """
    channels = [Trace(c) if isinstance(c, np.ndarray) else c for c in (a, b, z)]
    samples, *others = (c.counts.size for c in channels)
    if others != [samples, samples] or lines <= 0:
        raise ValueError(
            f"A, B and index must be equally long and lines positive, "
            f"got {samples}, {others[0]}, {others[1]} samples and {lines} lines"
        )
    trains = {"A": pulses(channels[0]), "B": pulses(channels[1]), "Z": pulses(channels[2], rare=True)}
    refusal = _refusal(trains, samples)
    if refusal:
        return _refused(refusal, trains)
    index = amid_edges(index_pulses(trains["Z"], samples), trains)
    if index.at.size < LEAST_INDEX_PULSES:
        return _without_index(_index_refusal(trains["Z"], index), trains, direction, samples, interval_s)
    return _figures(trains, index, samples, interval_s, lines, direction)


def _figures(
    trains: Mapping[str, PulseTrain], index: IndexPulses, samples: int, interval_s: float, lines: int, direction: int
) -> EncoderFigures:
    track = decode(trains["A"], trains["B"])
    sense = 1 if track.position[-1] >= track.position[0] else -1
    counts = np.rint(np.diff(sense * np.interp(index.at, track.at, track.position))).astype(np.int64)
    edges = {name: _number_each_turn(trains[name].at, index.at) for name in ("A", "B")}
    reversals = _inside_each_turn(track.at[track.step == -sense], index.at)
    anomalies, should = _anomalies(trains, track, sense, index.at, counts, 4 * lines, samples)
    whole = np.abs(counts - should) < INDEX_PART * should
    illegal = _inside_each_turn(track.illegal_at, index.at)
    return EncoderFigures(
        turns=counts.size,
        counts_per_rev_x4=_furthest(counts, 4 * lines),
        edges_per_rev_a=_furthest(edges["A"], 2 * lines),
        edges_per_rev_b=_furthest(edges["B"], 2 * lines),
        counts_each_turn=counts,
        edges_each_turn_a=edges["A"],
        edges_each_turn_b=edges["B"],
        reversals_each_turn=reversals,
        dropped=_exact(
            _apart(should, counts, edges, whole, -1) + 4 * pulses_beside(anomalies, counts.size, "lost", "narrow")
        ),
        extra=_exact(_apart(should, counts, edges, whole, 1) + 2 * pulses_beside(anomalies, counts.size, "false")),
        illegal=_exact(illegal.sum()),
        reversals=_exact(reversals.sum()),
        sense=sense,
        leads_going_cw=_leads_going_cw(sense, direction),
        lines_found=float(np.median(counts)) / 4,
        quadrature_deg_line=quadrature_deg_line(trains["A"], trains["B"], sense, index.at),
        duty_a=duty_percent(trains["A"], index.at),
        duty_b=duty_percent(trains["B"], index.at),
        index_width_counts=index_width(index, counts),
        index_active_low=index.active_low,
        index_times_s=index.at * interval_s,
        edge_times_s=track.at * interval_s,
        edge_counts=sense * track.position,
        anomalies=seen_clockwise(anomalies) if direction < 0 else anomalies,
        levels={name: train.levels for name, train in trains.items()},
        runts={name: train.runts for name, train in trains.items()},
    )


def _refusal(trains: Mapping[str, PulseTrain], samples: int) -> str:
    for name in ("A", "B"):
        if not trains[name].levels.switches:
            return f"{name} does not switch: swing {trains[name].levels.swing_v:.2f} V; needed: 2 V"
        if trains[name].at.size < LEAST_EDGES:
            return f"{name} shows {trains[name].at.size} edges in the record; needed: {LEAST_EDGES}"
    per_count = samples / (trains["A"].at.size + trains["B"].at.size)
    if per_count < LEAST_SAMPLES_PER_COUNT:
        return f"{per_count:.1f} samples a count; needed: {LEAST_SAMPLES_PER_COUNT:g}"
    return ""


def _index_refusal(train: PulseTrain, index: IndexPulses) -> str:
    if not train.levels.switches:
        return f"Z does not switch: swing {train.levels.swing_v:.2f} V; needed: 2 V"
    return f"{index.at.size} index pulses in the record; needed: two, for one whole turn"


def _without_index(
    reason: str, trains: Mapping[str, PulseTrain], direction: int, samples: int, interval_s: float
) -> EncoderFigures:
    """Give what needs no whole turn: sense, phase and duty; their scatter comes from quarters of the record."""
    track = decode(trains["A"], trains["B"])
    sense = 1 if track.position[-1] >= track.position[0] else -1
    quarters = np.linspace(0.0, samples, 5)
    return replace(
        _refused(reason, trains),
        sense=sense,
        leads_going_cw=_leads_going_cw(sense, direction),
        quadrature_deg_line=quadrature_deg_line(trains["A"], trains["B"], sense, quarters),
        duty_a=duty_percent(trains["A"], quarters),
        duty_b=duty_percent(trains["B"], quarters),
        edge_times_s=track.at * interval_s,
        edge_counts=sense * track.position,
    )


def _leads_going_cw(sense: int, direction: int) -> str:
    if direction == 0:
        return ""
    return "A" if sense * direction > 0 else "B"


def _refused(reason: str, trains: Mapping[str, PulseTrain]) -> EncoderFigures:
    none, none_line, none_duty = refused("count", reason), refused("deg_line", reason), refused("percent", reason)
    nothing = np.empty(0, dtype=np.int64)
    return EncoderFigures(
        turns=0,
        counts_per_rev_x4=none,
        edges_per_rev_a=none,
        edges_per_rev_b=none,
        counts_each_turn=nothing,
        edges_each_turn_a=nothing,
        edges_each_turn_b=nothing,
        reversals_each_turn=nothing,
        dropped=none,
        extra=none,
        illegal=none,
        reversals=none,
        sense=0,
        leads_going_cw="",
        lines_found=None,
        quadrature_deg_line=none_line,
        duty_a=none_duty,
        duty_b=none_duty,
        index_width_counts=none,
        index_active_low=False,
        index_times_s=np.empty(0),
        edge_times_s=np.empty(0),
        edge_counts=nothing,
        anomalies=(),
        levels={name: train.levels for name, train in trains.items()},
        runts={name: train.runts for name, train in trains.items()},
        refusal=reason,
    )


def _number_each_turn(at: Floats, index: Floats) -> Counts:
    return np.rint(np.diff(np.interp(index, at, np.arange(at.size)))).astype(np.int64)


def _inside_each_turn(at: Floats, index: Floats) -> Counts:
    return np.diff(np.searchsorted(at, index)).astype(np.int64)


def _should_be(counts: Counts, lost: Counts, nominal: int) -> float:
    """Say what a turn should count: the nameplate's if any turn has about that with its lost pulses, else its own."""
    whole = counts + 4 * lost
    if np.any(np.abs(whole - nominal) <= NAMEPLATE_PART * nominal):
        return float(nominal)
    return max(4.0, 4.0 * round(float(np.median(whole)) / 4))


def _anomalies(
    trains: Mapping[str, PulseTrain],
    track: QuadratureTrack,
    sense: int,
    index: Floats,
    counts: Counts,
    nominal: int,
    samples: int,
) -> tuple[tuple[Anomaly, ...], float]:
    """Every lost, false and narrow pulse, and the counts that a turn should have."""
    position = sense * np.interp(index, track.at, track.position)
    usual = float(np.median(counts))

    def turn_of(at: Floats) -> Floats:
        """Give turns since the first index pulse; beyond the outer ones by the counts that a turn has."""
        here = sense * np.interp(at, track.at, track.position)
        turn = np.interp(here, position, np.arange(position.size))
        return np.asarray(turn + np.minimum(here - position[0], 0) / usual + np.maximum(here - position[-1], 0) / usual)

    found = [one for name in ("A", "B") for one in channel_anomalies(name, trains[name], turn_of)]
    should = _should_be(counts, lost_each_turn(found, counts.size), nominal)
    back = track.step == -sense
    reversals = {"A": track.at[back & track.of_a], "B": track.at[back & ~track.of_a]}
    first, last = turn_of(np.array([0.0, samples - 1.0]))
    found += narrow_pulses(reversals, turn_of, found, should / 4)
    found += index_anomalies(counts, should)
    return with_repeats(found, float(first), float(last), should / 4), should


def _apart(should: float, counts: Counts, edges: Mapping[str, Counts], whole: NDArray[np.bool_], sign: int) -> float:
    """Sum counts more (+1) or less (-1) than there should be, by whichever of counts and edges shows most in a turn."""
    each = [counts - should, *(number - should / 2 for number in edges.values())]
    return float(np.sum(np.maximum(0.0, sign * np.array(each)).max(axis=0)[whole]))


def _furthest(each: Counts, nominal: int) -> Estimate:
    return _exact(each[np.argmax(np.abs(each - nominal))])


def _exact(value: float) -> Estimate:
    """Give a count no uncertainty: it is exact, or it is wrong."""
    return estimate(float(value), "count", [])
