"""Offsets of the sensors from a rotor that winding currents hold still: a second way to them, with no EMF and no scope.

Six currents hold the rotor at six known angles in every pole pair (`analysis.current_vectors`); encoder counts are noted
there, and wherever a sensor switches while the shaft is turned by hand with the current off. A sensor's offset is how far
its edges lie from the rests of its own winding pair: both refer to the zeros of the same EMF, so unequal phases move
neither against the other.

Friction lets the rotor stop anywhere within a band about the true rest. Rests come from both sides and are weighed alike,
so the band falls with the root of their number. Cogging does not: in a balanced three-phase winding the least common
multiple of slots and poles is a multiple of 6 P, so what sound magnets and slots make repeats six times a cycle, moves
every rest alike and cannot be seen in them. It is no stronger than friction wherever a shaft without current stays where
it is put, which the technician can try.
"""

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.angles import circular_mean, wrap
from analysis.counter import Counter
from analysis.current_vectors import VECTORS, Vector, rest_deg_el, vectors_of
from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.pairings import PAIR_ZERO_DEG_EL, SENSORS

Floats = NDArray[np.float64]

UNIT = "deg_el"
WIDEST_BAND_DEG_EL = 5.0
"""Half width beyond which the current is too weak for the friction: 9 % of the peak torque (assumed)."""
MISFIT_DEG_EL = 12.0
"""A rest or edge this far from the others of its kind was counted wrongly: two and a half of the widest bands."""
ONE_SIDE_DEG_EL = 2.0
"""Standard uncertainty of rests that were all reached from one side, so that their band is not known (assumed: 3.5 %)."""
ONE_SIDE = "friction, approached from one side only"
LEAST_POLES = 2
LIMIT_DEG_EL = 2.0
"""Largest difference from the result of a spin that is taken as agreement (assumed)."""
COVERAGE_K = 2.0


@dataclass(frozen=True, slots=True)
class Rest:
    """Where the rotor came to rest: the current, the way it went before (+1 clockwise, -1), and the counts there."""

    vector: Vector
    approach: int
    counts: float


@dataclass(frozen=True, slots=True)
class EdgeCounts:
    """A sensor's change to high or low while the shaft went one way (+1 clockwise, -1), and the counts there."""

    sensor: str
    to_high: bool
    direction: int
    counts: float

    @property
    def kind(self) -> int:
        """0 for the edge that rises going clockwise, 1 for the one that falls."""
        return int(self.to_high != (self.direction > 0))


@dataclass(frozen=True, slots=True)
class Band:
    """What rests of one winding pair say.

    Parameters
    ----------
    zero_deg_el
        Angle on the counter at which the pair's rests would lie if they were at theta = 0, in (-180, 180] [deg_el].
    half_width_deg_el
        Half width of the band of rest positions [deg_el].
    rests
        Number of rests.
    both_sides
        Whether each of the two currents was approached from both sides.
    """

    zero_deg_el: float
    half_width_deg_el: float
    rests: int
    both_sides: bool

    @property
    def friction_share(self) -> float:
        """Friction over the peak torque of the current that this band means."""
        return math.sin(math.radians(min(90.0, self.half_width_deg_el)))


@dataclass(frozen=True, slots=True)
class HeldRotor:
    """Offsets by rests.

    Parameters
    ----------
    offsets, hysteresis
        By sensor [deg_el].
    mean
        Mean of the three offsets [deg_el].
    bands
        By winding pair; pairs without rests of both currents are left out.
    reason
        Why there is no number at all; empty if there is one.
    """

    offsets: Mapping[str, Estimate]
    hysteresis: Mapping[str, Estimate]
    mean: Estimate
    bands: Mapping[str, Band]
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Agreement:
    """Rests against a spin: difference (rests less spin) [deg_el], E_n, the limit [deg_el], and whether they agree.

    `e_n` and `agree` are None where one of the two was not measured.
    """

    difference: Estimate
    e_n: float | None
    limit_deg_el: float
    agree: bool | None


