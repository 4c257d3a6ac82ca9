"""Which wiring fault explains the nine pairings best, with the least to mend; what cannot be told from captures.

All hypotheses are enumerated: sensor wires permuted, leads permuted, sensors inverted, each pair's EMF reading reversed
(6 x 6 x 8 x 8 = 2304). Six of them always predict the same nine figures, so a diagnosis is a class with its cheapest
member and the equivalent ones. A feedback body turned by a multiple of 60 deg_el makes one class look like another, so
turning the body and rewiring are both offered.
"""

import functools
import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.angles import wrap
from analysis.pairings import DIRECTIONS, PAIRS, SENSORS, Table, as_array
from analysis.wiring_faults import WIRED_AS_STATED, WiringFault

TOLERANCE_DEG_EL = 30.0
"""Beyond half of 60 degrees the next class fits better; sensors of real motors are placed up to 9 degrees wrong."""
NEAR_DEG_EL = 5.0
"""This near to the tolerance the neighbouring class is printed too."""
COST_TURNED = 0.5
TURNS_DEG_EL = (0.0, 60.0, -60.0, 120.0, -120.0, 180.0)
HALF_TURN_DEG_EL = 180.0
MOST_SHOWN = 8
PER_DEGREE = 10
"""Predictions within a tenth of a degree are the same."""

AS_STATED, TURNED, DIFFERS = "as stated", "feedback body turned", "differs from the type"
DIRECTION_DOUBTFUL, NOT_EXPLAINED, NOT_MEASURED = "direction doubtful", "not explained", "not measured"

CANNOT_TELL = (
    "leads and sensor wires shifted by the same cyclic step: harmless, the drive sees no difference",
    "all sensors inverted together with a reversed EMF reading: only a proof of the station's own EMF polarity tells",
    "a 60-degree device from a 120-degree one with an inverted wire: only the nameplate tells",
    "one sensor pair and one lead pair swapped from a wrong direction label: only a look at the shaft tells",
)
DIRECTION_QUESTION = (
    "Look at the shaft, facing the drive end, while the station turns it: does it turn the way that the station says? "
    "A wrong direction label looks exactly like one sensor pair and one lead pair swapped. Swap nothing before this is known."
)
SAME_WAY_QUESTION = (
    "The captures labelled clockwise and counter-clockwise show the shaft turning the same way. "
    "Did it turn the other way when the station reversed, seen facing the drive end?"
)
SIXTY_DEGREE_QUESTION = (
    "Does the nameplate or the maker's sheet of the feedback unit say 60-degree sensors? "
    "Such a unit looks like a 120-degree one with an inverted wire."
)
POLARITY_QUESTION = (
    "Has the station's EMF polarity been proved with the known source since the adapter was plugged? "
    "A reversed EMF path looks like a fault of the motor."
)


@dataclass(frozen=True, slots=True)
class Explanation:
    """One way to explain the pairings.

    Parameters
    ----------
    text, mend
        What it would be, and the least to do to mend it.
    fault
        The wiring it stands for.
    turned_deg_el
        Multiple of 60 by which the feedback body would be turned besides.
    offset_deg_el
        Common offset of the sensors, with the turn.
    residual_deg_el
        By sensor, what is left besides.
    equivalents
        Other wirings that no capture can tell from this one.
    """

    text: str
    mend: str
    cost: float
    fault: WiringFault
    turned_deg_el: float
    offset_deg_el: float
    residual_deg_el: Mapping[str, float]
    equivalents: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """The verdict with its explanations, from cheapest to dearest.

    Parameters
    ----------
    verdict
        `as stated`, `feedback body turned`, `differs from the type`, `direction doubtful`, `not explained`, or
        `not measured`.
    explanations
        Empty where nothing fits.
    if_direction_wrong
        The cheapest explanation if the direction label were wrong in every capture.
    ambiguous
        The offset is so near to 30 deg_el that the neighbouring class fits as well.
    cannot_tell, question
        What captures cannot show, and what to ask before anything is swapped; empty where nothing need be asked.
    unseen
        Sensors and pairs without a figure: nothing is said of their wiring.
    """

    verdict: str
    explanations: tuple[Explanation, ...] = ()
    if_direction_wrong: Explanation | None = None
    ambiguous: bool = False
    cannot_tell: tuple[str, ...] = CANNOT_TELL
    question: str = ""
    unseen: tuple[str, ...] = ()


