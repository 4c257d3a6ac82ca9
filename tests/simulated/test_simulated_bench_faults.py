"""Each fault of the bench shows at an instrument, and is gone when it is taken off."""

from collections.abc import Callable

import numpy as np
import pytest
from simulated_desk import Desk, braked_make, ideal_motor

Reading = Callable[[Desk], float]


def speed(desk: Desk) -> float:
    desk.spin(8.0)
    return float(desk.state()["speed_rpm"])


def emf(desk: Desk) -> float:
    desk.connect("U-V", None)
    desk.spin(8.0)
    desk.sweep(10_000, 1e-5)
    return float(np.ptp(desk.volts(1)))


def emf_of_a_welded_pair(desk: Desk) -> float:
    desk.connect(None, None)
    desk.spin(8.0)
    desk.sweep(10_000, 1e-5)
    return float(np.ptp(desk.volts(1)))


def still_on(desk: Desk) -> float:
    desk.spin(8.0)
    desk.rest()
    return float(desk.state()["speed_rpm"])


def reading(role: str, query: str) -> Reading:
    return lambda desk: float(desk.send(role, query))


def sensor_volts(desk: Desk) -> float:
    desk.power_sensors()
    return float(desk.send("sensor_supply", "MEAS:VOLT?"))


def chatter(desk: Desk) -> float:
    desk.hands("close guards")
    closed = 0
    for _ in range(40):
        desk.send("simulation", "SIM:CLOC:ADV? 0.001")
        closed += int(desk.send("inputs", "SENS:DATA? (@2)"))
    return closed


def sweep_running(desk: Desk) -> float:
    desk.sweep(1000, 1e-5)
    return float(desk.send("scope", "STAT:OPER:COND?"))


def standstill_while_turning(desk: Desk) -> float:
    desk.spin(8.0)
    return float(desk.send("inputs", "SENS:DATA? (@7)"))


def overspeed_ok(desk: Desk) -> float:
    desk.spin(45.0)
    return float(desk.send("inputs", "SENS:DATA? (@8)"))


CASES: dict[str, tuple[Reading, float, float]] = {
    # fault: what is looked at, without it, with it
    "spin_on dead": (speed, 300, 0),
    "spin_reverse welded": (speed, 300, -300),
    "spin motor reversed": (speed, 300, -300),
    "spin motor open": (speed, 300, 0),
    "pair_U-V dead": (emf, 42, 2),
    "coupling slips": (emf, 42, 2),
    "pair_U-V welded": (emf_of_a_welded_pair, 2, 42),
    "supply stuck on": (still_on, 0, 300),
    "stop circuit open": (reading("inputs", "SENS:DATA? (@1)"), 1, 0),
    "spin supply reads no number": (reading("spin_supply", "MEAS:VOLT?"), 0, 9.91e37),
    "scope reads no number": (reading("scope", "SENS1:VOLT:SCAL?"), 10 / 256, 9.91e37),
    "sensor supply sags": (sensor_volts, 5, 4),
    "guard chatter": (chatter, 40, 35),
    "scope never done": (sweep_running, 0, 8),
    "standstill contact stuck": (standstill_while_turning, 0, 1),
    "overspeed relay failed": (overspeed_ok, 0, 1),
}


@pytest.mark.parametrize("name", CASES)
def test_a_bench_fault_shows_and_its_absence_too(name: str) -> None:
    look, sound, faulty = CASES[name]
    assert look(Desk()) == pytest.approx(sound, rel=0.12, abs=2.2 if abs(sound - faulty) > 10 else 0.05)
    assert look(Desk(ideal_motor(), faults=(name,))) == pytest.approx(
        faulty, rel=0.12, abs=2.2 if abs(sound - faulty) > 10 else 0.05
    )


def test_a_fault_taken_off_is_gone() -> None:
    desk = Desk(ideal_motor(), faults=("spin motor open",))
    assert speed(desk) == 0.0
    desk.rest()
    desk.send("simulation", 'SIM:FAUL "spin motor open",OFF')
    assert desk.send("simulation", "SIM:FAUL?") == ""
    assert speed(desk) > 250


def test_dragging_brake_costs_spin_current_and_a_broken_coil_holds() -> None:
    currents = {}
    for fault in ("", "brake drags", "brake coil open"):
        desk = Desk(ideal_motor(braked_make()), faults=(fault,) if fault else ())
        desk.send("switch", "ROUT:CLOS (@151)")
        desk.send("brake_supply", "VOLT 24;CURR 1;:OUTP ON")
        desk.wait(0.5)
        currents[fault] = float(desk.send("brake_supply", "MEAS:CURR?"))
        desk.spin(8.0)
        if fault == "brake coil open":
            assert desk.state()["speed_rpm"] == 0.0
        elif fault:
            assert desk.state()["spin_current_a"] > 1.2
        else:
            assert desk.state()["spin_current_a"] < 0.4
    # The coil of a dragging brake is sound: its current tells nothing.
    assert currents[""] == pytest.approx(currents["brake drags"], abs=0.01)
    assert currents["brake coil open"] == pytest.approx(0.0, abs=0.01)


def test_a_brake_supply_at_its_current_limit_does_not_release() -> None:
    desk = Desk(ideal_motor(braked_make()))
    desk.send("switch", "ROUT:CLOS (@151)")
    desk.send("brake_supply", "VOLT 24;CURR 0.3;:OUTP ON")
    desk.wait(0.5)
    assert desk.state()["brake_released"] is False


def test_slipping_hub_moves_the_unit_while_the_shaft_turns() -> None:
    desk = Desk(ideal_motor(), faults=("hub slips",))
    before = desk.state()["body_deg_mech"]
    desk.spin(8.0)
    assert desk.state()["body_deg_mech"] < before - 0.1
