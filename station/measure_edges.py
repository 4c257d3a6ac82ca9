"""Findings of single edges: where each lies, how the poles scatter, jitter, and the six sectors of a cycle."""

from collections.abc import Mapping, Sequence

import numpy as np

from analysis.angles import wrap
from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.pairings import PAIRS, SENSORS, nominal_deg_el
from analysis.sectors import FALLING, RISING, Edge, Sector, edges_of, sectors
from analysis.sensor_timing import SensorTiming
from station.basis import Basis
from station.decision import Decision
from station.findings import Detail
from station.run_facts import Gathered
from station.timed_captures import Key, Timed, by_key, speeds_both_ways

NO_TARGETS = dict.fromkeys(SENSORS, 0.0)
NOT_BOTH_WAYS = "no winding pair was captured in both directions at one speed"
BOTH = ("CW", "CCW")


def measure_edges(timed: Sequence[Timed], basis: Basis, gathered: Gathered, decision: Decision) -> None:
    """Add each sensor's edges against its own pair, and the sectors as seen against one pair."""
    found = by_key(timed)
    for sensor in SENSORS:
        own = basis.machine.sensors.pairs[sensor]
        pair = next((p for p in (own, *PAIRS) if speeds_both_ways(found, p)), None)
        both = None if pair is None else _both_ways(sensor, pair, found)
        _add_edges(sensor, pair, both, basis, gathered, decision)
        _add_poles(sensor, both, gathered, decision)
    _add_sectors(found, gathered, decision)


def _both_ways(sensor: str, pair: str, found: Mapping[Key, Timed]) -> tuple[SensorTiming, SensorTiming]:
    speed = speeds_both_ways(found, pair)[-1]
    cw, ccw = (found[direction, speed, pair].timing.sensors[sensor] for direction in BOTH)
    return cw, ccw


def _add_edges(
    sensor: str,
    pair: str | None,
    both: tuple[SensorTiming, SensorTiming] | None,
    basis: Basis,
    gathered: Gathered,
    decision: Decision,
) -> None:
    kinds = basis.machine.sensors
    for kind, edge in zip((RISING, FALLING), edges_of(sensor, *both) if both else (None, None), strict=True):
        offset = refused("deg_el", NOT_BOTH_WAYS)
        if edge is not None and pair is not None:
            offset = _turned(edge.y, nominal_deg_el(kinds.pairs, kinds.polarity, NO_TARGETS)[sensor, pair])
        gathered.add(decision.finding(f"{kind}_{sensor}", offset))


def _turned(y: Estimate, by_deg: float) -> Estimate:
    return y if y.value is None else Estimate(float(wrap(y.value - by_deg)), y.unit, y.u, y.dof, y.budget)


def _add_poles(
    sensor: str, both: tuple[SensorTiming, SensorTiming] | None, gathered: Gathered, decision: Decision
) -> None:
    """Add the pole pattern and the jitter, the worse of both directions."""
    if both is None or any(s.cells_deg is None or s.jitter_deg is None for s in both):
        reasons = [s.y_waveform.reason for s in both or () if s.y_waveform.reason]
        why = reasons[0] if reasons else NOT_BOTH_WAYS if both is None else "fewer than two edges of a kind"
        gathered.add(decision.finding(f"pole_scatter_{sensor}", refused("deg_el", why)))
        gathered.add(decision.finding(f"jitter_{sensor}", refused("deg_el", why)))
        return
    cells = [s.cells_deg - s.cells_deg.mean(axis=0) for s in both if s.cells_deg is not None]
    widest = max(cells, key=lambda c: float(np.max(np.abs(c))))
    jitter = [s.jitter_deg for s in both if s.jitter_deg is not None]
    u = max(_scatter(s.y_waveform) for s in both) * float(np.sqrt(2 * widest.shape[0]))
    details = [
        Detail(f"pole {pole}, {kind} edge", float(widest[pole - 1, place]), "deg_el")
        for pole in range(1, widest.shape[0] + 1)
        for place, kind in enumerate((RISING, FALLING))
    ]
    largest = float(np.max(np.abs(widest)))
    line = BudgetLine("scatter of one edge of one pole", "A", u)
    gathered.add(decision.finding(f"pole_scatter_{sensor}", estimate(largest, "deg_el", [line]), detail=details))
    edges = max(2.0, widest.size * 2.0)
    of_jitter = BudgetLine("number of edges", "A", max(jitter) / float(np.sqrt(edges)), edges)
    gathered.add(decision.finding(f"jitter_{sensor}", estimate(max(jitter), "deg_el", [of_jitter])))


def _scatter(of: Estimate) -> float:
    return float(np.sqrt(sum(line.u**2 for line in of.budget if line.kind == "A")))


def _add_sectors(found: Mapping[Key, Timed], gathered: Gathered, decision: Decision) -> None:
    cut = _sectors(found)
    for sector in cut:
        gathered.add(decision.finding(f"sector_{sector.code}", sector.width))
    for name, pick in (("sector_smallest", min), ("sector_largest", max)):
        if not cut:
            gathered.add(decision.finding(name, refused("deg_el", "not every edge of the three sensors was timed")))
            continue
        extreme = pick(cut, key=lambda s: s.width.value or 0.0)
        gathered.add(decision.finding(name, extreme.width, detail=[_bounds(extreme)]))


def _bounds(sector: Sector) -> Detail:
    begins, ends = ((f"{e.sensor} {e.kind}") for e in (sector.begins, sector.ends))
    return Detail(f"sector {sector.code}, from {begins} to {ends} going clockwise", sector.width.value, "deg_el")


def _sectors(found: Mapping[Key, Timed]) -> tuple[Sector, ...]:
    """Cut the cycle by the first pair that shows all edges in both directions."""
    for pair in PAIRS:
        if speeds_both_ways(found, pair):
            edges: dict[str, tuple[Edge, Edge]] = {s: edges_of(s, *_both_ways(s, pair, found)) for s in SENSORS}
            if cut := sectors(edges):
                return cut
    return ()
