"""The bench's hardwired safety acts by itself: dead-man, guards, stop, overspeed, standstill, mirrors, and its log."""

import pytest
from simulated_desk import Desk, ideal_motor

from drivers.simulated.safety_relays import SafetyRelays, Seen

CONTACTS = {
    "stop_circuit": 1,
    "drive_end_guard": 2,
    "feedback_end_guard": 3,
    "standstill": 7,
    "overspeed_ok": 8,
    "deadman_ok": 9,
}


def contact(desk: Desk, channel: int) -> bool:
    return desk.send("inputs", f"SENS:DATA? (@{channel})") == "1"


def silent(desk: Desk, seconds: float) -> None:
    """Let time pass without a kick."""
    desk.send("simulation", f"SIM:CLOC:ADV? {seconds}")


@pytest.fixture
def turning() -> Desk:
    desk = Desk()
    desk.spin(8.0)
    assert desk.state()["speed_rpm"] > 250
    return desk


def test_dead_man_drops_the_spin_motor_within_500_ms_of_silence(turning: Desk) -> None:
    turning.kick()
    start = turning.state()["now_s"]
    silent(turning, 0.3)
    assert turning.state()["contactor"] is True
    silent(turning, 2.0)
    dropped = next(e for e in turning.log() if e["what"] == "deadman_ok" and e["value"] is False)
    assert 0.3 < dropped["t_s"] - start <= 0.5
    assert turning.state()["contactor"] is False
    assert float(turning.send("spin_supply", "MEAS:CURR?")) == pytest.approx(0.0, abs=0.01)


def test_a_dropped_contactor_does_not_come_back_until_the_output_was_off(turning: Desk) -> None:
    silent(turning, 4.0)
    turning.wait(1.0)
    assert contact(turning, CONTACTS["deadman_ok"])
    assert turning.state()["contactor"] is False
    assert turning.state()["speed_rpm"] == 0.0
    turning.send("spin_supply", "OUTP OFF")
    turning.send("spin_supply", "OUTP ON")
    turning.wait(0.5)
    assert turning.state()["speed_rpm"] > 100


def test_the_same_level_again_is_no_kick() -> None:
    desk = Desk()
    desk.send("switch", "ROUT:CLOS (@161)")
    for _ in range(8):
        silent(desk, 0.1)
        desk.send("switch", "ROUT:CLOS (@161)")
    assert not contact(desk, CONTACTS["deadman_ok"])


def test_failed_dead_man_keeps_turning() -> None:
    desk = Desk(ideal_motor(), faults=("dead-man failed",))
    desk.spin(8.0)
    silent(desk, 3.0)
    assert desk.state()["speed_rpm"] > 250


@pytest.mark.parametrize("action", ["open guards", "press stop"])
def test_guard_and_stop_take_the_power_without_any_software(turning: Desk, action: str) -> None:
    turning.hands(action)
    assert turning.state()["contactor"] is False
    turning.wait(4.0)
    assert turning.state()["speed_rpm"] == 0.0


def test_feedback_end_may_be_open_for_setting_while_the_device_is_held() -> None:
    desk = Desk()
    desk.hands("close guards")
    desk.world.electrics.place.feedback_end_guard = False
    desk.kick()
    assert desk.state()["contactor"] is False
    desk.hands("select setting")
    desk.hands("hold enabling device")
    assert desk.state()["contactor"] is True
    for letting_go in ("let go enabling device", "squeeze enabling device"):
        desk.hands("hold enabling device")
        desk.hands(letting_go)
        assert desk.state()["contactor"] is False


def test_setting_has_its_own_speed_limit() -> None:
    desk = Desk()
    desk.hands("select setting")
    desk.spin(4.0)
    assert not contact(desk, CONTACTS["overspeed_ok"])
    assert desk.state()["contactor"] is False


