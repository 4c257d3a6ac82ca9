"""Captures of sensors with their timing, and how they are found again: by direction, target speed and winding pair."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analysis.pairings import SENSORS
from analysis.timing import CaptureTiming
from station.basis import Basis
from station.capturing import Taken

Key = tuple[str, float, str]
"""Direction, target speed [rpm] and winding pair."""


@dataclass(frozen=True, slots=True)
class Timed:
    """A capture of sensors with its timing."""

    taken: Taken
    timing: CaptureTiming


def by_key(timed: Sequence[Timed]) -> dict[Key, Timed]:
    """Latest capture of each direction, target speed and winding pair."""
    return {(t.taken.direction, t.taken.speed_target_rpm or 0.0, t.taken.pair or ""): t for t in timed}


def speeds_both_ways(timed: Mapping[Key, Timed], pair: str) -> list[float]:
    """Target speeds at which a pair was captured in both directions, the lowest first."""
    cw = {speed for direction, speed, p in timed if direction == "CW" and p == pair}
    ccw = {speed for direction, speed, p in timed if direction == "CCW" and p == pair}
    return sorted(cw & ccw)


def own_sensor(basis: Basis, pair: str) -> str:
    """Return the sensor that belongs to a winding pair."""
    return next(s for s in SENSORS if basis.machine.sensors.pairs[s] == pair)
