"""Where the unit stands while it is turned on a slowly turning shaft: one direction, the EMF of U-V alone, edge by edge.

What was learned of each edge with the unit clamped is taken off; the median of the last six edges stands false ones, and a
weighted mean follows it: at once where the unit moved by half a degree, else with a time constant of 50 ms. The three
sensors sit in one body and turn together, so they share one shift. It is an aid for the hand: the figure that counts is
that of a run in both directions with the unit clamped.
"""

import math
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from analysis.angles import wrap
from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.live_table import Known, LiveEdge, PoleTable, without_known
from analysis.pairings import SENSORS

UNIT = "deg_el"
WINDOW_EDGES = 6
FAST_DEG_EL = 0.5
FAST_WEIGHT = 0.6
TIME_CONSTANT_S = 0.05
APART_DEG_EL = 5.0
"""Further apart than a hand turns the unit from one edge to the next (assumed: 60 deg_el/s at 30 rpm)."""
OLDEST_S = 1.0
"""Older than this no figure may look as if it followed the hand (assumed: half a turn at 30 rpm)."""
LEAST_TURN_DEG_EL = 0.2
TURN_SCATTER = 4.0
"""Medians of three edges are apart by 0.95 of one edge's scatter (normal distribution), so this is met by chance hardly ever."""
MEDIAN_EFFICIENCY = math.sqrt(math.pi / 2)
"""Standard deviation of a median over that of a mean, normal distribution and many values: an upper bound for six."""
MAD_TO_SD = 1.4826
RIPPLE_SHARE = 0.007
"""Ripple locked to the rotation moves an edge by this share of its distance from the zero of the EMF, as
`analysis.timing_budget` has it."""
FARTHEST_ZERO_DEG_EL = 60.0
"""A sensor of V-W or W-U stands this far from the nearest zero of U-V."""


@dataclass(frozen=True, slots=True)
class LiveReading:
    """What to show now.

    Parameters
    ----------
    offsets
        By sensor, each less its nominal place [deg_el].
    mean
        Mean of the three [deg_el]: what setting goes by.
    age_s
        Time since the newest edge; None before the first.
    turning
        Whether the unit moves: the newer half of the last edges is apart from the older by more than edges scatter.
    """

    offsets: Mapping[str, Estimate]
    mean: Estimate
    age_s: float | None
    turning: bool


