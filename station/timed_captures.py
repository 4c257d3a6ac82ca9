"""Captures of sensors with their timing, and how they are found again: by direction, target speed and winding pair."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.edges import find_edges
from analysis.pairings import SENSORS
from analysis.refusals import TimingSettings
from analysis.sensor_timing import SensorTiming, unmeasured
from analysis.timing import CaptureTiming, capture_timing
from station.basis import Basis
from station.capturing import Taken

Key = tuple[str, float, str]
"""Direction, target speed [rpm] and winding pair."""
BY_POSITION = "encoder-sensor"
"""The signal group whose sensors are timed against the encoder's position."""
NO_EDGES = find_edges(np.zeros(2), 1.0)
"""Of a wire that was not captured."""


@dataclass(frozen=True, slots=True)
class Timed:
    """A capture of sensors with its timing."""

    taken: Taken
    timing: CaptureTiming


def time_capture(taken: Taken, basis: Basis, full_scale_v: tuple[float, float] | None) -> Timed:
    """Time the sensors of a capture, by position where a channel of the encoder was captured with them.

    Parameters
    ----------
    full_scale_v
        Lowest and highest voltage that the EMF channel can show; None where that is not known.
    """
    volts = taken.volts()
    encoder_v = volts.get("A") if taken.group == BY_POSITION else None
    timing = capture_timing(
        volts["emf"],
        {name: volts[name] for name in SENSORS if name in volts},
        taken.capture.interval_s,
        taken.sign,
        basis.machine.pole_pairs,
        settings=TimingSettings(full_scale_v=full_scale_v, mains_hz=basis.mains_hz, skew_s=basis.errors.scope_skew),
        encoder_v=encoder_v,
        encoder_lines=0 if encoder_v is None else basis.machine.encoder.lines,
    )
    return Timed(taken, timing)


def by_key(timed: Sequence[Timed]) -> dict[Key, Timed]:
    """Latest capture of each direction, target speed and winding pair, with every sensor that was ever captured so.

    A sensor is timed against the EMF of its own capture, so sensors that a scope of few channels saw one after the
    other stand together; one that none saw is not measured.
    """
    found: dict[Key, Timed] = {}
    for t in timed:
        key = (t.taken.direction, t.taken.speed_target_rpm or 0.0, t.taken.pair or "")
        before = found[key].timing.sensors if key in found else {}
        found[key] = Timed(t.taken, replace(t.timing, sensors={**_unseen(t.timing), **before, **t.timing.sensors}))
    return found


def _unseen(timing: CaptureTiming) -> Mapping[str, SensorTiming]:
    """Return sensors without timing, since this capture does not show them."""
    return {
        s: unmeasured(f"{s} was not captured", NO_EDGES, NO_EDGES.levels) for s in SENSORS if s not in timing.sensors
    }


def speeds_both_ways(timed: Mapping[Key, Timed], pair: str) -> list[float]:
    """Target speeds at which a pair was captured in both directions, the lowest first."""
    cw = {speed for direction, speed, p in timed if direction == "CW" and p == pair}
    ccw = {speed for direction, speed, p in timed if direction == "CCW" and p == pair}
    return sorted(cw & ccw)


def own_sensor(basis: Basis, pair: str) -> str:
    """Return the sensor that belongs to a winding pair."""
    return next(s for s in SENSORS if basis.machine.sensors.pairs[s] == pair)
