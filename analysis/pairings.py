"""The 3 x 3 table of sensors against winding pairs, in both directions, and what it says about which belongs to which.

Every figure is y = wrap(a_h - b_p): the sensor is high for 180 degrees from a_h on, b_p is the rising zero of the pair's
EMF going clockwise. A figure is a position, so it is the same in both directions, but for hysteresis and delay, which
turn their sign.
"""

import itertools
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from analysis.angles import wrap
from analysis.estimate import BudgetLine, Estimate, estimate, refused

PAIRS = ("U-V", "V-W", "W-U")
SENSORS = ("H1", "H2", "H3")
DIRECTIONS = ("CW", "CCW")
PAIR_ZERO_DEG_EL: Mapping[str, float] = MappingProxyType({"U-V": -30.0, "V-W": 90.0, "W-U": 210.0})
"""Rising zero of each pair's EMF going clockwise, sequence U, V, W (star relation of line and phase EMF)."""
NEAR_DEG_EL = 30.0
"""Half the distance between two neighbouring ways to read a sensor: beyond it the next one fits better."""
MARGIN_DEG_EL = 5.0
"""This near to the half way mark both readings are named."""

Cell = tuple[str, str]
"""Sensor and winding pair."""
Table = Mapping[Cell, float]
"""y by sensor and pair [deg_el]; what was not measured is left out."""
EstimateTable = Mapping[Cell, Estimate]


@dataclass(frozen=True, slots=True)
class Reading:
    """What one capture says of one sensor against the pair captured with it."""

    sensor: str
    pair: str
    direction: str
    speed_rpm: float
    y: Estimate


def tables_of(readings: Iterable[Reading]) -> dict[str, dict[Cell, Estimate]]:
    """Arrange readings by direction, then by sensor and pair; of several the fastest that has a number stands.

    The faster the shaft, the less speed ripple moves a figure.

    Raises
    ------
    ValueError
        A reading's direction is neither CW nor CCW.
    """
    tables: dict[str, dict[Cell, Estimate]] = {direction: {} for direction in DIRECTIONS}
    for reading in sorted(readings, key=lambda r: abs(r.speed_rpm)):
        if reading.direction not in DIRECTIONS:
            raise ValueError(f"direction must be CW or CCW, got {reading.direction!r}")
        table, cell = tables[reading.direction], (reading.sensor, reading.pair)
        if reading.y.value is not None or cell not in table:
            table[cell] = reading.y
    return tables


def figures(table: EstimateTable) -> dict[Cell, float]:
    """Return the numbers of a table; cells without one are left out."""
    return {cell: e.value for cell, e in table.items() if e.value is not None}


def both_directions(tables: Mapping[str, EstimateTable]) -> dict[Cell, Estimate]:
    """Half sum of both directions by sensor and pair: placement alone, without hysteresis and delay."""
    cw, ccw = (tables.get(direction, {}) for direction in DIRECTIONS)
    return {cell: _half_sum(cw.get(cell), ccw.get(cell)) for cell in itertools.product(SENSORS, PAIRS)}


def _half_sum(cw: Estimate | None, ccw: Estimate | None) -> Estimate:
    for name, of in (("clockwise", cw), ("counter-clockwise", ccw)):
        if of is None or of.value is None:
            return refused("deg_el", f"not measured {name}" + (f": {of.reason}" if of and of.reason else ""))
    if cw is None or ccw is None or cw.value is None or ccw.value is None:
        return refused("deg_el", "not measured")
    return estimate(wrap(ccw.value + wrap(cw.value - ccw.value) / 2), "deg_el", _joined(cw, ccw))


def _joined(cw: Estimate, ccw: Estimate) -> list[BudgetLine]:
    """Budget of a half sum: what scatters averages out, what is systematic is taken to be the same both times."""
    sources = {(line.source, line.kind): None for line in (*cw.budget, *ccw.budget)}
    lines = []
    for source, kind in sources:
        both = [next((x for x in e.budget if (x.source, x.kind) == (source, kind)), None) for e in (cw, ccw)]
        u = [line.u if line else 0.0 for line in both]
        dof = math.fsum(line.dof for line in both if line)
        lines.append(BudgetLine(source, kind, math.hypot(*u) / 2 if kind == "A" else sum(u) / 2, dof))
    return lines


