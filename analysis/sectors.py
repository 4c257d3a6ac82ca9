"""Edges of the sensors one by one, free of direction, and the widths of the six sectors that they cut a cycle into.

Taken against one winding pair in both directions: half the sum of an edge's two places is where it lies, without
hysteresis and delay, and what the pair's own EMF does wrong is the same for all edges, so no width knows it.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from analysis.angles import wrap
from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.sensor_timing import SensorTiming

RISING, FALLING = "rising", "falling"
SHARED_BY_EDGES = frozenset(
    {"window of the zero fits and harmonics", "mains pick-up", "disagreement of the two estimators"}
)
"""What moves the whole record moves all edges alike, and no width knows it."""
SECTORS = 6


@dataclass(frozen=True, slots=True)
class Edge:
    """One edge of one sensor, named by what it does going clockwise.

    Parameters
    ----------
    y
        Place against the pair's rising zero going clockwise, a falling edge's less 180 [deg_el].
    """

    sensor: str
    kind: str
    y: Estimate


@dataclass(frozen=True, slots=True)
class Sector:
    """From one edge to the next going clockwise: levels of the sensors within, in the order given, and width [deg_el]."""

    code: str
    begins: Edge
    ends: Edge
    width: Estimate


def edges_of(sensor: str, cw: SensorTiming, ccw: SensorTiming) -> tuple[Edge, Edge]:
    """Return the rising and the falling edge of a sensor timed in both directions."""
    return (
        Edge(sensor, RISING, _half_sum(cw, ccw, cw.rise_deg, ccw.rise_deg)),
        Edge(sensor, FALLING, _half_sum(cw, ccw, cw.fall_deg, ccw.fall_deg)),
    )


def _half_sum(cw: SensorTiming, ccw: SensorTiming, at_cw: float | None, at_ccw: float | None) -> Estimate:
    for name, of, at in (("clockwise", cw, at_cw), ("counter-clockwise", ccw, at_ccw)):
        if at is None:
            return refused("deg_el", f"not measured {name}: {of.y_waveform.reason}")
    if at_cw is None or at_ccw is None:
        return refused("deg_el", "not measured")
    return estimate(wrap(at_ccw + wrap(at_cw - at_ccw) / 2), "deg_el", _lines(cw.y_waveform, ccw.y_waveform))


def _lines(cw: Estimate, ccw: Estimate) -> list[BudgetLine]:
    """Budget of one edge: half the edges scatter the more, and what is systematic stays."""
    sources = {(line.source, line.kind): None for line in (*cw.budget, *ccw.budget)}
    made = []
    for source, kind in sources:
        both = [line for e in (cw, ccw) for line in e.budget if (line.source, line.kind) == (source, kind)]
        u = math.hypot(*(line.u for line in both)) / math.sqrt(2) if kind == "A" else max(line.u for line in both)
        made.append(BudgetLine(source, kind, u, math.fsum(line.dof for line in both)))
    return made


def sectors(edges: Mapping[str, tuple[Edge, Edge]]) -> tuple[Sector, ...]:
    """Cut a cycle at the edges of the sensors, beginning with the first sensor's rise going clockwise.

    Parameters
    ----------
    edges
        By sensor, all against the same winding pair.

    Returns
    -------
    tuple
        Six sectors; none if an edge was not measured.
    """
    every = [edge for both in edges.values() for edge in both]
    if not every or any(edge.y.value is None for edge in every):
        return ()
    first = _angle(every[0])
    ordered = sorted(every, key=lambda edge: (_angle(edge) - first) % 360)
    levels = {sensor: _level(both, first) for sensor, both in edges.items()}
    made = []
    for begins, ends in zip(ordered, (*ordered[1:], ordered[0]), strict=True):
        levels[begins.sensor] = begins.kind == RISING
        made.append(Sector("".join("1" if levels[s] else "0" for s in edges), begins, ends, _width(begins, ends)))
    return tuple(made)


def _angle(edge: Edge) -> float:
    return (edge.y.value or 0.0) + (0.0 if edge.kind == RISING else 180.0)


def _level(both: tuple[Edge, Edge], at_deg: float) -> bool:
    """Whether a sensor is high just before an angle: its rise came later than its fall."""
    since_rise, since_fall = ((at_deg - _angle(edge) - 1e-9) % 360 for edge in both)
    return since_rise < since_fall


def _width(begins: Edge, ends: Edge) -> Estimate:
    apart = (_angle(ends) - _angle(begins)) % 360
    lines = [
        BudgetLine(line.source, line.kind, line.u, line.dof)
        for edge in (begins, ends)
        for line in edge.y.budget
        if line.source not in SHARED_BY_EDGES
    ]
    return estimate(apart, "deg_el", lines)
