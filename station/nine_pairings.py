"""The nine pairings of sensors and winding pairs, by direction, from all captures of a run."""

from collections.abc import Sequence
from typing import Literal

from analysis.estimate import Estimate
from analysis.pairings import Cell, Reading, both_directions, tables_of
from analysis.sensor_timing import SensorTiming
from station.timed_captures import Timed

Zero = Literal["waveform", "fundamental"]


def tables(timed: Sequence[Timed], zero: Zero = "waveform") -> dict[str, dict[Cell, Estimate]]:
    """Return every sensor against every pair by direction; the fastest capture stands."""
    return tables_of(
        Reading(sensor, t.taken.pair, t.taken.direction, t.taken.speed_target_rpm or 0.0, _by(of, zero))
        for t in timed
        if t.taken.pair is not None and t.taken.direction
        for sensor, of in t.timing.sensors.items()
    )


def half_sums(timed: Sequence[Timed], zero: Zero = "waveform") -> dict[Cell, Estimate]:
    """Return half the sum of both directions by sensor and pair: placement alone."""
    return both_directions(tables(timed, zero))


def _by(of: SensorTiming, zero: Zero) -> Estimate:
    return of.y_waveform if zero == "waveform" else of.y_fundamental
