"""Sensors and encoder as read by the scope, against six-state codes, quadrature and the house convention.

The convention is proved on traces: the shaft's direction is what the counts of the truth's shaft angle say, and no
formula of the model is used.
"""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from simulated_desk import Desk, ideal_make, ideal_motor, order_of_states, rising, rising_zeros

from drivers.simulated.truth import PAIRS, SENSORS, EncoderMake, UnitState

EXACT = UnitState(hysteresis_deg_el=0.0, delay_s=0.0, jitter_s=0.0)
CW_CODES = ["101", "100", "110", "010", "011", "001"]


def spinning(unit: UnitState = EXACT, *, ccw: bool = False, volts: float = 8.0) -> Desk:
    """A desk with an ideal motor turning at about 300 rpm."""
    desk = Desk(ideal_motor(unit=unit))
    desk.power_sensors()
    desk.spin(volts, ccw=ccw)
    assert (desk.state()["speed_rpm"] < 0) is ccw
    return desk


def delay_deg(desk: Desk, pair: str, channel: int, *, fall: bool = False) -> float:
    """How many electrical degrees of time a sensor's rise (or fall) comes after the EMF's rising zero, -180 to 180."""
    desk.connect(pair, "sensors")
    desk.sweep(60_000, 1e-5)
    zeros = rising_zeros(desk.volts(1))
    trace = desk.volts(channel)
    edges = rising(-trace, -2.5) if fall else rising(trace, 2.5)
    period = (zeros[-1] - zeros[0]) / (zeros.size - 1)
    angles = np.exp(2j * np.pi * (edges[:, None] - zeros[None, :]) / period)
    return float(np.degrees(np.angle(angles.mean())))


def test_clockwise_runs_through_the_six_states_in_order() -> None:
    # 120 degree sensors, one bit a step, 000 and 111 never: 101 100 110 010 011 001 (public six-step teaching page).
    desk = spinning()
    desk.connect("U-V", "sensors")
    desk.sweep(60_000, 1e-5)
    states = order_of_states(desk.logic(2, 3, 4))
    start = CW_CODES.index(states[0])
    assert len(states) > 40
    assert states == [CW_CODES[(start + i) % 6] for i in range(len(states))]


def test_counter_clockwise_runs_through_the_same_states_backwards() -> None:
    # Reversed rotation: the same set in the opposite order (same page).
    desk = spinning(ccw=True)
    desk.connect("U-V", "sensors")
    desk.sweep(60_000, 1e-5)
    states = order_of_states(desk.logic(2, 3, 4))
    backwards = CW_CODES[::-1]
    start = backwards.index(states[0])
    assert states == [backwards[(start + i) % 6] for i in range(len(states))]


@pytest.mark.parametrize(("pair", "channel"), [("U-V", 2), ("V-W", 3), ("W-U", 4)])
def test_sensors_follow_their_emf_clockwise_and_oppose_it_counter_clockwise(pair: str, channel: int) -> None:
    # House convention: clockwise the output follows the EMF, counter-clockwise it is opposite to it.
    assert delay_deg(spinning(), pair, channel) == pytest.approx(0.0, abs=1.0)
    assert abs(delay_deg(spinning(ccw=True), pair, channel)) == pytest.approx(180.0, abs=1.0)


def test_body_turned_clockwise_makes_h1_rise_after_the_emf_going_clockwise() -> None:
    # Body clockwise by 2 deg_mech at P = 4 is +8 deg_el: clockwise H1 rises 8 degrees after the EMF's rising zero,
    # counter-clockwise it falls 8 degrees before it.
    turned = replace(EXACT, body_deg_mech=2.0)
    assert delay_deg(spinning(turned), "U-V", 2) == pytest.approx(8.0, abs=0.6)
    assert delay_deg(spinning(turned, ccw=True), "U-V", 2, fall=True) == pytest.approx(-8.0, abs=0.6)