def held_rotor(
    rests: Sequence[Rest],
    edges: Sequence[EdgeCounts],
    counter: Counter,
    *,
    pairs: Mapping[str, str],
    polarity: Mapping[str, int],
    cogging_deg_el: float | None = None,
) -> HeldRotor:
    """Estimate each sensor's offset from the zeros of its own winding pair's EMF.

    Parameters
    ----------
    rests, edges
        In any order, all in one unbroken count.
    pairs, polarity
        By sensor: the pair it belongs to; +1 where high follows that EMF going clockwise, -1 where low does.
    cogging_deg_el
        Amplitude by which cogging shifts every rest, where it is known for this current; None takes it to be anything
        up to the band that friction makes, which a shaft that stays where it is put without current proves.

    Raises
    ------
    ValueError
        A rest or an edge that names no current, side or sensor there is.

    Notes
    -----
    x = mean of the edges over poles, kinds and directions less the mean of the rests over currents and sides. Budget: rests
    within the band (rectangular, one for each rest), cogging (sine of unknown phase and, unless given, of any amplitude
    up to the half band f: f / sqrt(6)), one count of rests and edges (rectangular), poles whose edges were not seen.
    """
    _check(rests, edges)
    away = _rest_angles(rests, counter)
    reason = _misfit(rests, away)
    bands = {} if reason else _bands(rests, away)
    reason = reason or _too_wide(bands)
    if reason:
        none = dict.fromkeys(SENSORS, refused(UNIT, reason))
        return HeldRotor(none, none, refused(UNIT, reason), {}, reason)
    found = {
        s: _of_sensor([e for e in edges if e.sensor == s], bands.get(pairs[s]), counter, pairs[s], polarity[s])
        for s in SENSORS
    }
    widest = max((b.half_width_deg_el for b in bands.values()), default=0.0)
    cogging = BudgetLine(
        "cogging that moves all rests alike",
        "B",
        widest / math.sqrt(6) if cogging_deg_el is None else cogging_deg_el / math.sqrt(2),
    )
    own = {s: each[0] for s, each in found.items()}
    return HeldRotor(
        {s: _with(x, cogging) for s, x in own.items()},
        {s: each[1] for s, each in found.items()},
        _with(_mean(own), cogging),
        bands,
    )


def against_spin(rests: Estimate, spin: Estimate, limit_deg_el: float = LIMIT_DEG_EL) -> Agreement:
    """Compare an offset by rests with the same offset by a spin.

    Notes
    -----
    E_n = |x_rests - x_spin| / sqrt(U_rests^2 + U_spin^2), U = 2 u (ISO 13528:2022, 9.7). They agree where E_n is at most 1
    and the difference within the limit: a wide uncertainty alone is no agreement.
    """
    for name, of in (("by rests", rests), ("by a spin", spin)):
        if of.value is None or of.u is None:
            return Agreement(refused(UNIT, f"not measured {name}: {of.reason}"), None, limit_deg_el, None)
    lines = [
        replace(x, source=f"{name}: {x.source}") for name, of in (("rests", rests), ("spin", spin)) for x in of.budget
    ]
    difference = estimate(float(wrap((rests.value or 0.0) - (spin.value or 0.0))), UNIT, lines)
    size, wide = abs(difference.value or 0.0), COVERAGE_K * math.hypot(rests.u or 0.0, spin.u or 0.0)
    e_n = size / wide if wide > 0 else (0.0 if size == 0 else math.inf)
    return Agreement(difference, e_n, limit_deg_el, e_n <= 1 and size <= limit_deg_el)


def _check(rests: Sequence[Rest], edges: Sequence[EdgeCounts]) -> None:
    for rest in rests:
        rest_deg_el(rest.vector)
        if rest.approach not in (1, -1):
            raise ValueError(f"a rest is approached going clockwise (1) or counter-clockwise (-1), got {rest.approach}")
    for edge in edges:
        if edge.sensor not in SENSORS or edge.direction not in (1, -1):
            raise ValueError(
                f"an edge belongs to one of {', '.join(SENSORS)} and to a way of 1 or -1,"
                f" got {edge.sensor!r} and {edge.direction}"
            )


def _rest_angles(rests: Sequence[Rest], counter: Counter) -> Floats:
    """Angle of each rest on the counter less its theta, shape (n,) [deg_el]."""
    held = np.array([rest_deg_el(r.vector) for r in rests], dtype=np.float64)
    return counter.angles_deg_el([r.counts for r in rests]) - held


