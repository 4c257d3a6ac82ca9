"""Bringing up the sensor supply and the brake, each in its window, before the shaft may turn."""

from analysis.estimate import BudgetLine, Estimate
from station.exit_codes import RunStopped
from station.motor_type import MotorType
from station.supervisor import Supervisor

RAMP_STEPS = 5
RAMP_STEP_S = 0.05
PROTECTION_MARGIN = 1.15
CURRENT_READ_U = 0.01
"""Relative standard uncertainty of a supply's own current reading (common practice, no source)."""


def sensor_supply_on(supervisor: Supervisor, motor_type: MotorType, pull_ups: bool) -> Estimate:  # noqa: FBT001
    """Ramp the sensor supply under its current limit and return the current it settles at [A].

    Raises
    ------
    RunStopped
        The supply sagged below 90 % of its voltage: the unit draws more than its window, so it is off again.
    """
    supply, target_v = supervisor.bench.sensor_supply, motor_type.sensors.supply
    limit_a = motor_type.sensors.current_max
    supervisor.start()
    if pull_ups:
        for sensor in ("H1", "H2", "H3"):
            supervisor.bench.switch.close(f"pull_up_{sensor}", supervisor.permit("switch"))
    supply.configure(target_v / RAMP_STEPS, limit_a, target_v * PROTECTION_MARGIN)
    supply.switch_on(supervisor.permit("sensor supply"))
    for step in range(1, RAMP_STEPS + 1):
        supply.set_voltage(target_v * step / RAMP_STEPS, supervisor.permit("sensor supply"))
        supervisor.wait(RAMP_STEP_S)
        voltage_v, current_a = supply.measure()
        if voltage_v < 0.9 * target_v * step / RAMP_STEPS:
            supply.switch_off()
            raise RunStopped(
                f"sensor supply sags to {voltage_v:.2f} V at its limit of {limit_a:g} A: the feedback unit or its lead is "
                f"shorted or wired wrongly; allowed: {target_v:g} V at {limit_a:g} A or less"
            )
    supervisor.commanded.sensor_on = True
    supervisor.wait(RAMP_STEP_S)
    _, current_a = supply.measure()
    u = max(abs(current_a) * CURRENT_READ_U, 1e-4)
    return Estimate(current_a, "A", u, budget=(BudgetLine("current reading of the sensor supply", "B", u, 50.0),))


def release_brake(supervisor: Supervisor, motor_type: MotorType) -> Estimate:
    """Release the brake and return its coil current [A].

    Raises
    ------
    RunStopped
        The coil current is outside the type's window: the brake cannot be taken as released, so nothing may turn.
    """
    brake, supply = motor_type.brake, supervisor.bench.brake_supply
    if brake is None or supply is None:
        raise RunStopped(f"{motor_type.name} asks for a brake supply and this bench has none")
    supervisor.start()
    supply.configure(brake.voltage, brake.current_max * PROTECTION_MARGIN, brake.voltage * PROTECTION_MARGIN)
    supervisor.bench.switch.close("brake", supervisor.permit("switch"))
    supply.switch_on(supervisor.permit("brake supply"))
    supervisor.wait(brake.release_time)
    _, current_a = supply.measure()
    if not brake.current_min <= current_a <= brake.current_max:
        supply.switch_off()
        raise RunStopped(
            f"brake coil draws {current_a:.3f} A; allowed: {brake.current_min:g} to {brake.current_max:g} A, "
            "so the brake cannot be taken as released"
        )
    supervisor.commanded.brake_on = True
    u = max(abs(current_a) * CURRENT_READ_U, 1e-4)
    return Estimate(current_a, "A", u, budget=(BudgetLine("current reading of the brake supply", "B", u, 50.0),))
