"""Records that break what the estimators suppose: each must give no number, or one whose uncertainty owns up to it."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from signal_generator import Record, draw, wrapped

from analysis.timing import capture_timing

Floats = NDArray[np.float64]
Spoiled = tuple[Floats, dict[str, Floats], int, float]
"""EMF, sensors, pole pairs as stated, and the own sensor's true y."""


def truth(record: Record) -> float:
    return record.truth[record.own].waveform


def slipped_half_way(record: Record) -> Spoiled:
    """The unit slips by 3 degrees in the middle: the truth is half of that away."""
    half, late = record.emf_v.size // 2, round(3 / 360 / record.f_e_hz / record.interval_s)
    sensors = {n: np.concatenate([v[:half], np.roll(v, late)[half:]]) for n, v in record.sensors_v.items()}
    return record.emf_v, sensors, 4, truth(record) + record.direction * 1.5


def with_line(share: float, hz: float) -> Callable[[Record], Spoiled]:
    def spoil(record: Record) -> Spoiled:
        t = np.arange(record.emf_v.size) * record.interval_s
        return record.emf_v + share * np.sin(2 * np.pi * hz * t + 1), dict(record.sensors_v), 4, truth(record)

    return spoil


def with_samples_missing(count: int) -> Callable[[Record], Spoiled]:
    def spoil(record: Record) -> Spoiled:
        lost = slice(40_000, 40_000 + count)
        sensors = {n: np.delete(v, lost) for n, v in record.sensors_v.items()}
        return np.delete(record.emf_v, lost), sensors, 4, truth(record)

    return spoil


def with_offset_step(record: Record) -> Spoiled:
    step = 0.1 * (np.arange(record.emf_v.size) > record.emf_v.size // 3)
    return record.emf_v + step, dict(record.sensors_v), 4, truth(record)


def by_wrong_pole_pairs(pole_pairs: int) -> Callable[[Record], Spoiled]:
    return lambda record: (record.emf_v, dict(record.sensors_v), pole_pairs, truth(record))


def dead_for_four_cycles(record: Record) -> Spoiled:
    cycle = round(1 / record.f_e_hz / record.interval_s)
    sensors = {n: v.copy() for n, v in record.sensors_v.items()}
    sensors[record.own][5 * cycle : 9 * cycle] = 0.2
    return record.emf_v, sensors, 4, truth(record)


def noisy(record: Record) -> Spoiled:
    noise = 0.1 * np.random.default_rng(7).standard_normal(record.emf_v.size)
    return record.emf_v + noise, dict(record.sensors_v), 4, truth(record)


@pytest.mark.parametrize(
    "spoil",
    [
        slipped_half_way,
        with_line(0.1, 50.0),
        with_line(0.1, 33.3),
        with_line(0.2, 7777.0),
        with_samples_missing(200),
        with_samples_missing(2500),
        with_samples_missing(5000),
        with_offset_step,
        by_wrong_pole_pairs(1),
        by_wrong_pole_pairs(3),
        by_wrong_pole_pairs(8),
        dead_for_four_cycles,
        noisy,
    ],
    ids=[
        "slip",
        "line at 50 Hz",
        "line at 33 Hz",
        "line at 7.8 kHz",
        "200 samples missing",
        "2500 samples missing",
        "5000 samples missing",
        "offset step",
        "1 pole pair",
        "3 pole pairs",
        "8 pole pairs",
        "dead for four cycles",
        "noise",
    ],
)
def test_no_number_or_an_honest_one(spoil: Callable[[Record], Spoiled]) -> None:
    for seed in range(4):
        record = draw("full", seed)
        emf_v, sensors_v, pole_pairs, true = spoil(record)
        timing = capture_timing(emf_v, sensors_v, record.interval_s, record.direction, pole_pairs)
        y = timing.sensors[record.own].y_waveform
        if y.value is None:
            assert y.reason
            continue
        assert y.u is not None
        assert abs(wrapped(y.value - true)) <= 3 * y.u


SOON_APART_CYCLES = 0.25


def test_sensors_of_another_shaft_have_no_place_in_the_cycle() -> None:
    for seed in range(6):
        record, other = draw("full", seed), draw("full", 900 + seed)
        size = min(record.emf_v.size, other.emf_v.size)
        sensors = {name: volts[:size] for name, volts in other.sensors_v.items()}
        timing = capture_timing(record.emf_v[:size], sensors, record.interval_s, record.direction, 4)
        apart_cycles = abs(record.f_e_hz - other.f_e_hz) * size * record.interval_s
        for sensor in timing.sensors.values():
            if apart_cycles > SOON_APART_CYCLES:
                assert sensor.y_waveform.value is None
            else:
                # Shafts that keep together for a whole record cannot be told from one that ripples: u must say so.
                assert sensor.y_waveform.value is None or (sensor.y_waveform.u or 0.0) > 1.0


def test_a_shaft_that_stops_gives_no_number() -> None:
    record = draw("full", 2)
    turning = np.arange(record.emf_v.size) < record.emf_v.size // 2
    quiet = 0.008 * np.random.default_rng(3).standard_normal(record.emf_v.size)
    sensors = {n: np.where(turning, v, v[v.size // 2]) for n, v in record.sensors_v.items()}
    timing = capture_timing(np.where(turning, record.emf_v, quiet), sensors, record.interval_s, record.direction, 4)
    assert all(sensor.y_waveform.value is None for sensor in timing.sensors.values())


def test_too_few_samples_a_cycle_are_refused() -> None:
    record = draw("clean", 1)
    every = round(1 / record.f_e_hz / record.interval_s / 30)
    sensors = {n: v[::every] for n, v in record.sensors_v.items()}
    timing = capture_timing(record.emf_v[::every], sensors, record.interval_s * every, record.direction, 4)
    assert timing.refusal == "30 samples a cycle of the EMF; needed: 40"


def test_a_pole_without_its_sensor_edge_is_refused() -> None:
    record = draw("clean", 1)
    cycle = 1 / record.f_e_hz / record.interval_s
    sensors = {n: v.copy() for n, v in record.sensors_v.items()}
    for turn in range(6):
        sensors[record.own][round(4 * turn * cycle) : round((4 * turn + 1) * cycle)] = 0.15
    timing = capture_timing(record.emf_v, sensors, record.interval_s, record.direction, 4)
    assert timing.sensors[record.own].y_waveform.reason == "not every edge of a turn was seen"
