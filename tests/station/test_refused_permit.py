"""A refused permit is told with the interlocks that did not hold: a technician must know what to mend."""

from types import SimpleNamespace
from typing import Any, cast

from safety.interlocks import read_table
from safety.permit import PermitRefused
from safety.states import State
from station.supervisor import Supervisor

LIMITS = {
    "overspeed_rpm": 1000.0, "setting_overspeed_rpm": 66.0, "spin_current_limit_a": 5.0, "spin_voltage_limit_v": 34.0,
    "setting_spin_voltage_limit_v": 4.0, "sensor_current_limit_a": 0.2, "sensor_voltage_limit_v": 5.5,
    "sensor_voltage_min_v": 4.5, "brake_current_min_a": 0.3, "brake_current_max_a": 0.7, "touch_limit_v": 42.4,
    "winding_temperature_limit_c": 90.0,
}  # fmt: skip


def test_the_rows_that_did_not_hold_stand_in_the_reason_and_in_the_log() -> None:
    bench: Any = SimpleNamespace(clock=SimpleNamespace(now_s=lambda: 7.5), look_meanwhile=lambda look: None)
    supervisor = Supervisor(cast(Any, bench), read_table(), "guarded", LIMITS)
    supervisor.arm(18, brake_fitted=False, emf_peak_v_per_krpm=70.0)
    supervisor.state = State.TURNING
    supervisor.seen = {"motor_clamp": False, "stop_circuit": True}
    why = supervisor.note_refusal(PermitRefused("no leave"))
    assert why.startswith("no leave; ")
    assert "motor clamp: " in why
    assert "stop circuit: " not in why
    (event,) = supervisor.events
    assert (event.row, event.what, event.t_s) == ("permit", why, 7.5)