def as_array(table: Table) -> NDArray[np.float64]:
    """Return the nine figures as an array, shape (3, 3): sensors by pairs [deg_el]; nan where there is none."""
    return np.array([[table.get((s, p), math.nan) for p in PAIRS] for s in SENSORS], dtype=np.float64)


def sensor_angles_deg_el(
    pairs: Mapping[str, str], polarity: Mapping[str, int], targets_deg_el: Mapping[str, float]
) -> dict[str, float]:
    """Return the angle theta at which each sensor should rise going clockwise.

    Parameters
    ----------
    pairs, polarity, targets_deg_el
        By sensor: the pair it belongs to; +1 where high follows that EMF going clockwise, -1 where low does; its
        target offset [deg_el].
    """
    return {
        s: wrap(PAIR_ZERO_DEG_EL[pairs[s]] + targets_deg_el[s] + (0.0 if polarity[s] > 0 else 180.0)) for s in SENSORS
    }


def nominal_deg_el(
    pairs: Mapping[str, str], polarity: Mapping[str, int], targets_deg_el: Mapping[str, float]
) -> dict[Cell, float]:
    """Return y = wrap(a_h - b_p) that a motor type asks for, by sensor and pair; parameters as above."""
    rise = sensor_angles_deg_el(pairs, polarity, targets_deg_el)
    return {(s, p): wrap(rise[s] - PAIR_ZERO_DEG_EL[p]) for s in SENSORS for p in PAIRS}


def own_offsets(table: EstimateTable, pairs: Mapping[str, str], polarity: Mapping[str, int]) -> dict[str, Estimate]:
    """Offset of each sensor from the EMF that it belongs to by the type's table and polarity [deg_el]."""
    return {s: _against(table.get((s, pairs[s])), polarity[s]) for s in SENSORS}


def _against(y: Estimate | None, polarity: int) -> Estimate:
    if y is None or y.value is None:
        return refused("deg_el", "not measured" if y is None else y.reason)
    return Estimate(wrap(y.value - (0.0 if polarity > 0 else 180.0)), y.unit, y.u, y.dof, y.budget)


@dataclass(frozen=True, slots=True)
class Belonging:
    """Which winding pair a sensor belongs to: `polarity` is +1 where high follows its EMF going clockwise.

    `other` names the next best reading where the offset is so near to 30 deg_el that it may as well be that.
    """

    sensor: str
    pair: str
    polarity: int
    offset: Estimate
    other: tuple[str, int] | None = None


def belongings(table: EstimateTable) -> tuple[Belonging, ...]:
    """Find the pair and polarity of each sensor: those that leave the smallest offsets, a pair of its own for each.

    Sensors that were not measured against all three pairs are left out.
    """
    known = figures(table)
    whole = [s for s in SENSORS if all((s, p) in known for p in PAIRS)]
    best = min(
        (tuple(_read(table, s, p) for s, p in zip(whole, pairs, strict=True)) for pairs in _distinct(len(whole))),
        key=lambda found: math.fsum((b.offset.value or 0.0) ** 2 for b in found),
    )
    return tuple(Belonging(b.sensor, b.pair, b.polarity, b.offset, _other(table, b)) for b in best)


def _distinct(count: int) -> Iterable[tuple[str, ...]]:
    return itertools.permutations(PAIRS, count)


def _read(table: EstimateTable, sensor: str, pair: str) -> Belonging:
    """Read one sensor against one pair, with the polarity that leaves the smaller offset."""
    options = [Belonging(sensor, pair, sign, _against(table[sensor, pair], sign)) for sign in (1, -1)]
    return min(options, key=lambda b: abs(b.offset.value or 0.0))


def _other(table: EstimateTable, chosen: Belonging) -> tuple[str, int] | None:
    if abs(chosen.offset.value or 0.0) < NEAR_DEG_EL - MARGIN_DEG_EL:
        return None
    others = [_read(table, chosen.sensor, pair) for pair in PAIRS if pair != chosen.pair]
    nearest = min(others, key=lambda b: abs(b.offset.value or 0.0))
    return nearest.pair, nearest.polarity


@dataclass(frozen=True, slots=True)
class Closure:
    """How well the nine figures agree with y = a_h - b_p (4 degrees of freedom).

    `largest` is the largest residual; `chi_squared` that of all residuals over the uncertainty of the figures, None
    without one. `sensor_deg_el` and `pair_deg_el` are the fitted angles, the mean of the pairs' at its nominal place.
    """

    largest: Estimate
    residual_deg_el: Mapping[Cell, float]
    chi_squared: float | None
    sensor_deg_el: Mapping[str, float]
    pair_deg_el: Mapping[str, float]


