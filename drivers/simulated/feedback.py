"""The feedback unit under test: when its sensors and encoder tracks are high, from the angle of shaft and body.

A sensor is high where 0 < theta - a < 180 deg_el, a = zero of its winding pair + its offset; a unit whose body is
turned clockwise by d sees everything later by d. Hysteresis is a lost motion of the angle that the sensor sees.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.truth import PAIR_ZERO_DEG_EL, SENSORS, MotorMake, UnitState

TURN = 2 * math.pi
CHATTER_S = 40e-6


@dataclass(frozen=True, slots=True)
class SensorTrack:
    """One sensor: mechanical angles [rad, 0 to 2 pi, ascending] of its edges and whether each rises going clockwise."""

    angles: NDArray[np.float64]
    rises: NDArray[np.bool_]

    def high_at(self, phi: float) -> bool:
        """Tell the state at an angle."""
        before = int(np.searchsorted(self.angles, phi % TURN, side="right")) - 1
        return bool(self.rises[before])


def sensor_track(make: MotorMake, unit: UnitState, sensor: str) -> SensorTrack:
    """Lay out the edges of one sensor of the unit, seen by a body at 0."""
    poles = make.pole_pairs
    zero = PAIR_ZERO_DEG_EL[make.sensors.pairs[sensor]] + unit.placement_deg_el.get(sensor, 0.0)
    if make.sensors.inverted:
        zero += 180.0
    errors = unit.edges_deg_el.get(sensor, (0.0,) * (2 * poles))
    edges = np.array([zero + 180.0 * j + errors[j] for j in range(2 * poles)])
    angles = np.radians(edges) / poles % TURN
    order = np.argsort(angles)
    return SensorTrack(angles[order], (order % 2 == 0))


def lost_motion(phi: NDArray[np.float64], half: float, seen: float) -> NDArray[np.float64]:
    """Follow `phi` [rad] with a lost motion of +-`half`, starting from `seen`; shape as phi."""
    steps = np.diff(phi)
    if not steps.size or steps.min() >= 0:
        return np.maximum(seen, phi - half)
    if steps.max() <= 0:
        return np.minimum(seen, phi + half)
    turns = np.flatnonzero(np.diff(np.signbit(steps))) + 1
    pieces = []
    for piece in np.split(phi, turns):
        followed = np.clip(seen, piece - half, piece + half) if piece.size < 2 else lost_motion(piece, half, seen)
        pieces.append(followed)
        seen = float(followed[-1])
    return np.concatenate(pieces)


@dataclass(frozen=True, slots=True)
class Toggles:
    """A logic signal: its first state and the times of its changes in samples (fractional, ascending)."""

    first: bool
    at: NDArray[np.float64]


def _run_crossings(track: SensorTrack, seen: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return where a run of one sense passes edges of the track, in fractional samples."""
    low, high = min(seen[0], seen[-1]), max(seen[0], seen[-1])
    turns = np.arange(math.floor(low / TURN), math.floor(high / TURN) + 1) * TURN
    edges = (turns[:, None] + track.angles[None, :]).ravel()
    edges = edges[(edges > low) & (edges <= high)]
    if not edges.size:
        return np.empty(0)
    falling = seen[-1] < seen[0]
    grid, wanted = (-seen, -edges[::-1]) if falling else (seen, edges)
    after: NDArray[np.int64] = np.clip(np.searchsorted(grid, wanted, side="left"), 1, grid.size - 1)
    before = after - 1
    span = grid[after] - grid[before]
    return np.asarray(before + (wanted - grid[before]) / np.where(span > 0, span, 1.0), np.float64)


def sensor_toggles(track: SensorTrack, seen: NDArray[np.float64]) -> Toggles:
    """Return the changes of a sensor that sees the angles `seen` [rad, lost motion included]."""
    steps = np.diff(seen)
    moving = steps[steps != 0]
    if not moving.size:
        return Toggles(track.high_at(float(seen[0])), np.empty(0))
    if moving.min() > 0 or moving.max() < 0:
        return Toggles(track.high_at(float(seen[0])), _run_crossings(track, seen))
    turns = np.flatnonzero(np.diff(np.sign(steps)) != 0) + 1
    bounds = [0, *turns.tolist(), seen.size - 1]
    found = [start + _run_crossings(track, seen[start : end + 1]) for start, end in pairwise(bounds)]
    return Toggles(track.high_at(float(seen[0])), np.concatenate(found))


def chattered(toggles: Toggles, interval_s: float, rng: np.random.Generator) -> Toggles:
    """Return the signal with each change bouncing once."""
    gaps = np.sort(rng.uniform(0.2, 1.0, (toggles.at.size, 2)) * CHATTER_S / interval_s, axis=1)
    bounced = np.sort(np.concatenate([toggles.at, (toggles.at[:, None] + gaps).ravel()]))
    return Toggles(toggles.first, bounced)


def as_levels(toggles: Toggles, samples: int) -> NDArray[np.bool_]:
    """Return the signal's state at samples 0 to samples - 1."""
    at = np.clip(np.ceil(toggles.at), 0, samples).astype(np.int64)
    counts = np.diff(np.concatenate([[0], at, [samples]]))
    states = (np.arange(counts.size) % 2 == 0) == toggles.first
    return np.repeat(states, counts)


def encoder_track(make: MotorMake, unit: UnitState, signal: str, phi: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return whether A, B or Z is high at the angles `phi` [rad, shaft less body], shape (n,).

    Going clockwise A leads B; the index is centred on its place, which lies where A and B are high.
    """
    lines, encoder = make.encoder.lines, make.encoder
    zero_deg_el = PAIR_ZERO_DEG_EL["U-V"] + encoder.index_deg_el + unit.index_error_deg_el
    line = (phi - math.radians(zero_deg_el / make.pole_pairs)) * (lines / TURN) + 0.375
    if signal == "Z":
        return _index(line - 0.375, lines, encoder.index_width_lines, second=unit.second_index)
    if unit.swapped_ab:
        signal = {"A": "B", "B": "A"}[signal]
    if signal == "B":
        line = line - 0.25 - unit.quadrature_error_deg / 360
    whole = np.floor(line)
    part = line - whole
    high: NDArray[np.bool_] = part < unit.duty
    if signal == "A" and (unit.dropped_lines or unit.extra_lines):
        at = whole.astype(np.int64) % lines
        dropped, extra = np.zeros(lines, np.bool_), np.zeros(lines, np.bool_)
        dropped[[n % lines for n in unit.dropped_lines]] = True
        extra[[n % lines for n in unit.extra_lines]] = True
        high = (high & ~dropped[at]) | (extra[at] & (part > 0.65) & (part < 0.85))
    return high


def _index(line: NDArray[np.float64], lines: int, width: float, *, second: bool) -> NDArray[np.bool_]:
    period = lines / 2 if second else lines
    high: NDArray[np.bool_] = np.abs(line - period * np.rint(line / period)) < width / 2
    return high


def hysteresis_half(make: MotorMake, unit: UnitState) -> float:
    """Return half the lost motion of the sensors [rad mech]."""
    return math.radians(unit.hysteresis_deg_el) / make.pole_pairs


def sensor_of_lead(unit: UnitState, lead: str) -> str:
    """Return which sensor the lead H1, H2 or H3 really comes from."""
    return unit.wires[SENSORS.index(lead)]