class LiveOffset:
    """Follows the unit edge by edge; the same edges always give the same readings.

    Parameters
    ----------
    table
        Learned with the unit clamped, in this direction.
    known
        By sensor: hysteresis and delay, which are taken off.
    direction
        +1 clockwise, -1 counter-clockwise, as seen facing the drive end.
    clamped
        By sensor: the offset as the clamped run in both directions gave it, where there is one with the unit as it stood
        when the table was learned; readings then follow on from there, without what ripple does to a single direction.
    oldest_s
        Age at which a reading gives no number any more.

    Raises
    ------
    ValueError
        A sensor has no known hysteresis and delay, or the direction is neither +1 nor -1.
    """

    def __init__(
        self,
        table: PoleTable,
        known: Mapping[str, Known],
        direction: int,
        *,
        clamped: Mapping[str, Estimate] | None = None,
        oldest_s: float = OLDEST_S,
    ) -> None:
        missing = [s for s in SENSORS if s not in known]
        if missing:
            raise ValueError(f"hysteresis and delay must be known of all sensors, missing: {', '.join(missing)}")
        if direction not in (1, -1):
            raise ValueError(f"direction must be 1 or -1, got {direction}")
        self._table, self._known, self._direction, self._oldest_s = table, dict(known), direction, oldest_s
        self._places = _places(table, clamped or {}, known)
        self._recent: deque[float] = deque(maxlen=WINDOW_EDGES)
        self._shift = 0.0
        self._label = 0
        self._newest_s: float | None = None

    def add(self, edge: LiveEdge) -> None:
        """Take one edge, in the count of cycles that the table was learned in or `add_record` began.

        Raises
        ------
        ValueError
            The edge is older than the one before.
        """
        if self._newest_s is not None:
            if edge.time_s < self._newest_s:
                raise ValueError(f"edges must come in order of time, got {edge.time_s:g} s after {self._newest_s:g} s")
            if edge.time_s - self._newest_s > self._oldest_s:
                self._recent.clear()
        elapsed_s = 0.0 if self._newest_s is None else edge.time_s - self._newest_s
        self._newest_s = edge.time_s
        (bare,) = without_known([edge], self._known, self._direction)
        # The shift itself is added again: the place in the cycle is sought about where the unit stands now.
        self._recent.append(
            self._shift + self._table.residual(bare, self._table.base_deg_el + self._shift, self._label)
        )
        if len(self._recent) < WINDOW_EDGES:
            # Until the window is full the middle of what there is stands in, so that cycles are not told wrongly.
            self._shift = median(self._recent)
            return
        away = self._middle() - self._shift
        weight = 1 - math.exp(-elapsed_s / TIME_CONSTANT_S)
        self._shift += away * (max(FAST_WEIGHT, weight) if abs(away) >= FAST_DEG_EL else weight)

    def add_record(self, edges: Sequence[LiveEdge]) -> None:
        """Take the edges of a capture that begins a count of cycles of its own.

        Raises
        ------
        UnmeasurableError
            There is no edge in it.
        """
        self._label = self._table.label(without_known(edges, self._known, self._direction))
        for edge in edges:
            self.add(edge)

    def reading(self, now_s: float) -> LiveReading:
        """Say what to show at a time."""
        age_s = None if self._newest_s is None else now_s - self._newest_s
        reason = self._refusal(age_s)
        if reason:
            return LiveReading(
                dict.fromkeys(SENSORS, refused(UNIT, reason)), refused(UNIT, reason), age_s, turning=False
            )
        half = WINDOW_EDGES // 2
        older, newer = median(list(self._recent)[:half]), median(list(self._recent)[half:])
        ahead = abs(newer - self._shift)
        lines = [
            BudgetLine("scatter of the last edges", "A", self._scatter(), WINDOW_EDGES - 1.0),
            BudgetLine("what the newest edges are ahead", "B", ahead),
            BudgetLine("learned place of each edge", "B", self._table_u()),
        ]
        offsets = {
            s: estimate(float(wrap((place.value or 0.0) + self._shift)), UNIT, [*lines, *place.budget])
            for s, place in self._places.items()
        }
        turning = abs(newer - older) > max(LEAST_TURN_DEG_EL, TURN_SCATTER * self._table.scatter_deg_el)
        return LiveReading(offsets, self._mean(lines), age_s, turning)

    def _refusal(self, age_s: float | None) -> str:
        if age_s is None:
            return "no edge yet"
        if age_s > self._oldest_s:
            return f"the newest edge is {age_s:.1f} s old; allowed: {self._oldest_s:g} s"
        if len(self._recent) < WINDOW_EDGES:
            return f"{len(self._recent)} edges so far; needed: {WINDOW_EDGES}"
        return ""

    def _middle(self) -> float:
        """Median of the window; where half of it is false, the one of the two middle edges that is nearer to before."""
        low, high = sorted(self._recent)[WINDOW_EDGES // 2 - 1 : WINDOW_EDGES // 2 + 1]
        if high - low > APART_DEG_EL:
            return min(low, high, key=lambda r: abs(r - self._shift))
        return (low + high) / 2

    def _scatter(self) -> float:
        middle = median(self._recent)
        spread = MAD_TO_SD * median(abs(r - middle) for r in self._recent)
        return spread * MEDIAN_EFFICIENCY / math.sqrt(WINDOW_EDGES)

    def _table_u(self) -> float:
        """Each cell is a mean of its turns; six cells make a reading."""
        return self._table.scatter_deg_el * MEDIAN_EFFICIENCY / math.sqrt(self._table.turns * WINDOW_EDGES)

    def _mean(self, lines: Iterable[BudgetLine]) -> Estimate:
        places = list(self._places.values())
        about = places[0].value or 0.0
        middle = about + math.fsum(wrap((p.value or 0.0) - about) for p in places) / len(places)
        # What is known of each sensor came from the same captures, so it is taken to err alike.
        shared = math.fsum(p.u or 0.0 for p in places) / len(places)
        return estimate(
            float(wrap(middle + self._shift)), UNIT, [*lines, BudgetLine("places of the sensors", "B", shared)]
        )


def _places(table: PoleTable, clamped: Mapping[str, Estimate], known: Mapping[str, Known]) -> dict[str, Estimate]:
    """Offset of each sensor with the unit where the table was learned."""
    return {s: _place(table, s, clamped.get(s), known[s]) for s in SENSORS}


def _place(table: PoleTable, sensor: str, clamped: Estimate | None, known: Known) -> Estimate:
    if clamped is not None and clamped.value is not None and clamped.u is not None:
        return estimate(clamped.value, UNIT, [BudgetLine("offset of the clamped run", "B", clamped.u, clamped.dof)])
    value = float(wrap(table.base_deg_el + table.places_deg_el[sensor]))
    return estimate(
        value,
        UNIT,
        [
            BudgetLine("hysteresis", "B", known.hysteresis.u or 0.0, known.hysteresis.dof),
            BudgetLine("delay", "B", 360e-6 * table.f_e_hz * (known.delay.u or 0.0), known.delay.dof),
            BudgetLine("speed ripple locked to the rotation", "B", RIPPLE_SHARE * (FARTHEST_ZERO_DEG_EL + abs(value))),
        ],
    )
