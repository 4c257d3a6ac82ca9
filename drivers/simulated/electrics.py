"""The bench's electrics without time: supplies, relays, hardwired safety, plugs and guards, and what they connect."""

from collections.abc import Mapping
from dataclasses import dataclass

from drivers.simulated.mounted import Mounted
from drivers.simulated.safety_relays import SafetyRelays, Seen
from drivers.simulated.shaft import Drive, Shaft, SpinMotor
from drivers.simulated.supply_model import SupplyModel
from drivers.simulated.wiring import (
    BRAKE_RELAY,
    GROUP_RELAYS,
    KNOWN_SOURCE,
    NO_ADAPTER,
    PAIR_RELAYS,
    PULL_UP_RELAYS,
    RELAY_NAMES,
    SPIN_ON,
    SPIN_REVERSE,
    Connection,
    Relays,
)

SHORTED_LINE_NM_S = 0.02
"""Drag of two winding pairs connected together (invented; it must only be felt)."""


@dataclass(slots=True)
class Place:
    """What a person can open, press, plug and clamp around the bench."""

    drive_end_guard: bool = False
    feedback_end_guard: bool = False
    stop_pressed: bool = False
    motor_clamp: bool = False
    enabling_device: bool = False
    setting_selector: bool = False
    winding_adapter: bool = False
    feedback_adapter: bool = False


