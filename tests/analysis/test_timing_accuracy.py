"""Timing against captures of exactly known truth; the limits are those that `make accuracy` shows on 500 records a level."""

import numpy as np
import pytest
from accuracy import Error, anywhere_errors, level_errors, station_errors, sum_up, timed
from signal_generator import (
    FrontEnd,
    Motion,
    Record,
    Sensor,
    Setting,
    Shape,
    draw,
    ideal_sensors,
    make_record,
    wrapped,
)

from analysis.timing import capture_timing

SEEDS = range(12)


def of(what: str, errors: list[Error]) -> list[Error]:
    return [e for e in errors if e.what == what]


@pytest.mark.parametrize(
    ("level", "waveform_rms", "waveform_max", "fundamental_rms", "fundamental_max"),
    [
        ("clean", 0.01, 0.03, 0.01, 0.03),
        ("harm", 0.01, 0.03, 0.01, 0.03),
        ("asym", 0.02, 0.03, 0.01, 0.03),
        ("ripple", 0.02, 0.05, 0.03, 0.10),
        ("dirty", 0.03, 0.15, 0.03, 0.15),
        ("full", 0.06, 0.2, 0.10, 0.3),
        ("slot", 0.06, 0.2, 0.10, 0.3),
    ],
)
def test_own_pairing_is_right_at_every_level(
    level: str, waveform_rms: float, waveform_max: float, fundamental_rms: float, fundamental_max: float
) -> None:
    errors = [e for seed in SEEDS for e in level_errors(level, seed)]
    waveform, fundamental, duty = (sum_up(of(what, errors)) for what in ("waveform", "fundamental", "duty"))
    assert waveform.refusals == waveform.failures == fundamental.failures == 0
    assert waveform.rms <= waveform_rms
    assert waveform.largest <= waveform_max
    assert fundamental.rms <= fundamental_rms
    assert fundamental.largest <= fundamental_max
    assert duty.rms <= 0.002


def test_locked_ripple_moves_a_sensor_by_its_distance_from_the_zero_only() -> None:
    near = [e for seed in SEEDS for e in _own_waveform(draw("sync", seed, Setting(offset_deg=1.0)))]
    assert sum_up(near).rms <= 0.02
    for seed in SEEDS:
        record = draw("sync", seed)
        (error,) = _own_waveform(record)
        assert abs(error.error) <= 0.03 + 0.02 * abs(record.truth[record.own].waveform)


def _own_waveform(record: Record) -> list[Error]:
    estimate = timed(record).sensors[record.own].y_waveform
    assert estimate.value is not None
    assert estimate.u is not None
    truth = record.truth[record.own].waveform
    return [Error("waveform", wrapped(estimate.value - truth), estimate.u, record.offset_bound_deg)]


def test_stated_uncertainty_covers_the_error() -> None:
    errors = [e for level in ("full", "slot", "sync") for seed in range(100, 112) for e in level_errors(level, seed)]
    assert sum_up(of("waveform", errors)).coverage >= 0.93
    assert sum_up(of("fundamental", errors)).coverage >= 0.90


@pytest.mark.parametrize("first", [0, 10, 20, 30])
def test_nothing_fails_anywhere_in_the_domain(first: int) -> None:
    for seed in range(first, first + 10):
        for level, pole_pairs, _, error in anywhere_errors(seed):
            assert not error.failed, f"seed {seed}: {level}, P = {pole_pairs}, {error}"


@pytest.mark.parametrize("offset_deg", [1.0, 10.0])
def test_stations_of_twelve_captures_separate_offset_hysteresis_and_delay(offset_deg: float) -> None:
    errors = [e for seed in range(3) for e in station_errors("full", offset_deg, seed)]
    assert sum_up(of("offset", errors)).rms <= 0.03
    assert sum_up(of("hysteresis", errors)).rms <= 0.12
    assert sum_up(of("delay [us]", errors)).rms <= 8.0
    assert all(abs(e.error) <= 3 * e.u for e in errors)


def test_an_encoder_channel_takes_locked_ripple_out_of_both_zeros() -> None:
    by_time, by_position, worst_z = [], [], 0.0
    for seed in range(8):
        record = draw("sync", seed, Setting(encoder_lines=1024))
        truth = record.truth[record.own]
        without, with_it = timed(record), _with_encoder(record)
        for timing, errors in ((without, by_time), (with_it, by_position)):
            y = timing.sensors[record.own].y_fundamental.value
            assert y is not None
            errors.append(wrapped(y - truth.fundamental))
        waveform = with_it.sensors[record.own].y_waveform
        assert waveform.value is not None
        assert waveform.u is not None
        worst_z = max(worst_z, abs(wrapped(waveform.value - truth.waveform)) / waveform.u)
    assert np.sqrt(np.mean(np.square(by_position))) <= 0.01
    assert np.sqrt(np.mean(np.square(by_time))) > 0.05
    assert worst_z <= 3.0


