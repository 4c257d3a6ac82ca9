"""One sensor against one EMF: the mean of its edges by two zeros, judged by a second estimator."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.angles import wrap
from analysis.edge_table import EdgeTable, UnmeasurableError, edge_table
from analysis.edges import Edges, Levels
from analysis.estimate import Estimate, estimate, refused
from analysis.refusals import sensor_refusal
from analysis.timing_budget import Shared, duty_budget, fundamental_budget, waveform_budget

Floats = NDArray[np.float64]
Phase = Callable[[Floats], Floats]

DIFFERENCE_NOTED_DEG = 0.3
DIFFERENCE_REFUSED_DEG = 1.0
DISAGREE = "two estimators of the same zero differ"
"""So begins the reason of a timing that is refused for this."""


@dataclass(frozen=True, slots=True, eq=False)
class SensorTiming:
    """One sensor against the captured pair.

    Parameters
    ----------
    y_waveform, y_fundamental
        The same position by the two definitions of the EMF's zero [deg_el].
    rise_deg, fall_deg
        Mean of the edges that rise going clockwise, and of the others less 180, to the waveform's zero [deg_el].
    cells_deg
        Each pole's (rise, fall) about `y_waveform`, shape (pole_pairs, 2) [deg_el].
    duty
        Share of a cycle for which the sensor is high [percent].
    jitter_deg
        Standard deviation of the edges about their own cell [deg_el].
    glitches
        Excursions over the threshold, and flips of chattering edges beyond the first.
    dropped
        Edges left out of the mean as outliers or false.
    difference_deg
        `y_waveform` less `y_fundamental` [deg_el].
    unexplained_deg
        What is left when the same zero is compared: of that difference, what the harmonics found do not explain; with
        an encoder, `y_waveform` less the same by time alone [deg_el].
    note
        What the difference says, where it is larger than 0.3 degrees.
    """

    y_waveform: Estimate
    y_fundamental: Estimate
    rise_deg: float | None
    fall_deg: float | None
    cells_deg: Floats | None
    duty: Estimate
    jitter_deg: float | None
    glitches: int
    dropped: int
    levels: Levels
    difference_deg: float | None = None
    unexplained_deg: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Sight:
    """What all sensors of a capture are seen against.

    Parameters
    ----------
    waveform, fundamental
        Phase of the EMF at times, by either zero [deg]; no second one where no cross-check was asked for.
    witness
        Phase by another estimator to hold the first against; None: the second.
    witness_zero_deg
        Position of the waveform's zero by the witness's phase [deg].
    """

    direction: int
    pole_pairs: int
    degrees_per_s: float
    waveform: Phase
    fundamental: Phase | None
    witness: Phase | None
    witness_zero_deg: float
    shared: Shared

    def table(self, phase: Phase, edges: Edges) -> EdgeTable:
        """Sort a sensor's edges by one phase."""
        return edge_table(phase(edges.times_s), edges, self.direction, self.pole_pairs, self.degrees_per_s)


def sensor_timing(edges: Edges, levels: Levels, sight: Sight) -> SensorTiming:
    """Time one sensor."""
    refusal = sensor_refusal(edges)
    if refusal:
        return unmeasured(refusal, edges, levels)
    try:
        table = sight.table(sight.waveform, edges)
        if sight.fundamental is None:
            return _measured(table, refused("deg_el", "no cross-check was asked for"), None, edges, levels, sight)
        return _cross_checked(table, sight.table(sight.fundamental, edges), edges, levels, sight)
    except UnmeasurableError as error:
        return unmeasured(str(error), edges, levels)


def unmeasured(reason: str, edges: Edges, levels: Levels) -> SensorTiming:
    """Say why a sensor has no timing; its levels and glitches stand."""
    none = refused("deg_el", reason)
    return SensorTiming(none, none, None, None, None, refused("percent", reason), None, edges.glitches, 0, levels)


def _cross_checked(table: EdgeTable, other: EdgeTable, edges: Edges, levels: Levels, sight: Sight) -> SensorTiming:
    """Hold two estimators against each other, the same zero by both."""
    difference = float(wrap(table.y_deg - other.y_deg))
    witness = other if sight.witness is None else sight.table(sight.witness, edges)
    unexplained = float(wrap(table.y_deg - witness.y_deg + sight.witness_zero_deg))
    if abs(unexplained) > DIFFERENCE_REFUSED_DEG:
        raise UnmeasurableError(f"{DISAGREE} by {unexplained:.2f} deg_el; allowed: {DIFFERENCE_REFUSED_DEG:g} deg_el")
    y_fundamental = estimate(other.y_deg, "deg_el", fundamental_budget(other, sight.shared, unexplained))
    return _measured(table, y_fundamental, (difference, unexplained), edges, levels, sight)


def _measured(
    table: EdgeTable,
    y_fundamental: Estimate,
    differences: tuple[float, float] | None,
    edges: Edges,
    levels: Levels,
    sight: Sight,
) -> SensorTiming:
    difference, unexplained = differences or (None, None)
    jitter = table.jitter_deg
    return SensorTiming(
        y_waveform=estimate(table.y_deg, "deg_el", waveform_budget(table, sight.shared, unexplained)),
        y_fundamental=y_fundamental,
        rise_deg=table.rise_deg,
        fall_deg=table.fall_deg,
        cells_deg=table.cells_deg,
        duty=estimate(table.duty_percent, "percent", duty_budget(table, sight.shared)),
        jitter_deg=None if np.isnan(jitter) else jitter,
        glitches=edges.glitches,
        dropped=table.dropped,
        levels=levels,
        difference_deg=difference,
        unexplained_deg=unexplained,
        note="" if differences is None else _note(*differences),
    )


def _note(difference: float, unexplained: float) -> str:
    if max(abs(difference), abs(unexplained)) <= DIFFERENCE_NOTED_DEG:
        return ""
    if abs(unexplained) <= DIFFERENCE_NOTED_DEG:
        return "waveform asymmetry or locked ripple: the harmonics of the EMF explain the difference of the two zeros"
    return "waveform asymmetry or locked ripple: the harmonics up to the seventh do not explain all of the difference"