def diagnose(measured: Mapping[str, Table], nominal: Table) -> Diagnosis:
    """Explain the measured pairings of both directions against those that a motor type asks for.

    Parameters
    ----------
    measured
        By direction (`CW`, `CCW`, one or both): y = wrap(a_h - b_p) by (sensor, pair) [deg_el]; what was not measured
        is left out.
    nominal
        All nine by (sensor, pair) [deg_el], see `analysis.pairings.nominal_deg_el`.
    """
    each = {d: as_array(measured[d]) for d in DIRECTIONS if d in measured}
    y = _together(each)
    unseen = _unseen(y)
    if len(unseen) > 1 or not each:
        return Diagnosis(NOT_MEASURED, unseen=unseen)
    wanted = as_array(nominal)
    if _labels_disagree(each):
        return Diagnosis(DIRECTION_DOUBTFUL, question=SAME_WAY_QUESTION, unseen=unseen)
    mirrored = _cheapest(HALF_TURN_DEG_EL - y, wanted)
    found, ambiguous = _explained(y, wanted)
    if not found:
        return Diagnosis(NOT_EXPLAINED, if_direction_wrong=mirrored, question=DIRECTION_QUESTION, unseen=unseen)
    doubtful = mirrored is not None and not mirrored.fault.parts and found[0].cost > mirrored.cost
    verdict = DIRECTION_DOUBTFUL if doubtful else _verdict(found[0])
    return Diagnosis(
        verdict, found, mirrored, ambiguous=ambiguous, question=_question(verdict, found[0]), unseen=unseen
    )


def mirrored_table(table: Table) -> dict[tuple[str, str], float]:
    """Return what the same motor would show if the direction label were wrong: y becomes 180 - y [deg_el]."""
    return {cell: wrap(HALF_TURN_DEG_EL - y) for cell, y in table.items()}


def predictions(nominal: Table) -> NDArray[np.float64]:
    """Predict the nine figures under every hypothesis, shape (2304, 9), in the order of `hypotheses` [deg_el]."""
    return _predicted(as_array(nominal))


@functools.cache
def hypotheses() -> tuple[WiringFault, ...]:
    """Return every wiring that is considered, from cheapest to dearest."""
    orders, flips = tuple(itertools.permutations(range(3))), tuple(itertools.product((False, True), repeat=3))
    every = (WiringFault(s, w, i, r) for s, w, i, r in itertools.product(orders, orders, flips, flips))
    return tuple(sorted(every, key=lambda fault: fault.cost))