def test_hysteresis_comes_late_in_both_directions_and_placement_does_not() -> None:
    # A sensor with hysteresis switches later whichever way it is passed; a misplaced one does so one way only.
    lazy = replace(EXACT, hysteresis_deg_el=3.0)
    assert delay_deg(spinning(lazy), "U-V", 2) == pytest.approx(3.0, abs=0.6)
    assert delay_deg(spinning(lazy, ccw=True), "U-V", 2, fall=True) == pytest.approx(3.0, abs=0.6)


def test_delay_grows_with_speed() -> None:
    late = replace(EXACT, delay_s=200e-6)
    slow, fast = spinning(late, volts=4.0), spinning(late, volts=12.0)
    # 360 f_e x delay: 200 us at 10 and 30 Hz electrical.
    for desk in (slow, fast):
        f_e_hz = desk.state()["speed_rpm"] * 4 / 60
        assert delay_deg(desk, "U-V", 2) == pytest.approx(360 * f_e_hz * 200e-6, abs=0.4)


def test_line_emf_zeros_lie_120_degrees_apart_in_the_order_of_the_pairs() -> None:
    # IEC 60034-8: clockwise U, V, W; H1 marks the time.
    desk = spinning()
    lags = [delay_deg(desk, pair, 2) for pair in PAIRS]
    assert lags[0] - lags[1] == pytest.approx(120.0, abs=1.5)
    assert (lags[1] - lags[2]) % 360 == pytest.approx(120.0, abs=1.5)


def encoder_bits(desk: Desk) -> NDArray[np.bool_]:
    desk.connect("U-V", "encoder")
    desk.sweep(300_000, 1e-6)
    return desk.logic(2, 3, 4)


@pytest.mark.parametrize(("ccw", "order"), [(False, ["00", "10", "11", "01"]), (True, ["00", "01", "11", "10"])])
def test_a_leads_b_clockwise_and_lags_counter_clockwise(ccw: bool, order: list[str]) -> None:
    # Quadrature: A leads B 00 10 11 01, B leads A 00 01 11 10, never both bits at once.
    states = order_of_states(encoder_bits(spinning(ccw=ccw))[:2])
    start = order.index(states[0])
    assert states == [order[(start + i) % 4] for i in range(len(states))]


def between_indexes(bits: NDArray[np.bool_]) -> slice:
    starts = np.flatnonzero(~bits[2, :-1] & bits[2, 1:])
    return slice(int(starts[0]), int(starts[1]))


def quadrature_count(bits: NDArray[np.bool_]) -> int:
    return len(order_of_states(bits[:2])) - 1


def test_one_turn_has_four_counts_a_line_between_two_indexes() -> None:
    # 2048 lines x 4 = 8192 counts a turn.
    bits = encoder_bits(spinning())
    turn = bits[:, between_indexes(bits)]
    assert quadrature_count(turn) == pytest.approx(8192, abs=1)


def test_dropped_lines_are_missing_from_a_alone() -> None:
    bits = encoder_bits(spinning(replace(EXACT, dropped_lines=frozenset({7, 300, 301}))))
    turn = bits[:, between_indexes(bits)]
    edges = [int(np.count_nonzero(np.diff(turn[i].astype(np.int8)))) for i in (0, 1)]
    assert edges[0] == pytest.approx(4096 - 6, abs=1)
    assert edges[1] == pytest.approx(4096, abs=1)


def test_extra_pulses_add_edges_to_a() -> None:
    bits = encoder_bits(spinning(replace(EXACT, extra_lines=frozenset({55}))))
    turn = bits[:, between_indexes(bits)]
    assert np.count_nonzero(np.diff(turn[0].astype(np.int8))) == pytest.approx(4096 + 2, abs=1)