def _with_encoder(record: Record, lines: int | None = None, channel: np.ndarray | None = None):
    return capture_timing(
        record.emf_v,
        record.sensors_v,
        record.interval_s,
        record.direction,
        record.pole_pairs,
        encoder_v=record.encoder_v["A"] if channel is None else channel,
        encoder_lines=lines or record.encoder_lines,
    )


def test_an_encoder_that_cannot_be_trusted_is_not_used_and_says_why() -> None:
    record = draw("clean", 1, Setting(encoder_lines=1024))
    dropped = record.encoder_v["A"].copy()
    dropped[50_000:50_028] = 0.2
    assert "lines a turn; by the nameplate: 1000" in _with_encoder(record, lines=1000).encoder_note
    assert "does not switch" in _with_encoder(record, channel=np.zeros(dropped.size)).encoder_note
    lost = _with_encoder(record, channel=dropped)
    assert lost.encoder is None
    assert lost.encoder_note == "the encoder lost or added a pulse"
    y = lost.sensors[record.own].y_waveform.value
    assert y is not None
    assert abs(wrapped(y - record.truth[record.own].waveform)) < 0.05


# Convention table: noise-free, both directions. Body and hub turned: arithmetic of mechanical to electrical degrees;
# RC 50 us at 20.5 Hz: half of ln 2 RC as an angle, 0.5 * 0.693 * 50e-6 * 360 * 20.5 = 0.128 (no source: mathematics).
@pytest.mark.parametrize(
    ("body_deg_mech", "hub_deg_mech", "hysteresis", "rise_s", "cw", "ccw"),
    [
        (0.0, 0.0, 0.0, 0.0, 0.0, 0.0),
        (2.0, 0.0, 0.0, 0.0, 8.0, 8.0),
        (0.0, 2.0, 0.0, 0.0, -8.0, -8.0),
        (0.0, 0.0, 3.0, 0.0, 3.0, -3.0),
        (0.0, 0.0, 0.0, 50e-6, 0.128, -0.128),
    ],
)
def test_convention_in_both_directions(
    body_deg_mech: float, hub_deg_mech: float, hysteresis: float, rise_s: float, cw: float, ccw: float
) -> None:
    for direction, expected in ((1, cw), (-1, ccw)):
        # The body carries the sensors with it; the hub carries the magnet that they read, so they switch sooner.
        offset = 4 * (body_deg_mech - hub_deg_mech)
        sensors = ideal_sensors(4, offset, hysteresis_deg=hysteresis, rise_s=rise_s)
        record = _still(sensors, Motion(direction, 307.5, start_rad=0.3), interval_s=2e-6)
        timing = capture_timing(record.emf_v, record.sensors_v, record.interval_s, direction, 4)
        y = timing.sensors["H1"].y_waveform.value
        assert y == pytest.approx(expected, abs=0.01)


def _still(sensors: dict[str, Sensor], motion: Motion, interval_s: float) -> Record:
    return make_record(
        np.random.default_rng(5),
        pole_pairs=4,
        motion=motion,
        shape=Shape(),
        sensors=sensors,
        pair="U-V",
        front=FrontEnd(bits=16, noise=0.0, logic_noise_v=0.0),
        interval_s=interval_s,
        samples=round(6 / 20.5 / interval_s),
    )


def test_edges_that_share_one_place_in_the_sample_grid_are_told_by_the_uncertainty() -> None:
    # 5000 samples a cycle exactly: every edge falls on the same part of an interval, and half a sample stays hidden.
    record = _still(ideal_sensors(4, 0.031), Motion(1, 300.0, start_rad=0.2), interval_s=1e-5)
    estimate = capture_timing(record.emf_v, record.sensors_v, 1e-5, 1, 4).sensors["H1"].y_waveform
    budget = {line.source: line.u for line in estimate.budget}
    half_sample = 360 * 20.0 * 1e-5 / 2
    assert budget["sample grid of the edges"] == pytest.approx(2 * half_sample / np.sqrt(12) / np.sqrt(2), rel=0.05)
    assert estimate.value is not None
    assert estimate.u is not None
    assert abs(estimate.value - 0.031) <= 2 * estimate.u