def test_overspeed_relay_acts_at_its_limit_and_latches_until_rest() -> None:
    desk = Desk()
    desk.spin(45.0, settle_s=2.0)
    assert not contact(desk, CONTACTS["overspeed_ok"])
    desk.wait(8.0)
    assert desk.state()["speed_rpm"] == 0.0
    assert not contact(desk, CONTACTS["overspeed_ok"])
    desk.send("spin_supply", "OUTP OFF")
    assert contact(desk, CONTACTS["overspeed_ok"])
    highest = max(abs(e["speed_rpm"]) for e in desk.log())
    assert highest < 1600


def test_standstill_contact_waits_for_the_shaft(turning: Desk) -> None:
    assert not contact(turning, CONTACTS["standstill"])
    turning.send("spin_supply", "OUTP OFF")
    turning.wait(0.2)
    assert not contact(turning, CONTACTS["standstill"])
    turning.wait(4.0)
    assert contact(turning, CONTACTS["standstill"])


def test_mirrors_follow_their_relays_and_tell_a_welded_one() -> None:
    desk = Desk()
    assert desk.send("inputs", "SENS:DATA? (@11:13)") == "1,1,1"
    desk.send("switch", "ROUT:CLOS (@112)")
    assert desk.send("inputs", "SENS:DATA? (@11:13)") == "1,0,1"
    desk.send("simulation", 'SIM:FAUL "pair_U-V welded",ON')
    desk.send("switch", "ROUT:OPEN:ALL")
    assert desk.send("inputs", "SENS:DATA? (@11:13)") == "0,1,1"
    assert desk.send("switch", "ROUT:CLOS? (@111:113)") == "0,0,0"
    desk.send("simulation", 'SIM:FAUL "mirror_U-V stuck closed",ON')
    assert desk.send("inputs", "SENS:DATA? (@11)") == "1"


def test_two_pairs_together_load_the_shaft() -> None:
    desk = Desk()
    desk.spin(8.0)
    free = desk.state()["spin_current_a"]
    desk.send("switch", "ROUT:CLOS (@111,112)")
    desk.wait(1.0)
    assert desk.state()["spin_current_a"] > free + 1.0


def test_adapter_code_needs_an_adapter() -> None:
    desk = Desk()
    assert desk.send("inputs", "SENS:DATA? (@20)") == "7"
    desk.hands("unplug feedback adapter")
    assert desk.send("inputs", "SENS:DATA? (@15,20)") == "0,0"


def test_log_tells_outputs_relays_and_hands_with_time_and_speed(turning: Desk) -> None:
    turning.send("spin_supply", "OUTP OFF")
    events = turning.log()
    assert [e["index"] for e in events] == list(range(len(events)))
    whats = [e["what"] for e in events]
    for expected in (
        "mount",
        "hands: close guards",
        "relay spin_on",
        "spin supply output",
        "spin supply voltage",
        "contactor",
    ):
        assert expected in whats
    output, *truths = events[-3:]
    assert (output["what"], output["value"]) == ("spin supply output", False)
    # What is really so is told beside what was commanded.
    assert {e["what"]: e["value"] for e in truths} == {"spin supply live": False, "spin motor fed": 0}
    off = events[-1]
    assert off["speed_rpm"] > 250
    assert off["t_s"] == pytest.approx(turning.state()["now_s"])


def test_hands_on_a_turning_motor_are_noted_for_whoever_checks(turning: Desk) -> None:
    turning.hands("loosen")
    assert "HANDS ON A TURNING MOTOR" in [e["what"] for e in turning.log()]


def test_next_deadline_is_when_the_relay_really_drops() -> None:
    relays = SafetyRelays()

    def look(now_s: float) -> None:
        seen = Seen(
            now_s,
            0.0,
            stop_ok=True,
            drive_end_guard=True,
            feedback_end_guard=True,
            setting=False,
            enabled=False,
            supply_on=False,
        )
        relays.update(seen, ())

    relays.kick(10.0)
    look(10.0)
    deadline = relays.next_deadline_s(10.0)
    look(deadline - 1e-6)
    assert relays.deadman_ok
    look(deadline)
    assert not relays.deadman_ok
    assert deadline == pytest.approx(10.45)