class Electrics:
    """State of everything electrical but the motor.

    Parameters
    ----------
    faults
        Names of the faults that are on; shared with the world, which changes it.
    """

    def __init__(self, faults: Mapping[str, bool]) -> None:
        self._faults = faults
        self.spin = SpinMotor()
        self.place = Place()
        self.relays = Relays()
        self.safety = SafetyRelays()
        self.supplies = {
            "spin_supply": SupplyModel("spin supply", 60.0, 12.0),
            "sensor_supply": SupplyModel("sensor supply", 30.0, 2.0),
            "brake_supply": SupplyModel("brake supply", 32.0, 3.0),
        }

    def follow_faults(self) -> None:
        """Let the supplies take their faults."""
        self.supplies["spin_supply"].stuck_on = "supply stuck on" in self._faults
        self.supplies["sensor_supply"].gain = 0.8 if "sensor supply sags" in self._faults else 1.0

    def closed(self, number: int) -> bool:
        """Tell whether a relay's contact is really closed."""
        return self.relays.closed(number, self._faults)

    @property
    def stop_ok(self) -> bool:
        """Whether the stop circuit is closed."""
        return not self.place.stop_pressed and "stop circuit open" not in self._faults

    def watch(self, now_s: float, rpm: float) -> list[tuple[str, bool]]:
        """Let the hardwired safety follow; return what changed."""
        place = self.place
        seen = Seen(
            now_s=now_s,
            rpm=rpm,
            stop_ok=self.stop_ok,
            drive_end_guard=place.drive_end_guard,
            feedback_end_guard=place.feedback_end_guard,
            setting=place.setting_selector,
            enabled=place.enabling_device,
            supply_on=self.supplies["spin_supply"].on,
        )
        return self.safety.update(seen, self._faults)

    def truths(self, mounted: Mounted) -> dict[str, bool | int]:
        """Return what is really so behind outputs and contacts, by the names of the event log.

        `spin motor fed` is +1 or -1 while the spin motor has a supply, clockwise positive, and 0 otherwise.
        """
        place, relays = self.place, self.relays
        live = {f"{supply.role} live": supply.on for supply in self.supplies.values()}
        contacts = {f"contact {RELAY_NAMES[n]}": self.closed(n) for n in (SPIN_ON, SPIN_REVERSE, *PAIR_RELAYS.values())}
        inputs = {
            "stop_circuit": self.stop_ok,
            "drive_end_guard": place.drive_end_guard,
            "feedback_end_guard": place.feedback_end_guard,
            "motor_clamp": place.motor_clamp,
            "winding_adapter_present": place.winding_adapter,
            "adapter_code": mounted.parts.motor.adapter_code if place.feedback_adapter else NO_ADAPTER,
            **{f"mirror_{pair}": relays.mirror(pair, self._faults) for pair in PAIR_RELAYS},
        }
        return {
            "spin motor fed": self.spin_sense() if self.supplies["spin_supply"].on else 0,
            "contact brake": self.closed(BRAKE_RELAY),
            **live,
            **contacts,
            **{f"input {name}": state for name, state in inputs.items()},
        }

    def connection(self, mounted: Mounted) -> Connection:
        """Return what is connected to the scope now."""
        place = self.place
        unit_v = self.sensor_reading(mounted)[0] if self.supplies["sensor_supply"].on else 0.0
        return Connection(
            pairs=tuple(p for p, n in PAIR_RELAYS.items() if place.winding_adapter and self.closed(n)),
            groups=tuple(g for g, n in GROUP_RELAYS.items() if place.feedback_adapter and self.closed(n)),
            pull_ups=frozenset(s for s, n in PULL_UP_RELAYS.items() if self.closed(n)),
            known_source=self.closed(KNOWN_SOURCE),
            unit_v=unit_v if place.feedback_adapter else 0.0,
            unit_alive=place.feedback_adapter and mounted.unit_alive(unit_v),
            pull_up_v=unit_v,
        )

    def spin_sense(self) -> int:
        """Return +1 or -1 as the spin motor is connected to its supply, clockwise positive, 0 if it is not."""
        if not (self.closed(SPIN_ON) and self.safety.contactor) or "spin motor open" in self._faults:
            return 0
        reverse = self.closed(SPIN_REVERSE) != ("spin motor reversed" in self._faults)
        return -1 if reverse else 1

    def drive(self, mounted: Mounted) -> Drive:
        """Return what acts on the shaft, a hand apart."""
        supply = self.supplies["spin_supply"]
        coupled = "coupling slips" not in self._faults
        drive = Drive(
            # Without an output a supply still blocks: the spin motor coasts.
            sense=self.spin_sense() if supply.on else 0,
            volts=supply.volts,
            limit_a=supply.limit_a,
            friction_nm=self.spin.friction_nm,
            damping_nm_s=self.spin.drag_nm_s,
            inertia_kg_m2=self.spin.inertia_kg_m2,
        )
        if coupled:
            drive.friction_nm += mounted.parts.motor.friction_nm + mounted.brake_nm
            drive.damping_nm_s += mounted.parts.damping_nm_s
            drive.inertia_kg_m2 += mounted.make.inertia_kg_m2
        if self.place.winding_adapter and sum(map(self.closed, PAIR_RELAYS.values())) > 1:
            drive.damping_nm_s += SHORTED_LINE_NM_S
        return drive

    def reading(self, role: str, mounted: Mounted, shaft: Shaft) -> tuple[float, float]:
        """Return the voltage [V] and current [A] at a supply's own terminals."""
        match role:
            case "spin_supply":
                return self._spin_reading(shaft)
            case "brake_supply":
                return self._brake_reading(mounted)
            case _:
                return self.sensor_reading(mounted)

    def sensor_reading(self, mounted: Mounted) -> tuple[float, float]:
        """Return the sensor supply's own voltage and current."""
        supply = self.supplies["sensor_supply"]
        if not self.place.feedback_adapter:
            return supply.volts, 0.0
        return supply.into_resistance(mounted.unit_ohm())

    def coil_v(self, mounted: Mounted) -> float:
        """Return the voltage at the brake's coil."""
        connected = self.closed(BRAKE_RELAY) and self.place.winding_adapter
        return self._brake_reading(mounted)[0] if connected else 0.0

    def _spin_reading(self, shaft: Shaft) -> tuple[float, float]:
        supply, sense = self.supplies["spin_supply"], self.spin_sense()
        back_v = sense * self.spin.constant_v_s * shaft.w
        if not supply.on:
            return max(back_v, 0.0), 0.0
        if not sense:
            return supply.volts, 0.0
        current = shaft.current_at(Drive(sense=sense, volts=supply.volts, limit_a=supply.limit_a), shaft.w)
        if current >= supply.limit_a:
            return current * self.spin.resistance_ohm + back_v, current
        return max(supply.volts, back_v), current

    def _brake_reading(self, mounted: Mounted) -> tuple[float, float]:
        supply, brake = self.supplies["brake_supply"], mounted.make.brake
        connected = self.closed(BRAKE_RELAY) and self.place.winding_adapter
        if brake is None or not connected or mounted.parts.motor.brake_coil_open:
            return supply.volts, 0.0
        return supply.into_resistance(brake.coil_ohm)
