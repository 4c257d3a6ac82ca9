"""Timing of the commutation sensors against the EMF captured with them.

Conventions: theta rises with clockwise rotation; phase position of a pair is s x chi, with s = +1 clockwise and -1
counter-clockwise; y = wrap(a_h - b_p), where the sensor is high for 180 degrees from a_h on and b_p is the pair's
rising zero going clockwise. Every figure is in electrical degrees.

Two estimators of different kind: local fits of the zeros (`waveform` zero), and a fit of the whole record
(`fundamental` zero). The second also says by how much the harmonics it found part the two zeros; what is left of the
difference after that witnesses for or against the record.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.angles import wrap
from analysis.crossings import ZeroPhase, zero_phase
from analysis.edge_table import EdgeTable, UnmeasurableError, edge_table
from analysis.edges import Edges, Levels, find_edges, timed_levels
from analysis.estimate import Estimate, estimate, refused
from analysis.harmonic_phase import HarmonicPhase, harmonic_phase
from analysis.refusals import TimingSettings, capture_refusal, sensor_refusal
from analysis.timing_budget import Shared, duty_budget, fundamental_budget, shared_by_sensors, waveform_budget

Floats = NDArray[np.float64]

DIFFERENCE_NOTED_DEG = 0.3
DIFFERENCE_REFUSED_DEG = 1.0


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
        What the harmonics found do not explain of that difference [deg_el].
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


@dataclass(frozen=True, slots=True, eq=False)
class CaptureTiming:
    """What one capture of an EMF and its sensors says; `refusal` says why there is no timing at all.

    Speed, frequency and amplitude are given whenever there is an EMF, also of a refused record.
    """

    f_e_hz: float | None
    speed_rpm: float | None
    amplitude_v: float | None
    phase: ZeroPhase | None
    harmonics: HarmonicPhase | None
    edges: Mapping[str, Edges]
    sensors: Mapping[str, SensorTiming]
    refusal: str


def capture_timing(
    emf_v: Floats,
    sensors_v: Mapping[str, Floats],
    interval_s: float,
    direction: int,
    pole_pairs: int,
    *,
    settings: TimingSettings | None = None,
) -> CaptureTiming:
    """Time every sensor of a capture.

    Parameters
    ----------
    emf_v, sensors_v
        Samples of the EMF and of each sensor, shape (n,) [V].
    direction
        +1 clockwise, -1 counter-clockwise, as seen facing the drive end.

    Raises
    ------
    ValueError
        The direction is neither +1 nor -1, or a sensor has not as many samples as the EMF.
    """
    if direction not in (1, -1):
        raise ValueError(f"direction must be +1 or -1, got {direction}")
    for name, volts in sensors_v.items():
        if volts.shape != emf_v.shape:
            raise ValueError(f"{name} must have as many samples as the EMF, {emf_v.size}, got {volts.size}")
    how = settings or TimingSettings()
    phase = zero_phase(emf_v, interval_s, pole_pairs)
    refusal = capture_refusal(emf_v, interval_s, phase, pole_pairs, how)
    harmonics = None
    if phase is not None and not refusal and how.cross_check:
        harmonics = harmonic_phase(emf_v, interval_s, phase)
        refusal = "" if harmonics else "the fit of the whole record does not settle"
    edges = {name: find_edges(volts, interval_s) for name, volts in sensors_v.items()}
    if phase is None or refusal:
        sensors = {
            n: _unmeasured(refusal, edges[n], timed_levels(v, interval_s, edges[n])) for n, v in sensors_v.items()
        }
    else:
        shared = shared_by_sensors(phase, harmonics, interval_s, emf_v.size * interval_s, pole_pairs, how)
        # The wave's zero lies at +chi_0 of the fundamental's phase, which is +s chi_0 in position.
        wave_zero_deg = 0.0 if harmonics is None else direction * harmonics.waveform_zero_deg()
        against = _Against(direction, pole_pairs, phase, harmonics, wave_zero_deg, shared)
        sensors = {n: _sensor(edges[n], timed_levels(v, interval_s, edges[n]), against) for n, v in sensors_v.items()}
    if phase is None:
        return CaptureTiming(None, None, None, None, None, edges, sensors, refusal)
    rpm = 60 * phase.f_e_hz / pole_pairs
    return CaptureTiming(phase.f_e_hz, rpm, phase.amplitude_v, phase, harmonics, edges, sensors, refusal)


@dataclass(frozen=True, slots=True)
class _Against:
    """What all sensors of a capture are seen against."""

    direction: int
    pole_pairs: int
    phase: ZeroPhase
    harmonics: HarmonicPhase | None
    wave_zero_deg: float
    shared: Shared

    def table(self, chi_deg: Floats, edges: Edges) -> EdgeTable:
        return edge_table(chi_deg, edges, self.direction, self.pole_pairs, 360 * self.phase.f_e_hz)


def _sensor(edges: Edges, levels: Levels, against: _Against) -> SensorTiming:
    refusal = sensor_refusal(edges)
    if refusal:
        return _unmeasured(refusal, edges, levels)
    try:
        table = against.table(against.phase.at(edges.times_s), edges)
        if against.harmonics is None:
            return _measured(table, refused("deg_el", "no cross-check was asked for"), None, edges, levels, against)
        return _cross_checked(table, against.harmonics, edges, levels, against)
    except UnmeasurableError as error:
        return _unmeasured(str(error), edges, levels)


def _unmeasured(reason: str, edges: Edges, levels: Levels) -> SensorTiming:
    none = refused("deg_el", reason)
    return SensorTiming(none, none, None, None, None, refused("percent", reason), None, edges.glitches, 0, levels)


def _cross_checked(
    table: EdgeTable, harmonics: HarmonicPhase, edges: Edges, levels: Levels, against: _Against
) -> SensorTiming:
    """Hold the two estimators against each other."""
    other = against.table(harmonics.at(edges.times_s), edges)
    difference = float(wrap(table.y_deg - other.y_deg))
    unexplained = float(wrap(difference + against.wave_zero_deg))
    if abs(unexplained) > DIFFERENCE_REFUSED_DEG:
        raise UnmeasurableError(
            f"the two estimators differ by {unexplained:.2f} deg_el more than the harmonics explain"
        )
    y_fundamental = estimate(other.y_deg, "deg_el", fundamental_budget(other, against.shared, unexplained))
    return _measured(table, y_fundamental, (difference, unexplained), edges, levels, against)


def _measured(
    table: EdgeTable,
    y_fundamental: Estimate,
    differences: tuple[float, float] | None,
    edges: Edges,
    levels: Levels,
    against: _Against,
) -> SensorTiming:
    difference, unexplained = differences or (None, None)
    jitter = table.jitter_deg
    return SensorTiming(
        y_waveform=estimate(table.y_deg, "deg_el", waveform_budget(table, against.shared, unexplained)),
        y_fundamental=y_fundamental,
        rise_deg=table.rise_deg,
        fall_deg=table.fall_deg,
        cells_deg=table.cells_deg,
        duty=estimate(table.duty_percent, "percent", duty_budget(table, against.shared)),
        jitter_deg=None if np.isnan(jitter) else jitter,
        glitches=edges.glitches,
        dropped=table.dropped,
        levels=levels,
        difference_deg=difference,
        unexplained_deg=unexplained,
        note="" if differences is None else _note(*differences),
    )


def _note(difference: float, unexplained: float) -> str:
    if abs(difference) <= DIFFERENCE_NOTED_DEG:
        return ""
    if abs(unexplained) <= DIFFERENCE_NOTED_DEG:
        return "waveform asymmetry or locked ripple: the harmonics of the EMF explain the difference of the two zeros"
    return "waveform asymmetry or locked ripple: the harmonics up to the seventh do not explain all of the difference"