def _misfit(rests: Sequence[Rest], away: Floats) -> str:
    """Reason why these counts are not those of this motor and encoder; empty if there is none."""
    if away.size == 0:
        return "the rotor was brought to rest nowhere"
    if not np.all(np.isfinite(away)):
        return "a rest has no count"
    apart = np.abs(wrap(away - circular_mean(away)))
    if apart.max() > MISFIT_DEG_EL:
        worst = int(np.argmax(apart))
        return (
            f"the counts do not fit lines, pole pairs and sense: the rest {'-'.join(rests[worst].vector)} at"
            f" {rests[worst].counts:g} lies {apart[worst]:.0f} deg_el from where the others put it"
        )
    if len({frozenset(r.vector) for r in rests}) < 2:
        return "too few rests: currents in one winding pair alone cannot tell which way the counts run"
    return ""


def _bands(rests: Sequence[Rest], away: Floats) -> dict[str, Band]:
    found = {pair: _band(rests, away, vectors_of(pair)) for pair in PAIR_ZERO_DEG_EL}
    return {pair: band for pair, band in found.items() if band is not None}


def _band(rests: Sequence[Rest], away: Floats, vectors: tuple[Vector, Vector]) -> Band | None:
    """Rests of one pair; None unless both its currents were used."""
    centre = circular_mean(away)
    cells = {
        (v, side): wrap(away[[r.vector == v and r.approach == side for r in rests]] - centre)
        for v, side in itertools.product(vectors, (1, -1))
    }
    by_vector = [[c for (v, _), c in cells.items() if v == vector and c.size] for vector in vectors]
    if not all(by_vector):
        return None
    level = [float(np.mean([c.mean() for c in sides])) for sides in by_vector]
    spread = np.concatenate([np.concatenate(s) - m for s, m in zip(by_vector, level, strict=True)])
    n = spread.size
    # A rectangular distribution of half width f shows on average the share (n - 1) / (n + 1) of its range.
    half = float(np.ptp(spread)) / 2 * (n + 1) / (n - 1)
    return Band(wrap(centre + float(np.mean(level))), half, n, all(len(sides) == 2 for sides in by_vector))


def _too_wide(bands: Mapping[str, Band]) -> str:
    for pair, band in bands.items():
        if band.half_width_deg_el > WIDEST_BAND_DEG_EL:
            return (
                f"the rests of {pair} scatter over +-{band.half_width_deg_el:.1f} deg_el; allowed:"
                f" +-{WIDEST_BAND_DEG_EL:g} deg_el: more current, or less friction"
            )
    return ""


def _of_sensor(
    edges: Sequence[EdgeCounts], band: Band | None, counter: Counter, pair: str, polarity: int
) -> tuple[Estimate, Estimate]:
    """Offset without cogging, and hysteresis, of one sensor."""
    if band is None:
        few = refused(UNIT, f"too few rests: {pair} needs both currents")
        return few, few
    nominal = PAIR_ZERO_DEG_EL[pair] + (0.0 if polarity > 0 else 180.0)
    angles = counter.angles_deg_el([e.counts for e in edges])
    at = angles - band.zero_deg_el - nominal - 180.0 * np.array([e.kind for e in edges])
    if not np.all(np.isfinite(at)):
        lost = refused(UNIT, "an edge has no count")
        return lost, lost
    centre = circular_mean(at)
    away = wrap(at - centre)
    poles = np.rint((at - centre - away) / 360.0) % counter.pole_pairs
    reason = _edge_refusal(edges, away, poles, min(LEAST_POLES, counter.pole_pairs))
    if reason:
        return refused(UNIT, reason), refused(UNIT, reason)
    ways = [_way(edges, away, poles, direction, counter.pole_pairs) for direction in (1, -1)]
    count_u = counter.deg_el / math.sqrt(12)
    unseen = BudgetLine("poles whose edges were not seen", "A", max(w[1] for w in ways), min(w[2] for w in ways))
    edge_grid = BudgetLine("one count, edges", "B", count_u / math.sqrt(len(edges)))
    offset = estimate(
        float(wrap(centre + (ways[0][0] + ways[1][0]) / 2)),
        UNIT,
        [_rest_line(band), BudgetLine("one count, rests", "B", count_u / math.sqrt(band.rests)), edge_grid, unseen],
    )
    return offset, estimate((ways[0][0] - ways[1][0]) / 2, UNIT, [edge_grid, unseen])


