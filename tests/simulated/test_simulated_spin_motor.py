"""The spin motor and the shaft against the equations of a DC machine, V = R i + k w and torque = k i."""

import math

import numpy as np
import pytest
from simulated_desk import Desk, braked_make, ideal_motor

from drivers.simulated.shaft import Drive, Shaft, SpinMotor, ripple_table

SMOOTH = np.zeros(4096)


def mean_reading(desk: Desk, query: str) -> float:
    """The mean of 200 readings over 1.4 s, so over several turns."""
    readings = []
    for _ in range(200):
        desk.wait(0.007)
        readings.append(float(desk.send("spin_supply", query)))
    return float(np.mean(readings))


def test_stalled_motor_draws_volts_over_ohms_and_less_with_back_emf() -> None:
    # OpenStax College Physics, section 23.6 Back Emf: 48.0 V, 0.400 ohm; stalled 120 A, 5.76 kW; at 40.0 V back-EMF
    # 20.0 A and 160 W in the winding.
    shaft = Shaft(SpinMotor(constant_v_s=0.4, resistance_ohm=0.4), SMOOTH)
    drive = Drive(sense=1, volts=48.0, limit_a=1e9)
    stalled = shaft.current_at(drive, 0.0)
    assert stalled == pytest.approx(120.0)
    assert stalled**2 * 0.4 == pytest.approx(5760.0)
    running = shaft.current_at(drive, 40.0 / 0.4)
    assert running == pytest.approx(20.0)
    assert running**2 * 0.4 == pytest.approx(160.0)


def test_back_emf_of_the_textbook_exercise() -> None:
    # Open textbook exercise: 120 V, 7 A, 0.720 ohm: back-EMF 114.96 V, stall 166.7 A.
    shaft = Shaft(SpinMotor(constant_v_s=1.0, resistance_ohm=0.72), SMOOTH)
    drive = Drive(sense=1, volts=120.0, limit_a=1e9)
    assert shaft.current_at(drive, 114.96) == pytest.approx(7.0, abs=0.01)
    assert shaft.current_at(drive, 0.0) == pytest.approx(166.7, abs=0.05)


@pytest.mark.parametrize("ccw", [False, True])
def test_steady_speed_obeys_volts_and_current_as_measured(ccw: bool) -> None:
    # V = R i + k w, by the supply's own readings; what turns is in the truth.
    desk = Desk()
    desk.spin(12.0, ccw=ccw, settle_s=3.0)
    volts, amperes = mean_reading(desk, "MEAS:VOLT?"), mean_reading(desk, "MEAS:CURR?")
    spin = desk.world.electrics.spin
    w = (volts - amperes * spin.resistance_ohm) / spin.constant_v_s
    assert desk.state()["speed_rpm"] == pytest.approx((-1 if ccw else 1) * w * 30 / math.pi, rel=0.02)
    # Torque balance: k i carries all friction at steady speed.
    friction = 0.02 + 0.02 + (1e-4 + 5e-5) * w
    assert amperes * spin.constant_v_s == pytest.approx(friction, rel=0.05)


def test_plain_polarity_turns_clockwise_and_the_reverse_relay_turns_it_over() -> None:
    desk = Desk()
    desk.spin(6.0)
    assert desk.state()["speed_rpm"] > 200
    desk.rest()
    desk.spin(6.0, ccw=True)
    assert desk.state()["speed_rpm"] < -200


def test_current_limit_bends_the_run_up() -> None:
    desk = Desk()
    desk.spin(12.0, settle_s=0.1, limit_a=0.5)
    assert float(desk.send("spin_supply", "MEAS:CURR?")) == pytest.approx(0.5, abs=0.01)
    assert float(desk.send("spin_supply", "MEAS:VOLT?")) < 6.0
    limited = desk.state()["speed_rpm"]
    free = Desk()
    free.spin(12.0, settle_s=0.1)
    assert free.state()["speed_rpm"] > 1.5 * limited


def test_energy_of_a_coasting_shaft_goes_into_friction() -> None:
    # Dry friction alone: w falls linearly by T / J.
    shaft = Shaft(SpinMotor(), SMOOTH)
    shaft.w = 40.0
    drive = Drive(friction_nm=0.035, damping_nm_s=0.0, inertia_kg_m2=7e-4)
    shaft.run(0.0, 0.5, 1e-3, drive, None)
    assert shaft.w == pytest.approx(40.0 - 0.5 * 0.035 / 7e-4)
    shaft.run(0.5, 1.0, 1e-3, drive, None)
    assert shaft.w == 0.0


