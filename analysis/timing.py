"""Timing of the commutation sensors against the EMF captured with them.

Conventions: theta rises with clockwise rotation; phase position of a pair is s x chi, with s = +1 clockwise and -1
counter-clockwise; y = wrap(a_h - b_p), where the sensor is high for 180 degrees from a_h on and b_p is the pair's
rising zero going clockwise. Every figure is in electrical degrees.

Two estimators of different kind: local fits of the zeros (`waveform` zero), and a fit of the whole record
(`fundamental` zero). The second also says by how much the harmonics it found part the two zeros; what is left of the
difference after that witnesses for or against the record. Where a channel of the encoder was captured too, both zeros
are referred to position by it, and the estimate by time alone is the witness.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.crossings import ZeroPhase, despiked, zero_phase
from analysis.edge_table import UnmeasurableError
from analysis.edges import Edges, find_edges, timed_levels
from analysis.encoder_phase import EncoderPhase, encoder_phase
from analysis.harmonic_phase import HarmonicPhase, harmonic_phase
from analysis.refusals import TimingSettings, capture_refusal
from analysis.sensor_timing import SensorTiming, Sight, sensor_timing, unmeasured
from analysis.timing_budget import shared_by_sensors

Floats = NDArray[np.float64]

__all__ = ["CaptureTiming", "SensorTiming", "TimingSettings", "capture_timing"]


@dataclass(frozen=True, slots=True, eq=False)
class CaptureTiming:
    """What one capture of an EMF and its sensors says; `refusal` says why there is no timing at all.

    Speed, frequency and amplitude are given whenever there is an EMF, also of a refused record. `encoder` is there if a
    channel of it could be used; `encoder_note` says why not.
    """

    f_e_hz: float | None
    speed_rpm: float | None
    amplitude_v: float | None
    phase: ZeroPhase | None
    harmonics: HarmonicPhase | None
    edges: Mapping[str, Edges]
    sensors: Mapping[str, SensorTiming]
    refusal: str
    encoder: EncoderPhase | None = None
    encoder_note: str = ""


def capture_timing(
    emf_v: Floats,
    sensors_v: Mapping[str, Floats],
    interval_s: float,
    direction: int,
    pole_pairs: int,
    *,
    settings: TimingSettings | None = None,
    encoder_v: Floats | None = None,
    encoder_lines: int = 0,
) -> CaptureTiming:
    """Time every sensor of a capture.

    Parameters
    ----------
    emf_v, sensors_v
        Samples of the EMF and of each sensor, shape (n,) [V].
    direction
        +1 clockwise, -1 counter-clockwise, as seen facing the drive end.
    encoder_v, encoder_lines
        Samples of A or B, shape (n,) [V], and lines per turn, where one was captured too.

    Raises
    ------
    ValueError
        The direction is neither +1 nor -1, or a channel has not as many samples as the EMF.
    """
    _demand_sound(emf_v, sensors_v, direction, encoder_v)
    how = settings or TimingSettings()
    emf = _read_emf(despiked(emf_v), interval_s, pole_pairs, how, encoder_v, encoder_lines)
    edges = {name: find_edges(volts, interval_s) for name, volts in sensors_v.items()}
    levels = {name: timed_levels(volts, interval_s, edges[name]) for name, volts in sensors_v.items()}
    phase = emf.phase
    if phase is None:
        sensors = {name: unmeasured(emf.refusal, edges[name], levels[name]) for name in sensors_v}
        return CaptureTiming(None, None, None, None, None, edges, sensors, emf.refusal)
    if emf.refusal:
        sensors = {name: unmeasured(emf.refusal, edges[name], levels[name]) for name in sensors_v}
    else:
        sight = _sight(emf, phase, interval_s, emf_v.size * interval_s, direction, pole_pairs, how)
        sensors = {name: sensor_timing(edges[name], levels[name], sight) for name in sensors_v}
    return CaptureTiming(
        f_e_hz=phase.f_e_hz,
        speed_rpm=60 * phase.f_e_hz / pole_pairs,
        amplitude_v=phase.amplitude_v,
        phase=phase,
        harmonics=emf.harmonics,
        edges=edges,
        sensors=sensors,
        refusal=emf.refusal,
        encoder=emf.encoder,
        encoder_note=emf.encoder_note,
    )


@dataclass(frozen=True, slots=True)
class _Emf:
    """What the EMF alone, and the encoder with it, say."""

    phase: ZeroPhase | None
    refusal: str
    harmonics: HarmonicPhase | None = None
    encoder: EncoderPhase | None = None
    encoder_note: str = ""


def _demand_sound(emf_v: Floats, sensors_v: Mapping[str, Floats], direction: int, encoder_v: Floats | None) -> None:
    if direction not in (1, -1):
        raise ValueError(f"direction must be +1 or -1, got {direction}")
    channels = dict(sensors_v) if encoder_v is None else {**sensors_v, "the encoder channel": encoder_v}
    for name, volts in channels.items():
        if volts.shape != emf_v.shape:
            raise ValueError(f"{name} must have as many samples as the EMF, {emf_v.size}, got {volts.size}")


def _read_emf(
    emf_v: Floats,
    interval_s: float,
    pole_pairs: int,
    how: TimingSettings,
    encoder_v: Floats | None,
    encoder_lines: int,
) -> _Emf:
    phase = zero_phase(emf_v, interval_s, pole_pairs)
    refusal = capture_refusal(emf_v, interval_s, phase, pole_pairs, how)
    if phase is None or refusal:
        return _Emf(phase, refusal)
    harmonics = harmonic_phase(emf_v, interval_s, phase) if how.cross_check else None
    if how.cross_check and harmonics is None:
        return _Emf(phase, "the fit of the whole record does not settle")
    if encoder_v is None:
        return _Emf(phase, "", harmonics)
    try:
        encoder = encoder_phase(emf_v, encoder_v, interval_s, encoder_lines, pole_pairs, phase)
    except UnmeasurableError as error:
        return _Emf(phase, "", harmonics, None, str(error))
    return _Emf(phase, "", harmonics, encoder)


def _sight(
    emf: _Emf,
    phase: ZeroPhase,
    interval_s: float,
    duration_s: float,
    direction: int,
    pole_pairs: int,
    how: TimingSettings,
) -> Sight:
    by_position = emf.encoder is not None
    shared = shared_by_sensors(phase, emf.harmonics, interval_s, duration_s, pole_pairs, how, by_position=by_position)
    rate = 360 * phase.f_e_hz
    if emf.encoder is not None:
        return Sight(direction, pole_pairs, rate, emf.encoder.waveform_at, emf.encoder.at, phase.at, 0.0, shared)
    if emf.harmonics is None:
        return Sight(direction, pole_pairs, rate, phase.at, None, None, 0.0, shared)
    # The wave's zero lies at +chi_0 of the fundamental's phase, which is +s chi_0 in position.
    zero_deg = direction * emf.harmonics.waveform_zero_deg()
    return Sight(direction, pole_pairs, rate, phase.at, emf.harmonics.at, None, zero_deg, shared)
