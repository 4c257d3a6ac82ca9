"""Edges of a slowly turning motor one by one, and what was learned of each of them while the unit was clamped.

Each sensor, kind of edge and pole has its own error, of a degree or so. It belongs to the rotor and stays the same while the
unit's body is turned, so once learned it can be taken off, and then a single edge says where the unit stands.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.angles import circular_mean, wrap
from analysis.crossings import zero_phase
from analysis.edge_table import UnmeasurableError
from analysis.edges import find_edges
from analysis.estimate import Estimate
from analysis.pairings import SENSORS

Floats = NDArray[np.float64]

LEAST_TURNS = 2
FARTHEST_DEG_EL = 8.0
"""An edge further than this from the middle of its sensor and kind is false, while a table is learned: eight times the usual
error of a pole (assumed)."""
MOST_DRIFT_DEG_EL = 0.5
"""Further apart the two halves of a record may not lie: then the unit was not clamped (assumed)."""


@dataclass(frozen=True, slots=True)
class LiveEdge:
    """One edge against the EMF of U-V.

    Parameters
    ----------
    cw_rise
        Whether it is the edge that rises going clockwise; it then falls going counter-clockwise.
    at_deg_el
        Position s chi - (0 or 180) - nominal, not wrapped: it grows by 360 s with each cycle since the count of cycles
        began [deg_el].
    f_e_hz
        Electrical frequency there, for what a delay does.
    """

    time_s: float
    sensor: str
    cw_rise: bool
    at_deg_el: float
    f_e_hz: float

    @property
    def row(self) -> tuple[int, int]:
        """Sensor and kind as rows of a table."""
        return SENSORS.index(self.sensor), int(not self.cw_rise)


@dataclass(frozen=True, slots=True)
class Known:
    """Hysteresis [deg_el] and delay [us] of a sensor from the run with the unit clamped, with their uncertainties.

    Raises
    ------
    ValueError
        Either was not measured: one direction alone cannot tell them from the offset.
    """

    hysteresis: Estimate
    delay: Estimate

    def __post_init__(self) -> None:
        """Refuse what is not known."""
        for name, of in (("hysteresis", self.hysteresis), ("delay", self.delay)):
            if of.value is None:
                raise ValueError(f"{name} must be known before the unit is turned in one direction: {of.reason}")

    def shift_deg_el(self, direction: int, f_e_hz: float) -> float:
        """Return what both add to a position: s (eta + w tau), w = 360 f_e [deg_el]."""
        return direction * ((self.hysteresis.value or 0.0) + 360e-6 * f_e_hz * (self.delay.value or 0.0))


def without_known(edges: Iterable[LiveEdge], known: Mapping[str, Known], direction: int) -> tuple[LiveEdge, ...]:
    """Take hysteresis and delay off edges."""
    return tuple(replace(e, at_deg_el=e.at_deg_el - known[e.sensor].shift_deg_el(direction, e.f_e_hz)) for e in edges)


def edges_of_record(
    emf_v: Floats,
    sensors_v: Mapping[str, Floats],
    interval_s: float,
    direction: int,
    nominal_deg_el: Mapping[str, float],
    *,
    pole_pairs: int = 1,
    start_s: float = 0.0,
) -> tuple[LiveEdge, ...]:
    """Find the edges of a short capture with the EMF of U-V, in order of time.

    Parameters
    ----------
    emf_v, sensors_v
        Samples, shape (n,) [V].
    direction
        +1 clockwise, -1 counter-clockwise, as seen facing the drive end.
    nominal_deg_el
        By sensor: y = a_h - b_uv that the type asks for, see `analysis.pairings.nominal_deg_el`.
    start_s
        Time of the first sample.

    Raises
    ------
    UnmeasurableError
        The capture has no two cycles of EMF.
    """
    phase = zero_phase(emf_v, interval_s, pole_pairs)
    if phase is None:
        raise UnmeasurableError("the capture has no two cycles of EMF")
    found = []
    for sensor, volts in sensors_v.items():
        edges = find_edges(volts, interval_s)
        chi = phase.at(edges.times_s)
        for time, rising, angle in zip(edges.times_s.tolist(), edges.rising.tolist(), chi.tolist(), strict=True):
            cw_rise = rising == (direction > 0)
            at = direction * angle - (0.0 if cw_rise else 180.0) - nominal_deg_el[sensor]
            found.append(LiveEdge(start_s + time, sensor, cw_rise, at, phase.f_e_hz))
    return tuple(sorted((e for e in found if np.isfinite(e.at_deg_el)), key=lambda e: e.time_s))


@dataclass(frozen=True, slots=True, eq=False)
class PoleTable:
    """What was learned with the unit clamped, hysteresis and delay taken off.

    Parameters
    ----------
    base_deg_el
        Mean of all cells, where the unit stood, in (-180, 180] [deg_el].
    cells_deg_el
        Each edge about the base, shape (3, 2, P): sensors, kinds (rises going clockwise, falls), poles [deg_el].
    scatter_deg_el
        Standard deviation of edges about their cell [deg_el].
    turns
        How often each edge was seen at least, false ones counted.
    used
        Edges used.
    f_e_hz
        Mean electrical frequency.
    """

    base_deg_el: float
    cells_deg_el: Floats
    scatter_deg_el: float
    turns: int
    used: int
    f_e_hz: float

    @property
    def pole_pairs(self) -> int:
        """Pole pairs."""
        return int(self.cells_deg_el.shape[2])

    @property
    def places_deg_el(self) -> dict[str, float]:
        """Place of each sensor about the base [deg_el]."""
        return dict(zip(SENSORS, self.cells_deg_el.mean(axis=(1, 2)).tolist(), strict=True))

    def residual(self, edge: LiveEdge, centre_deg_el: float, label: int = 0) -> float:
        """Position of an edge less that of its cell and of the unit, taken to stand at `centre_deg_el` [deg_el]."""
        away = edge.at_deg_el - centre_deg_el
        cycle = round(away / 360.0)
        row, kind = edge.row
        return away - 360.0 * cycle - float(self.cells_deg_el[row, kind, (cycle + label) % self.pole_pairs])

    def label(self, edges: Sequence[LiveEdge]) -> int:
        """Return which pole of the table the first cycle of these edges is, counting having begun anew.

        Notes
        -----
        Of all P ways the one whose residuals have the least median absolute deviation.

        Raises
        ------
        UnmeasurableError
            There is no edge.
        """
        if not edges:
            raise UnmeasurableError("no edge to find the pole by")
        centre = circular_mean(np.array([e.at_deg_el for e in edges]))
        return min(range(self.pole_pairs), key=lambda k: _spread([self.residual(e, centre, k) for e in edges]))


def _spread(residuals: Sequence[float]) -> float:
    each = np.array(residuals)
    return float(np.median(np.abs(each - np.median(each))))


def learn(edges: Sequence[LiveEdge], pole_pairs: int) -> PoleTable:
    """Learn the places of all edges from a clamped unit on a slowly turning shaft.

    Parameters
    ----------
    edges
        Of all three sensors over two turns at least, in one count of cycles, hysteresis and delay taken off.

    Raises
    ------
    UnmeasurableError
        Some pole's edge was seen fewer than twice, or the unit moved.
    """
    at = np.array([e.at_deg_el for e in edges])
    if at.size == 0:
        raise UnmeasurableError("no edge to learn from")
    centre = circular_mean(at)
    away = wrap(at - centre)
    pole = np.rint((at - centre - away) / 360.0).astype(np.int64) % pole_pairs
    row, kind = (np.array(x) for x in zip(*(e.row for e in edges), strict=True))
    cells, spread = np.empty((len(SENSORS), 2, pole_pairs)), np.full(at.size, np.nan)
    seen = np.zeros(cells.shape, dtype=np.int64)
    np.add.at(seen, (row, kind, pole), 1)
    for i, k in np.ndindex(len(SENSORS), 2):
        of_kind = (row == i) & (kind == k)
        middle = np.median(away[of_kind]) if of_kind.any() else np.nan
        for q in range(pole_pairs):
            own = np.flatnonzero(of_kind & (pole == q) & (np.abs(away - middle) <= FARTHEST_DEG_EL))
            cells[i, k, q] = np.median(away[own]) if own.size else np.nan
            spread[own] = away[own] - cells[i, k, q]
    _demand_learned(spread, int(seen.min()), cells)
    base = float(cells.mean())
    used = int(np.count_nonzero(np.isfinite(spread)))
    scatter = float(np.sqrt(np.nansum(spread**2) / max(1, used - cells.size)))
    f_e_hz = float(np.mean([e.f_e_hz for e in edges]))
    return PoleTable(float(wrap(centre + base)), cells - base, scatter, int(seen.min()), used, f_e_hz)


def _demand_learned(spread: Floats, fewest: int, cells: Floats) -> None:
    if fewest < LEAST_TURNS:
        raise UnmeasurableError(f"some edge was seen {fewest} times; needed: {LEAST_TURNS}, two turns of the shaft")
    if not np.all(np.isfinite(cells)):
        raise UnmeasurableError("some edge was false each time it was seen")
    good = spread[np.isfinite(spread)]
    # Edges stand in order of time, so the halves tell a unit that crept or was turned.
    drift = float(np.mean(good[good.size // 2 :]) - np.mean(good[: good.size // 2]))
    if abs(drift) > MOST_DRIFT_DEG_EL:
        raise UnmeasurableError(f"the unit moved by {drift:+.1f} deg_el while it should have been clamped")
