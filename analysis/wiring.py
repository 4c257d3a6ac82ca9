"""Which wiring fault explains the nine pairings best, with the least to mend; what cannot be told from captures.

All hypotheses are enumerated: sensor wires permuted, leads permuted, sensors inverted, each pair's EMF reading reversed
(6 x 6 x 8 x 8), each with the feedback body turned by a multiple of 60 deg_el, since a loosened body can stand
anywhere. Those that predict the nine figures within 30 deg_el are kept and sorted by cost.
"""

import functools
import itertools
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.angles import wrap
from analysis.pairings import PAIRS, SENSORS, Table, as_array

TOLERANCE_DEG_EL = 30.0
COST_SENSOR_SWAP, COST_CYCLIC, COST_LEAD_SWAP, COST_READING, COST_INVERTED, COST_TURNED = 1.0, 2.0, 1.5, 1.0, 2.5, 0.5
TURNS_DEG_EL = (0.0, 60.0, -60.0, 120.0, -120.0, 180.0)
MOST_SHOWN = 6
LEADS = ("U", "V", "W")


@dataclass(frozen=True, slots=True)
class Explanation:
    """One way to explain the pairings.

    `offset_deg_el` is the common offset left, `residual_deg_el` by sensor what is left besides.
    """

    text: str
    cost: float
    offset_deg_el: float
    residual_deg_el: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """The verdict: `as stated`, `differs from the type`, or `not explained`, with explanations from cheapest to dearest."""

    verdict: str
    explanations: tuple[Explanation, ...]
    cannot_tell: tuple[str, ...]
    question: str


CANNOT_TELL = (
    "the same cyclic shift of leads and sensors together: harmless, the drive sees no difference",
    "all sensors inverted together with a reversed EMF reading: the station's own EMF polarity must be proved",
    "a 60-degree device against a 120-degree one with an inverted wire: only the nameplate decides",
)
DIRECTION_QUESTION = (
    "Seen facing the drive end, did the shaft turn clockwise when the station said clockwise? "
    "A wrong direction label looks like one sensor pair and one lead pair swapped."
)


def diagnose(measured: Table, nominal: Table) -> Diagnosis:
    """Explain nine measured pairings against the nine that a motor type asks for.

    Parameters
    ----------
    measured, nominal
        y = wrap(a_h - b_p) by (sensor, pair) [deg_el].
    """
    y, wanted = as_array(measured), as_array(nominal)
    rows, costs, texts = _hypotheses()
    turns = np.array(TURNS_DEG_EL)
    residual = np.asarray(wrap(y.reshape(1, 1, 9) - turns[:, None, None] - _applied(wanted, rows)))
    common = np.median(residual, axis=2)
    total = costs + COST_TURNED * (turns != 0)[:, None]
    accepted = zip(*np.nonzero(np.max(np.abs(residual), axis=2) < TOLERANCE_DEG_EL), strict=True)
    order = sorted(accepted, key=lambda at: (total[at], abs(common[at])))[:MOST_SHOWN]
    found = tuple(_explanation(residual[at], float(common[at]), float(turns[at[0]]), float(total[at]), texts[at[1]]) for at in order)
    if not found:
        return Diagnosis("not explained", (), CANNOT_TELL, DIRECTION_QUESTION)
    stated = found[0].cost <= COST_TURNED
    return Diagnosis(
        "as stated" if stated else "differs from the type", found, CANNOT_TELL, "" if stated else DIRECTION_QUESTION
    )


def _explanation(residual: NDArray[np.float64], common: float, turned: float, cost: float, text: str) -> Explanation:
    rest = residual.reshape(3, 3).mean(axis=1) - common
    if turned:
        text = f"{text}, feedback body turned by about {turned + common:+.0f} deg_el"
    return Explanation(text, cost, turned + common, {s: float(r) for s, r in zip(SENSORS, rest, strict=True)})


@functools.cache
def _hypotheses() -> tuple[NDArray[np.int64], NDArray[np.float64], tuple[str, ...]]:
    """Rows of (row source of each sensor, column source and sign of each pair, flips): see `_applied`."""
    rows, costs, texts = [], [], []
    for sensors, leads in itertools.product(itertools.permutations(range(3)), repeat=2):
        for flips, reads in itertools.product(itertools.product((0, 1), repeat=3), repeat=2):
            columns, signs = _pairs_after(leads)
            rows.append([*sensors, *columns, *signs, *flips, *reads])
            costs.append(_cost(sensors, COST_SENSOR_SWAP) + _cost(leads, COST_LEAD_SWAP)
                         + COST_INVERTED * sum(flips) + COST_READING * sum(reads))  # fmt: skip
            texts.append(_words(sensors, leads, flips, reads))
    return np.array(rows, dtype=np.int64), np.array(costs), tuple(texts)


def _pairs_after(leads: tuple[int, ...]) -> tuple[list[int], list[int]]:
    """Which winding pair a bench pair really reads when lead k of the bench holds winding leads[k], and its sign."""
    columns, signs = [], []
    for first, second in ((0, 1), (1, 2), (2, 0)):
        real = (leads[first], leads[second])
        for column, pair in enumerate(((0, 1), (1, 2), (2, 0))):
            if set(pair) == set(real):
                columns.append(column)
                signs.append(0 if pair == real else 1)
    return columns, signs


def _applied(nominal: NDArray[np.float64], rows: NDArray[np.int64]) -> NDArray[np.float64]:
    """Predict the nine figures under every hypothesis, shape (hypotheses, 9) [deg_el]."""
    sensors, columns, signs, flips, reads = (rows[:, i : i + 3] for i in range(0, 15, 3))
    table = nominal[sensors[:, :, None], columns[:, None, :]]
    turned = signs[:, None, :] + reads[:, None, :] + flips[:, :, None]
    return np.asarray(wrap((table + 180.0 * turned).reshape(-1, 9)))


def _cost(order: tuple[int, ...], swap: float) -> float:
    fixed = sum(o == i for i, o in enumerate(order))
    return 0.0 if fixed == 3 else swap if fixed == 1 else COST_CYCLIC  # noqa: PLR2004 - all three in place


def _words(
    sensors: tuple[int, ...], leads: tuple[int, ...], flips: tuple[int, ...], reads: tuple[int, ...]
) -> str:
    parts = [_order_words(sensors, SENSORS, "sensor wires"), _order_words(leads, LEADS, "motor leads")]
    parts += [f"{SENSORS[i]} inverted" for i in range(3) if flips[i]]
    parts += [f"EMF reading of {PAIRS[i]} reversed" for i in range(3) if reads[i]]
    return "; ".join(p for p in parts if p) or "wired as the type states"


def _order_words(order: tuple[int, ...], names: tuple[str, ...], what: str) -> str:
    moved = [i for i, o in enumerate(order) if o != i]
    if not moved:
        return ""
    if len(moved) == 2:  # noqa: PLR2004 - a swap
        return f"{what} {names[moved[0]]} and {names[moved[1]]} swapped"
    return f"{what} in the order {', '.join(names[o] for o in order)}"