CLOSURE_DOF = 4
CLOSURE_PART = math.sqrt(CLOSURE_DOF / 9)
"""A residual's standard deviation over that of one figure: 4 of 9 degrees of freedom are left."""


def closure(table: EstimateTable) -> Closure | None:
    """Fit sensors' and pairs' angles to the nine figures; None where one of the nine is missing.

    Relays, scope and wiring cannot make the nine disagree; slip, a changing speed or another fault of one capture can.
    """
    known = figures(table)
    if len(known) < len(SENSORS) * len(PAIRS):
        return None
    residual, a, b = _fitted(as_array(known))
    each = np.array([[table[s, p].u or 0.0 for p in PAIRS] for s in SENSORS])
    chi_squared = float(np.sum((residual / each) ** 2)) if np.all(each > 0) else None
    u = CLOSURE_PART * float(np.sqrt(np.mean(each**2)))
    return Closure(
        estimate(float(np.max(np.abs(residual))), "deg_el", [BudgetLine("uncertainty of the nine figures", "A", u)]),
        {(s, p): float(residual[i, j]) for i, s in enumerate(SENSORS) for j, p in enumerate(PAIRS)},
        chi_squared,
        {s: float(wrap(x)) for s, x in zip(SENSORS, a, strict=True)},
        {p: float(wrap(x)) for p, x in zip(PAIRS, b, strict=True)},
    )


def closure_deg_el(table: Table) -> float:
    """Largest residual of the nine figures about y = a_h - b_p [deg_el]; nan where one is missing."""
    residual, _, _ = _fitted(as_array(table))
    return float(np.max(np.abs(residual)))


def _fitted(
    y: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Residuals, sensors' angles and pairs' zeros by least squares, unwrapped about a first guess from one row."""
    zeros = np.array([PAIR_ZERO_DEG_EL[p] for p in PAIRS])
    guess = y[:, :1] + wrap(y[:1, :] - y[0, 0])
    away = wrap(y - guess)
    whole = guess + away
    a, b = whole.mean(axis=1), whole.mean() - whole.mean(axis=0)
    residual = whole - a[:, None] + b[None, :]
    # Only differences are measured: the pairs' angles are put where their mean departure from nominal is nothing.
    shift = float(np.mean(wrap(b - zeros - (b[0] - zeros[0])))) + b[0] - zeros[0]
    return residual, a - shift, b - shift


def pair_angles(table: EstimateTable) -> dict[tuple[str, str], Estimate]:
    """Angle from each winding pair's EMF to the next one's, nominally 120, from all sensors seen against both [deg_el].

    A sensor is the mark that both captures share, so its own placement cancels.
    """
    return {(p, q): _pair_angle(table, p, q) for p, q in zip(PAIRS, (*PAIRS[1:], PAIRS[0]), strict=True)}


def _pair_angle(table: EstimateTable, first: str, second: str) -> Estimate:
    rows = [(table.get((s, first)), table.get((s, second))) for s in SENSORS]
    known = [(y.value, z.value, y, z) for y, z in rows if y and z and y.value is not None and z.value is not None]
    if not known:
        return refused("deg_el", f"no sensor was measured against both {first} and {second}")
    # b_q - b_p = y_p - y_q; unwrapped about the first, so that a reversed pair does not tear the mean apart.
    angles = np.array([wrap(y - z) for y, z, _, _ in known])
    mean = wrap(float(angles[0] + np.mean(wrap(angles - angles[0]))))
    # The sensors of one capture share its EMF, so more of them do not make the angle any surer.
    return estimate(
        mean,
        "deg_el",
        [
            BudgetLine("scatter of both captures", "A", max(math.hypot(_u(y, "A"), _u(z, "A")) for *_, y, z in known)),
            BudgetLine(
                "systematic in both captures", "B", max(math.hypot(_u(y, "B"), _u(z, "B")) for *_, y, z in known)
            ),
        ],
    )


def _u(of: Estimate, kind: str) -> float:
    return math.sqrt(math.fsum(line.u**2 for line in of.budget if line.kind == kind))
