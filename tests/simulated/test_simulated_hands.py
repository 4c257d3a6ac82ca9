"""Simulated hands: what they can do, what they cannot, and that it is the same again with the same seed."""

import numpy as np
import pytest
from simulated_desk import Desk, braked_make, ideal_motor

from drivers.simulated.hands import body_motion, shaft_motion, slip_on_locking


def turned(desk: Desk, degrees: float) -> float:
    before = desk.state()["body_deg_mech"]
    desk.hands("turn body", degrees)
    desk.wait(1.0)
    return float(desk.state()["body_deg_mech"] - before)


def test_body_turns_only_when_loosened() -> None:
    desk = Desk()
    assert turned(desk, 3.0) == 0.0
    assert desk.error("simulation") == '0,"No error"'
    desk.hands("loosen")
    assert turned(desk, 3.0) == pytest.approx(3.0, abs=0.5)
    assert turned(desk, -3.0) == pytest.approx(-3.0, abs=0.5)


def test_body_moves_over_time_and_other_work_waits_for_its_end() -> None:
    desk = Desk()
    desk.hands("loosen")
    desk.hands("turn body", 4.0)
    desk.send("simulation", "SIM:CLOC:ADV? 0.2")
    half_way = desk.state()["body_deg_mech"]
    assert 0.1 < half_way < 3.5
    desk.hands("lock")
    assert desk.state()["body_deg_mech"] == pytest.approx(4.0, abs=0.7)
    assert desk.state()["locked"] is True


def test_turned_body_changes_all_offsets_by_pole_pairs() -> None:
    # Body clockwise by d mechanical adds P d to the offset.
    desk = Desk()
    before = desk.state()["offsets_deg_el"]
    desk.hands("loosen")
    moved = turned(desk, 2.0)
    after = desk.state()["offsets_deg_el"]
    assert {k: after[k] - before[k] for k in after} == pytest.approx(dict.fromkeys(after, 4 * moved))


def test_hands_miss_by_some_percent_and_tremble() -> None:
    rng = np.random.default_rng(5)
    misses = [np.degrees(body_motion(0.0, 0.0, 5.0, rng).amount) - 5.0 for _ in range(400)]
    assert np.std(misses) == pytest.approx(np.hypot(0.15, 0.04), rel=0.15)
    assert abs(np.mean(misses)) < 0.03


def test_stiction_keeps_the_smallest_moves_from_happening() -> None:
    rng = np.random.default_rng(6)
    amounts = np.array([body_motion(0.0, 0.0, 0.0, rng).amount for _ in range(300)])
    assert 0.2 < np.mean(amounts == 0.0) < 0.6
    assert np.abs(np.degrees(amounts[amounts != 0])).min() >= 0.02


def test_locking_slips_a_little() -> None:
    rng = np.random.default_rng(7)
    slips = np.degrees([slip_on_locking(rng) for _ in range(400)])
    assert np.std(slips) == pytest.approx(0.05, rel=0.15)


@pytest.mark.parametrize("degrees", [90.0, -400.0])
def test_a_hand_never_turns_back_on_its_way(degrees: float) -> None:
    motion = shaft_motion(2.0, 0.5, degrees, np.random.default_rng(1))
    times = np.linspace(motion.start_s, motion.end_s, 300)
    places = np.array([motion.place(float(t)) for t in times])
    assert places[0] == pytest.approx(0.5)
    assert np.degrees(places[-1] - 0.5) == pytest.approx(degrees)
    assert (np.diff(places) * np.sign(degrees) >= -1e-12).all()
    rpm = abs(degrees) / 6 / (motion.end_s - motion.start_s)
    assert 20 < rpm < 45


def test_hand_cannot_turn_against_the_engaged_brake() -> None:
    desk = Desk(ideal_motor(braked_make()))
    before = desk.state()["theta_deg_mech"]
    desk.hands("turn shaft", 180)
    desk.wait(2.0)
    assert desk.state()["theta_deg_mech"] == pytest.approx(before)


def test_fitting_puts_the_new_unit_where_the_file_says_not_locked() -> None:
    desk = Desk()
    assert desk.state()["fitted"] == "received"
    desk.hands("fit feedback unit")
    state = desk.state()
    assert (state["fitted"], state["locked"], state["body_deg_mech"]) == ("new", False, pytest.approx(5.0))


def test_swapping_leads_twice_is_as_before() -> None:
    desk = Desk()
    desk.send("simulation", 'SIM:HAND "swap leads","U,V"')
    assert desk.state()["leads"] == ["V", "U", "W"]
    desk.send("simulation", 'SIM:HAND "swap leads","V,U"')
    assert desk.state()["leads"] == ["U", "V", "W"]


@pytest.mark.parametrize(
    "line", ['SIM:HAND "wave"', 'SIM:HAND "turn body"', 'SIM:HAND "turn shaft",far', 'SIM:HAND "swap leads","U,U"']
)
def test_what_hands_cannot_do_is_an_error_with_the_allowed(line: str) -> None:
    desk = Desk()
    desk.send("simulation", line)
    assert desk.error("simulation").startswith("-224")


def story(seed: int) -> list[object]:
    desk = Desk(seed=seed)
    desk.power_sensors()
    desk.hands("loosen")
    turned(desk, 1.0)
    desk.spin(8.0)
    desk.connect("U-V", "sensors")
    desk.sweep(5000, 1e-5)
    return [desk.volts(1).tolist(), desk.volts(2).tolist(), desk.log(), desk.state()]


def test_the_same_seed_and_commands_give_the_same_bench_to_the_last_sample() -> None:
    assert story(11) == story(11)
    assert story(11) != story(12)