def test_coarse_and_fine_steps_agree() -> None:
    rng = np.random.default_rng(3)
    table = ripple_table(((1, 0.004), (12, 0.008)), rng)
    ends = []
    for step_s in (2.5e-3, 5e-4, 1e-4):
        shaft = Shaft(SpinMotor(), table)
        shaft.run(0.0, 2.0, step_s, Drive(sense=1, volts=10.0, limit_a=10.0), None)
        ends.append(shaft.w)
    assert ends[0] == pytest.approx(ends[2], rel=0.01)
    assert ends[1] == pytest.approx(ends[2], rel=0.005)


def test_ripple_of_speed_falls_with_the_square_of_speed_when_inertia_rules() -> None:
    # Ripple torque T at order m: swing of w = T / (J m w), so relative to w it goes with 1/w^2.
    table = ripple_table(((12, 0.02),), np.random.default_rng(1))
    swings = []
    for volts in (5.0, 15.0):
        shaft = Shaft(SpinMotor(resistance_ohm=20.0), table)
        drive = Drive(sense=1, volts=volts, limit_a=10.0, friction_nm=0.0, damping_nm_s=0.0)
        shaft.w = volts / 0.25
        speeds = []
        for i in range(4000):
            shaft.run(i * 1e-4, 1e-4, 1e-4, drive, None)
            speeds.append(shaft.w)
        swings.append(np.ptp(speeds[2000:]) / np.mean(speeds[2000:]))
    assert swings[0] / swings[1] == pytest.approx(9.0, rel=0.15)


def test_engaged_brake_holds_against_the_spin_motor_and_draws_stall_current() -> None:
    # A seized unit draws V / R: the consequence of V = R i + k w at w = 0.
    desk = Desk(ideal_motor(braked_make()))
    desk.spin(3.0)
    assert desk.state()["speed_rpm"] == 0.0
    assert float(desk.send("spin_supply", "MEAS:CURR?")) == pytest.approx(3.0 / 0.6, abs=0.01)


def test_brake_releases_only_in_its_window_and_after_its_delay() -> None:
    desk = Desk(ideal_motor(braked_make()))
    desk.send("switch", "ROUT:CLOS (@151)")
    desk.send("brake_supply", "VOLT 12;CURR 1;:OUTP ON")
    desk.wait(0.5)
    assert desk.state()["brake_released"] is False
    desk.send("brake_supply", "VOLT 24")
    desk.send("simulation", "SIM:CLOC:ADV? 0.05")
    assert desk.state()["brake_released"] is False
    desk.wait(0.1)
    assert desk.state()["brake_released"] is True
    assert float(desk.send("brake_supply", "MEAS:CURR?")) == pytest.approx(0.6, abs=0.01)
    desk.send("brake_supply", "OUTP OFF")
    desk.wait(0.1)
    assert desk.state()["brake_released"] is False


def test_brake_that_falls_in_stops_the_turning_shaft() -> None:
    desk = Desk(ideal_motor(braked_make()))
    desk.send("switch", "ROUT:CLOS (@151)")
    desk.send("brake_supply", "VOLT 24;CURR 1;:OUTP ON")
    desk.wait(0.3)
    desk.spin(6.0)
    assert desk.state()["speed_rpm"] > 200
    desk.send("switch", "ROUT:OPEN (@151)")
    desk.wait(0.2)
    assert desk.state()["speed_rpm"] == 0.0


def test_supply_off_leaves_the_motor_to_coast_and_shows_its_back_emf() -> None:
    desk = Desk()
    desk.spin(10.0)
    desk.send("spin_supply", "OUTP OFF")
    desk.wait(0.1)
    rpm = desk.state()["speed_rpm"]
    assert rpm > 100
    back_v = 0.25 * rpm * math.pi / 30
    assert float(desk.send("spin_supply", "MEAS:VOLT?")) == pytest.approx(back_v, abs=0.02)
    assert float(desk.send("spin_supply", "MEAS:CURR?")) == pytest.approx(0.0, abs=0.01)
