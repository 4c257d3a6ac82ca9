"""Single edges and the sectors between them lie where the sensors were placed, in every order that sensors can have."""

from dataclasses import replace

import numpy as np
import pytest
from signal_generator import (
    OWN_PAIR,
    PAIR_ZERO,
    SENSORS,
    FrontEnd,
    Motion,
    Record,
    Sensor,
    Shape,
    ideal_sensors,
    make_record,
    wrapped,
)

from analysis.estimate import estimate, refused
from analysis.refusals import TimingSettings
from analysis.sectors import FALLING, RISING, Edge, edges_of, sectors
from analysis.timing import CaptureTiming, capture_timing

POLES = 4


def captured(sensors: dict[str, Sensor], direction: int, seed: int = 1, jitter_s: float = 0.0) -> Record:
    """One capture of U-V at about 600 rpm, 8 bits, no harmonics."""
    rng = np.random.default_rng(seed)
    motion = Motion(direction, 601.3, start_rad=0.3 * seed, drift=0.001)
    front = FrontEnd(fill=0.7, jitter_s=jitter_s)
    return make_record(
        rng,
        pole_pairs=POLES,
        motion=motion,
        shape=Shape(),
        sensors=sensors,
        pair="U-V",
        front=front,
        interval_s=1e-5,
        samples=45_000,
    )


def timed(record: Record) -> CaptureTiming:
    return capture_timing(
        record.emf_v, record.sensors_v, record.interval_s, record.direction, POLES, settings=TimingSettings()
    )


def edges_seen(sensors: dict[str, Sensor], seed: int = 1) -> dict[str, tuple[Edge, Edge]]:
    cw, ccw = (timed(captured(sensors, direction, seed)) for direction in (1, -1))
    return {s: edges_of(s, cw.sensors[s], ccw.sensors[s]) for s in SENSORS}


def uneven(hysteresis_deg: float = 2.5) -> dict[str, Sensor]:
    """Sensors whose rise and fall are placed wrong by different amounts, with hysteresis and delay."""
    rng = np.random.default_rng(5)
    return {
        s: Sensor(PAIR_ZERO[OWN_PAIR[s]], rng.normal([[2.0, -1.5]], 0.8, (POLES, 2)), hysteresis_deg, 12e-6)
        for s in SENSORS
    }


def test_each_edge_lies_where_it_was_placed_whatever_hysteresis_and_delay() -> None:
    sensors = uneven()
    for name, both in edges_seen(sensors).items():
        for column, edge in enumerate(both):
            truth = sensors[name].rise_deg + sensors[name].errors_deg[:, column].mean() - PAIR_ZERO["U-V"]
            assert edge.kind == (RISING, FALLING)[column]
            assert edge.y.value is not None
            assert edge.y.u is not None
            assert abs(wrapped(edge.y.value - truth)) < min(0.15, 3 * edge.y.u)


def test_sectors_are_the_distances_of_the_placed_edges_and_make_a_cycle() -> None:
    sensors = uneven()
    cut = sectors(edges_seen(sensors))
    assert [s.code for s in cut] == ["101", "100", "110", "010", "011", "001"]
    assert sum(s.width.value or 0.0 for s in cut) == pytest.approx(360, abs=1e-9)
    placed = sorted(
        (s.rise_deg + s.errors_deg[:, column].mean() + 180 * column - sensors["H1"].rise_deg) % 360
        for s in sensors.values()
        for column in (0, 1)
    )
    first = placed.index(min(placed, key=lambda a: abs(wrapped(a - sensors["H1"].errors_deg[:, 0].mean()))))
    turned = [*placed[first:], *placed[:first]]
    widths = [(b - a) % 360 for a, b in zip(turned, (*turned[1:], turned[0]), strict=True)]
    for sector, width in zip(cut, widths, strict=True):
        assert sector.width.u is not None
        assert abs((sector.width.value or 0.0) - width) < 3 * sector.width.u


def test_a_device_with_one_sensor_inverted_passes_through_000_and_111() -> None:
    sensors = ideal_sensors(POLES)
    sensors["H2"] = replace(sensors["H2"], rise_deg=sensors["H2"].rise_deg + 180)
    codes = [s.code for s in sectors(edges_seen(sensors))]
    assert {"000", "111"} <= set(codes)
    assert len(codes) == len(set(codes)) == 6


def test_an_edge_that_was_not_timed_leaves_no_sectors() -> None:
    seen = edges_seen(ideal_sensors(POLES))
    rise, fall = seen["H2"]
    assert sectors({**seen, "H2": (rise, Edge("H2", FALLING, refused("deg_el", "stuck low")))}) == ()
    assert sectors({}) == ()
    assert fall.y.value is not None


def test_equal_edges_make_a_sector_of_no_width_rather_than_a_fault() -> None:
    def edge(sensor: str, kind: str, y: float) -> Edge:
        return Edge(sensor, kind, estimate(y, "deg_el", []))

    same = {s: (edge(s, RISING, 0.0), edge(s, FALLING, 0.0)) for s in SENSORS}
    widths = sorted(s.width.value or 0.0 for s in sectors(same))
    assert widths == pytest.approx([0, 0, 0, 0, 180, 180])


@pytest.mark.parametrize(("jitter_deg", "timed_at_all"), [(1.0, True), (3.5, True), (7.0, False)])
def test_edges_that_wander_from_turn_to_turn_have_a_jitter_or_no_number(jitter_deg: float, timed_at_all: bool) -> None:
    """Beyond 5 deg_el nothing is stated: the mean of so few edges is no place of a sensor."""
    f_e_hz = 601.3 / 60 * POLES
    seen = timed(captured(ideal_sensors(POLES), 1, 3, jitter_deg / 360 / f_e_hz))
    for sensor in seen.sensors.values():
        if timed_at_all:
            assert sensor.jitter_deg == pytest.approx(jitter_deg, rel=0.35)
        else:
            assert sensor.y_waveform.value is None
            assert "wander" in sensor.y_waveform.reason
            assert "allowed: 5 deg_el" in sensor.y_waveform.reason