@functools.cache
def _index_arrays() -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Sensor row and pair column to take for each cell, and the half turns to add, shapes (2304, 3, 3)."""
    rows, columns, halves = [], [], []
    for fault in hypotheses():
        pairs = fault.pairs_read
        rows.append(fault.sensors)
        columns.append([column for column, _ in pairs])
        flips = [
            bool(reversed_by_leads) != read for (_, reversed_by_leads), read in zip(pairs, fault.readings, strict=True)
        ]
        halves.append([[float(inverted != flip) for flip in flips] for inverted in fault.inverted])
    return np.array(rows), np.array(columns), np.array(halves)


def _predicted(nominal: NDArray[np.float64]) -> NDArray[np.float64]:
    rows, columns, halves = _index_arrays()
    return np.asarray(wrap((nominal[rows[:, :, None], columns[:, None, :]] + 180.0 * halves).reshape(-1, 9)))


@functools.cache
def _costs() -> NDArray[np.float64]:
    return np.array([fault.cost for fault in hypotheses()])


def _together(each: Mapping[str, NDArray[np.float64]]) -> NDArray[np.float64]:
    """Half sum of both directions where both have a figure, else the one there is."""
    tables = list(each.values())
    if len(tables) < len(DIRECTIONS):
        return tables[0] if tables else np.full((3, 3), math.nan)
    cw, ccw = tables
    both = np.asarray(wrap(ccw + wrap(cw - ccw) / 2))
    return np.where(np.isnan(cw), ccw, np.where(np.isnan(ccw), cw, both))


def _unseen(y: NDArray[np.float64]) -> tuple[str, ...]:
    return (
        *(s for s, row in zip(SENSORS, y, strict=True) if np.isnan(row).all()),
        *(p for p, column in zip(PAIRS, y.T, strict=True) if np.isnan(column).all()),
    )


def _labels_disagree(each: Mapping[str, NDArray[np.float64]]) -> bool:
    """Say whether one direction shows the mirror of the other: then the shaft turned the same way both times."""
    if len(each) < len(DIRECTIONS):
        return False
    cw, ccw = each.values()
    same, mirror = _spread(wrap(cw - ccw)), _spread(wrap(cw - (HALF_TURN_DEG_EL - ccw)))
    return bool(mirror < TOLERANCE_DEG_EL <= same)


def _spread(apart: NDArray[np.float64]) -> float:
    return float(np.nanmax(np.abs(apart))) if np.any(~np.isnan(apart)) else math.inf


@dataclass(frozen=True, slots=True, eq=False)
class _Classes:
    """Hypotheses that predict the same: the figures of each class (m, 9), its least cost (m,), and its members."""

    predicted: NDArray[np.float64]
    cost: NDArray[np.float64]
    members: tuple[tuple[int, ...], ...]


@functools.lru_cache(maxsize=8)
def _classes(nominal: bytes) -> _Classes:
    """Class every hypothesis for one motor type; a run asks again and again for the same one."""
    predicted = _predicted(np.frombuffer(nominal).reshape(3, 3))
    groups: dict[bytes, list[int]] = {}
    for row, figures in enumerate(np.round(predicted * PER_DEGREE).astype(np.int64) % (360 * PER_DEGREE)):
        groups.setdefault(figures.tobytes(), []).append(row)
    # Hypotheses stand from cheapest to dearest, so the first of each class is its cheapest.
    first = [rows[0] for rows in groups.values()]
    return _Classes(predicted[first], _costs()[first], tuple(map(tuple, groups.values())))


def _explained(
    y: NDArray[np.float64], wanted: NDArray[np.float64], most: int = MOST_SHOWN
) -> tuple[tuple[Explanation, ...], bool]:
    """Explanations by class, cheapest first, and whether the next class fits nearly as well."""
    classes = _classes(np.ascontiguousarray(wanted).tobytes())
    turns = np.array(TURNS_DEG_EL)
    residual = np.asarray(wrap(y.reshape(1, 1, 9) - turns[:, None, None] - classes.predicted))
    worst = np.nanmax(np.abs(residual), axis=2)
    cost = classes.cost + COST_TURNED * (turns != 0)[:, None]
    ambiguous = bool(np.min(worst) > TOLERANCE_DEG_EL - NEAR_DEG_EL)
    limit = TOLERANCE_DEG_EL + (NEAR_DEG_EL if ambiguous else 0.0)
    accepted = np.argwhere(worst < limit).tolist()
    order = sorted(accepted, key=lambda at: (cost[at[0], at[1]], abs(turns[at[0]]), worst[at[0], at[1]]))
    seen = ~np.isnan(y.reshape(9))
    # Without a figure of one sensor, classes that differ there alone are one.
    groups: dict[tuple[int, bytes], list[int]] = {}
    for turn, number in order:
        groups.setdefault((turn, np.round(classes.predicted[number, seen]).tobytes()), []).append(number)
    found = [
        _explanation(y, classes.predicted[numbers[0]], float(turns[turn]), _members(classes, numbers))
        for (turn, _), numbers in itertools.islice(groups.items(), most)
    ]
    return tuple(found), ambiguous


def _members(classes: _Classes, numbers: Iterable[int]) -> list[WiringFault]:
    return [hypotheses()[row] for row in sorted(row for number in numbers for row in classes.members[number])]


def _cheapest(y: NDArray[np.float64], wanted: NDArray[np.float64]) -> Explanation | None:
    found, _ = _explained(np.asarray(wrap(y)), wanted, most=1)
    return found[0] if found else None


def _explanation(
    y: NDArray[np.float64], predicted: NDArray[np.float64], turned: float, faults: Sequence[WiringFault]
) -> Explanation:
    fault = faults[0]
    residual = np.asarray(wrap(y - turned - predicted.reshape(3, 3)))
    common = float(np.nanmedian(residual))
    seen = {s: row[~np.isnan(row)] for s, row in zip(SENSORS, residual, strict=True)}
    return Explanation(
        text=_joined([*fault.parts, *_turn_words(turned)]) or WIRED_AS_STATED,
        mend=_joined([*fault.mending, *_turn_mending(turned, common)]),
        cost=fault.cost + (COST_TURNED if turned else 0.0),
        fault=fault,
        turned_deg_el=turned,
        offset_deg_el=turned + common,
        residual_deg_el={s: float(np.mean(row)) - common for s, row in seen.items() if row.size},
        equivalents=tuple(_joined([*f.parts, *_turn_words(turned)]) or WIRED_AS_STATED for f in faults[1:]),
    )


def _turn_words(turned: float) -> list[str]:
    return [f"feedback body turned by about {turned:+.0f} deg_el"] if turned else []


def _turn_mending(turned: float, common: float) -> list[str]:
    if not turned:
        return []
    # Clockwise of its place the body must go counter-clockwise, and the other way round.
    way = "counter-clockwise" if turned + common > 0 else "clockwise"
    return [f"turn the feedback body {way} seen from the drive end by {abs(turned + common):.1f} deg_el"]


def _joined(parts: Iterable[str]) -> str:
    return "; ".join(parts)


def _verdict(cheapest: Explanation) -> str:
    if cheapest.fault.parts:
        return DIFFERS
    return TURNED if cheapest.turned_deg_el else AS_STATED


def _question(verdict: str, cheapest: Explanation) -> str:
    if verdict == DIRECTION_DOUBTFUL:
        return DIRECTION_QUESTION
    if any(cheapest.fault.readings) or abs(cheapest.turned_deg_el) == HALF_TURN_DEG_EL:
        return POLARITY_QUESTION
    if verdict != DIFFERS:
        return ""
    return SIXTY_DEGREE_QUESTION if any(cheapest.fault.inverted) else DIRECTION_QUESTION
