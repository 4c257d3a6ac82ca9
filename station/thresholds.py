"""Values for the thresholds of the interlock table that bench and motor type give."""

from drivers.bench_file import BenchFile
from station.motor_type import MotorType

MARGIN = 1.1
VOLTAGE_MARGIN = 1.05
VOLTAGE_LEAST = 0.9
STALL_PART = 0.9
"""Of the current limit set at the supply: a stalled shaft would draw that limit, and must show before."""


def thresholds_for(bench: BenchFile, motor_type: MotorType) -> dict[str, float]:
    """Return the thresholds by the names of the interlock table."""
    values = {
        "overspeed_rpm": bench.limits.speed * MARGIN,
        "spin_current_limit_a": bench.spin_motor.max_current * STALL_PART,
        "spin_voltage_limit_v": bench.limits.spin_voltage,
        "touch_limit_v": bench.limits.touch,
    }
    if motor_type.is_covered:
        sensors = motor_type.sensors
        values |= {
            "sensor_current_limit_a": sensors.current_max,
            "sensor_voltage_limit_v": sensors.supply * VOLTAGE_MARGIN,
            "sensor_voltage_min_v": sensors.supply * VOLTAGE_LEAST,
        }
    if motor_type.brake is not None:
        values |= {
            "brake_current_min_a": motor_type.brake.current_min,
            "brake_current_max_a": motor_type.brake.current_max,
        }
    return values
