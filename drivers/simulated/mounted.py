"""The motor on the bench: its winding tables, the feedback unit on it, the brake's state, what is plugged and clamped."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.faults import FAULTS
from drivers.simulated.feedback import SensorTrack, hysteresis_half, sensor_of_lead, sensor_track
from drivers.simulated.machine import pair_tables, short_damping_nm_s
from drivers.simulated.motor_file import SimulatedMotor, with_motor_faults, with_unit_faults
from drivers.simulated.truth import SENSORS, MotorMake, MotorState, UnitState

RELEASE_SHARE, ENGAGE_SHARE = 0.85, 0.5
"""Shares of its coil voltage at which a brake releases and engages (common practice, no source)."""
OVERVOLTAGE_SHARE = 1.3
"""Share of its supply voltage that destroys a unit's electronics (invented)."""
UNDERVOLTAGE_SHARE = 0.85


@dataclass(frozen=True, slots=True)
class Parts:
    """Motor and unit as they are now, with the tables worked out from them; replaced as a whole when anything changes."""

    make: MotorMake
    motor: MotorState
    unit: UnitState
    tables: dict[str, NDArray[np.float32]]
    tracks: dict[str, SensorTrack]
    half: float
    damping_nm_s: float


def work_out(motor: MotorState, unit: UnitState) -> Parts:
    """Work out winding tables [V s/rad], sensor tracks, lost motion [rad] and viscous drag of a motor and a unit."""
    make = motor.make
    return Parts(
        make=make,
        motor=motor,
        unit=unit,
        tables=pair_tables(motor),
        tracks={lead: sensor_track(make, unit, sensor_of_lead(unit, lead)) for lead in SENSORS},
        half=hysteresis_half(make, unit),
        damping_nm_s=make.drag_nm_s + short_damping_nm_s(motor),
    )


class Mounted:
    """One motor on the bench with everything that can change while it is there."""

    def __init__(self, motor: SimulatedMotor, faults: Sequence[str]) -> None:
        self.source = motor
        self.make: MotorMake = motor.make
        self.fitted = "received"
        self.body = math.radians(motor.received.body_deg_mech)
        self.locked = True
        self.damaged = False
        self.seen = 0.0
        self.brake_released = False
        self._brake_due_s: float | None = None
        self._base: MotorState = motor.motor
        self._base_unit: UnitState = motor.received
        self.refresh(faults)

    def refresh(self, faults: Sequence[str]) -> None:
        """Work out tables and tracks anew after a change of state or faults."""
        motor = with_motor_faults(self._base, [n for n in faults if FAULTS[n].motor])
        unit = with_unit_faults(self._base_unit, [n for n in faults if FAULTS[n].unit])
        self.parts = work_out(motor, unit)

    def fit_new_unit(self, faults: Sequence[str]) -> None:
        """Put the new unit in the place of the one on the motor; it sits where the file says, not yet locked."""
        self._base_unit = self.source.new_unit
        self.body = math.radians(self._base_unit.body_deg_mech)
        self.fitted, self.locked, self.damaged = "new", False, False
        self.refresh(faults)

    def swap_leads(self, one: str, other: str, faults: Sequence[str]) -> None:
        """Swap two motor leads at the connector."""
        leads = list(self._base.leads)
        i, j = "UVW".index(one), "UVW".index(other)
        leads[i], leads[j] = leads[j], leads[i]
        u, v, w = leads
        self._base = replace(self._base, leads=(u, v, w))
        self.refresh(faults)

    def follow(self, theta: float) -> None:
        """Let the sensors' lost motion follow the shaft angle [rad]."""
        phi = theta - self.body
        self.seen = min(max(self.seen, phi - self.parts.half), phi + self.parts.half)

    # -- brake -------------------------------------------------------------------------------------------------------

    @property
    def brake_nm(self) -> float:
        """Torque with which the brake holds or drags now."""
        if self.make.brake is None:
            return 0.0
        return self.parts.motor.brake_drag_nm if self.brake_released else self.make.brake.hold_nm

    def brake_coil(self, volts: float, now_s: float) -> None:
        """Tell the brake its coil voltage; it answers after its own delay."""
        brake = self.make.brake
        if brake is None or self.parts.motor.brake_coil_open:
            volts = 0.0
        if brake is None:
            return
        share = volts / brake.voltage_v
        wanted = share >= (ENGAGE_SHARE if self.brake_released else RELEASE_SHARE)
        if wanted is self.brake_released:
            self._brake_due_s = None
        elif self._brake_due_s is None:
            self._brake_due_s = now_s + (brake.release_s if wanted else brake.engage_s)

    def brake_deadline_s(self) -> float:
        """Return when the brake will change, infinity if it will not."""
        return float("inf") if self._brake_due_s is None else self._brake_due_s

    def brake_step(self, now_s: float) -> bool:
        """Let the brake change if its time has come; return whether it did."""
        if self._brake_due_s is None or now_s < self._brake_due_s - 1e-9:
            return False
        self._brake_due_s = None
        self.brake_released = not self.brake_released
        return True

    # -- unit --------------------------------------------------------------------------------------------------------

    def unit_ohm(self) -> float:
        """Return what the unit is to the sensor supply, as a resistance."""
        return self.make.sensors.supply_v / (self.make.sensors.current_a + self.parts.unit.extra_current_a)

    def unit_alive(self, volts: float) -> bool:
        """Tell whether the unit works at this supply voltage."""
        return not self.damaged and volts >= UNDERVOLTAGE_SHARE * self.make.sensors.supply_v

    def overstressed(self, volts: float) -> bool:
        """Tell whether this supply voltage destroys the unit."""
        return volts > OVERVOLTAGE_SHARE * self.make.sensors.supply_v