def test_quadrature_error_and_duty_show_in_the_widths_of_states() -> None:
    unit = replace(EXACT, quadrature_error_deg=30.0, duty=0.45)
    bits = encoder_bits(spinning(unit))
    a_high = np.mean(bits[0])
    both = np.mean(bits[0] & bits[1])
    assert a_high == pytest.approx(0.45, abs=0.01)
    # B 120 instead of 90 degrees after A: both high for 0.45 - 120/360 of a line.
    assert both == pytest.approx(0.45 - 120 / 360, abs=0.01)


def test_index_lies_at_the_zero_of_u_v_and_is_one_line_wide() -> None:
    desk = Desk(ideal_motor(ideal_make(encoder=EncoderMake(360)), EXACT))
    desk.power_sensors()
    desk.spin(8.0)
    desk.connect("U-V", "encoder")
    desk.sweep(60_000, 1e-5)
    index = desk.volts(4) > 2.5
    starts = np.flatnonzero(~index[:-1] & index[1:])
    ends = np.flatnonzero(index[:-1] & ~index[1:])
    ends = ends[ends > starts[0]][: starts.size]
    middles = (starts[: ends.size] + ends) / 2
    zeros = rising_zeros(desk.volts(1))
    turn = np.mean(np.diff(middles))
    assert np.mean(ends - starts[: ends.size]) == pytest.approx(turn / 360, rel=0.05)
    nearest = np.abs(middles[:, None] - zeros[None, :]).min(axis=1)
    assert nearest.max() < turn / 4 / 360 * 1.5
    assert np.mean(zeros[1:] - zeros[:-1]) == pytest.approx(turn / 4, rel=0.01)


def test_edge_scatter_of_poles_repeats_every_turn() -> None:
    scatter = tuple(float(x) for x in (2.0, -1.0, 0.5, 0.0, -2.0, 1.0, -0.5, 0.0))
    desk = spinning(replace(EXACT, edges_deg_el={"H1": scatter}))
    desk.connect("U-V", "sensors")
    desk.sweep(100_000, 1e-5)
    gaps = np.diff(rising(desk.volts(2), 2.5))
    pattern = [gaps[i::4].mean() / gaps.mean() for i in range(4)]
    assert max(pattern) - min(pattern) > 0.005
    assert np.abs(gaps[4:8] - gaps[:4]).max() <= 4


def test_chattering_sensor_shows_glitches() -> None:
    desk = spinning(replace(EXACT, chatter=frozenset({"H1"})))
    desk.connect("U-V", "sensors")
    desk.sweep(100_000, 2e-6)
    bits = desk.logic(2, 3)
    edges = [int(np.count_nonzero(np.diff(row.astype(np.int8)))) for row in bits]
    assert edges[0] > 2.5 * edges[1] > 0


@pytest.mark.parametrize("sensor", SENSORS)
def test_stuck_sensor_does_not_move(sensor: str) -> None:
    desk = spinning(replace(EXACT, stuck={sensor: "low"}))
    desk.connect("U-V", "sensors")
    desk.sweep(20_000, 1e-5)
    moving = [len(set(row.tolist())) == 2 for row in desk.logic(2, 3, 4)]
    assert moving == [name != sensor for name in SENSORS]


def test_hand_turn_is_slow_uneven_and_as_far_as_asked() -> None:
    desk = Desk(ideal_motor(unit=EXACT))
    desk.power_sensors()
    desk.connect("U-V", "sensors")
    before = desk.world.shaft.theta
    desk.hands("turn shaft", 720)
    desk.sweep(40_000, 1e-4)
    assert np.degrees(desk.world.shaft.theta - before) == pytest.approx(720, abs=5)
    states = order_of_states(desk.logic(2, 3, 4))
    start = CW_CODES.index(states[0])
    assert states == [CW_CODES[(start + i) % 6] for i in range(len(states))]
    widths = np.diff(rising(desk.volts(2), 2.5))
    assert widths.size >= 6
    assert widths.max() > 1.2 * widths.min()
    assert np.ptp(desk.volts(1)) > 2.0