def _rest_line(band: Band) -> BudgetLine:
    if not band.both_sides:
        u = max(ONE_SIDE_DEG_EL, band.half_width_deg_el)
        return BudgetLine(ONE_SIDE, "B", u)
    u = band.half_width_deg_el / math.sqrt(3 * band.rests)
    return BudgetLine("friction, rests anywhere within their band", "A", u, band.rests - 1.0)


def _edge_refusal(edges: Sequence[EdgeCounts], away: Floats, poles: Floats, least: int) -> str:
    for direction, word in ((1, "clockwise"), (-1, "counter-clockwise")):
        for kind, name in enumerate(("rises", "falls")):
            seen = np.array([e.direction == direction and e.kind == kind for e in edges], dtype=bool)
            if not seen.any():
                return (
                    f"no edge going {word} where the sensor {name} going clockwise:"
                    " both kinds and both ways are needed to leave out duty and hysteresis"
                )
            if np.unique(poles[seen]).size < least:
                return f"edges going {word} in {least - 1} pole pair only; needed: {least}, better all"
    apart = np.abs(away)
    if apart.max() > 2 * MISFIT_DEG_EL:
        worst = int(np.argmax(apart))
        return (
            f"the counts do not fit lines, pole pairs and sense: the edge at {edges[worst].counts:g} lies"
            f" {apart[worst]:.0f} deg_el from where the others put it"
        )
    return ""


def _way(
    edges: Sequence[EdgeCounts], away: Floats, poles: Floats, direction: int, pole_pairs: int
) -> tuple[float, float, float]:
    """Mean of one way over poles and kinds, its standard uncertainty from poles not seen, and degrees of freedom."""
    means, squares, freedom = [], [], math.inf
    for kind in (0, 1):
        seen = np.array([e.direction == direction and e.kind == kind for e in edges], dtype=bool)
        cells = np.array([away[seen & (poles == p)].mean() for p in np.unique(poles[seen])])
        means.append(float(cells.mean()))
        missing = 1 - cells.size / pole_pairs
        if missing > 0:
            # Mean of a sample of cells drawn without putting back, of a finite number (W. G. Cochran, Sampling Techniques, 2.5).
            squares.append(float(np.var(cells, ddof=1)) * missing / cells.size)
            freedom = min(freedom, cells.size - 1.0)
    return sum(means) / 2, math.sqrt(math.fsum(squares)) / 2, freedom


def _with(of: Estimate, line: BudgetLine) -> Estimate:
    return of if of.value is None else estimate(of.value, of.unit, [*of.budget, line])


def _mean(offsets: Mapping[str, Estimate]) -> Estimate:
    """Mean of the sensors: their rests are of different pairs, so nothing but cogging is shared."""
    missing = [s for s, x in offsets.items() if x.value is None]
    if missing:
        return refused(UNIT, f"no offset of {', '.join(missing)}")
    values = np.array([x.value for x in offsets.values()])
    centre = circular_mean(values)
    return estimate(wrap(centre + float(np.mean(wrap(values - centre)))), UNIT, _thirds(offsets.values()))


def _thirds(offsets: Iterable[Estimate]) -> list[BudgetLine]:
    """Budget of a mean of three: independent lines, but for rests that all lie to the same side."""
    lines: dict[str, list[BudgetLine]] = {}
    for line in (x for of in offsets for x in of.budget):
        lines.setdefault(line.source, []).append(line)
    return [
        BudgetLine(
            source,
            each[0].kind,
            (sum(x.u for x in each) if source == ONE_SIDE else math.sqrt(sum(x.u**2 for x in each))) / len(SENSORS),
            min(x.dof for x in each),
        )
        for source, each in lines.items()
    ]


def approach_plan(pole_pairs: int) -> tuple[tuple[Vector, int], ...]:
    """Return the currents, each with the way the rotor goes to it, that reach every rest of one turn from both sides.

    The first finds the start from anywhere, so its way is 0 and it is no rest to note. Each other step is 60 deg_el: the
    rotor follows without a doubt.
    """
    ahead = [(VECTORS[k % 6], 1) for k in range(1, 6 * pole_pairs + 1)]
    back = [(VECTORS[k % 6], -1) for k in range(6 * pole_pairs - 1, -1, -1)]
    return ((VECTORS[0], 0), *ahead, *back)
