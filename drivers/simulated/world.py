"""The bench as one model: time, the motor on it, supplies, relays, hardwired safety, hands, and the scope's sweep.

All state changes happen under `World.lock`. Bench time moves only in `advance`.
"""

import math
import threading
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from drivers.simulated.event_log import EventLog
from drivers.simulated.faults import FAULTS, check_names
from drivers.simulated.hands import Motion
from drivers.simulated.motor_file import SimulatedMotor
from drivers.simulated.mounted import Mounted
from drivers.simulated.safety_relays import SafetyRelays, Seen
from drivers.simulated.shaft import Drive, Shaft, SpinMotor, ripple_table
from drivers.simulated.supply_model import SupplyModel
from drivers.simulated.sweep import Stretch, Sweep
from drivers.simulated.wiring import (
    BRAKE_RELAY,
    GROUP_RELAYS,
    KICK,
    KNOWN_SOURCE,
    PAIR_RELAYS,
    PULL_UP_RELAYS,
    RELAY_NAMES,
    SPIN_ON,
    SPIN_REVERSE,
    Connection,
    Relays,
)

COARSE_STEP_S, FINE_STEP_S, PIECE_S = 2.5e-3, 0.5e-3, 0.01
MAINS_HZ = 50.0
SHORTED_LINE_NM_S = 0.02
READING_NOISE = 0.001
HAND_YIELDS_V = 1.0


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


class World:
    """The one model behind all instruments.

    Parameters
    ----------
    motors
        Motors by serial; the first is mounted at the start.
    seed
        Seeds everything random.
    faults
        Names of faults that are on from the start.
    """

    def __init__(self, motors: Mapping[str, SimulatedMotor], *, seed: int = 0, faults: Iterable[str] = ()) -> None:
        self.lock = threading.Condition(threading.RLock())
        self.motors = motors
        self.rng = np.random.default_rng(seed)
        self.now_s = 0.0
        self.log = EventLog()
        self.faults: dict[str, bool] = {}
        self.place = Place()
        self.relays = Relays()
        self.safety = SafetyRelays()
        self.supplies = {
            "spin_supply": SupplyModel("spin supply", 60.0, 12.0),
            "sensor_supply": SupplyModel("sensor supply", 30.0, 2.0),
            "brake_supply": SupplyModel("brake supply", 32.0, 3.0),
        }
        self.spin = SpinMotor()
        self.sweep: Sweep | None = None
        self.sweeping = False
        self.hand_on_shaft: Motion | None = None
        self.hand_on_body: Motion | None = None
        self.mount(next(iter(motors)))
        for name in faults:
            self.set_fault(name, on=True)

    # -- motor and faults ----------------------------------------------------------------------------------------------

    def mount(self, serial: str) -> None:
        """Put a motor on the bench: adapter plugged, clamped, guards open, at rest.

        Raises
        ------
        KeyError
            No motor of the file has this serial.
        """
        motor = self.motors[serial]
        orders = (*self.spin.cogging, *motor.make.cogging)
        self.shaft = Shaft(self.spin, ripple_table(orders, self.rng), float(self.rng.uniform(0, 2 * math.pi)))
        self.mounted = Mounted(motor, list(self.faults))
        self.mounted.follow(self.shaft.theta)
        self.place = Place(motor_clamp=True, winding_adapter=True, feedback_adapter=True)
        self.hand_on_shaft = self.hand_on_body = None
        self.sweeping, self.sweep = False, None
        self.note("mount", serial)
        self.changed()

    def set_fault(self, name: str, *, on: bool) -> None:
        """Put a fault on or take it off.

        Raises
        ------
        ValueError
            No fault has this name.
        """
        check_names([name])
        if on:
            self.faults[name] = True
        else:
            self.faults.pop(name, None)
        self.supplies["spin_supply"].stuck_on = "supply stuck on" in self.faults
        self.supplies["sensor_supply"].gain = 0.8 if "sensor supply sags" in self.faults else 1.0
        if FAULTS[name].where != "bench":
            self.mounted.refresh(list(self.faults))
        self.note("fault", f"{name}: {'on' if on else 'off'}")
        self.changed()

    def note(self, what: str, value: float | str | bool) -> None:  # noqa: FBT001 - any value can be noted
        """Write to the event log."""
        self.log.add(self.now_s, what, value, self.shaft.rpm)

    # -- what the outside changes ----------------------------------------------------------------------------------------

    def command_relay(self, number: int, *, closed: bool) -> None:
        """Command a relay; the dead-man input takes every change as a kick."""
        if not self.relays.command(number, closed):
            return
        if number == KICK:
            self.safety.kick(self.now_s)
        else:
            self.note(f"relay {RELAY_NAMES[number]}", closed)
        self.changed()

    def switch_output(self, role: str, *, on: bool) -> None:
        """Switch a supply's output."""
        supply = self.supplies[role]
        if supply.commanded is not on:
            supply.commanded = on
            self.note(f"{supply.role} output", on)
        self.settings_changed(role)

    def settings_changed(self, role: str) -> None:
        """Let a supply and all behind it follow its settings."""
        supply = self.supplies[role]
        if supply.protect():
            self.note(f"{supply.role} overvoltage protection", value=True)
        if supply.on:
            self.note(f"{supply.role} voltage", supply.set_v)
        self.changed()

    def changed(self) -> None:
        """Let everything that acts at once follow a change."""
        self.mounted.brake_coil(self._coil_v(), self.now_s)
        self._watch()
        connection = self.connection()
        if self.mounted.overstressed(connection.unit_v) and not self.mounted.damaged:
            self.mounted.damaged = True
            self.note("feedback unit destroyed by overvoltage", connection.unit_v)
        if self.sweep is not None and self.sweeping:
            last = self.sweep.stretches[-1]
            if last.connection != connection or last.parts is not self.mounted.parts:
                self._begin_stretch(self.sweep, connection)

    def _coil_v(self) -> float:
        connected = self._closed(BRAKE_RELAY) and self.place.winding_adapter
        return self.supplies["brake_supply"].volts if connected else 0.0

    def _closed(self, number: int) -> bool:
        return self.relays.closed(number, self.faults)

    def _watch(self) -> None:
        place = self.place
        seen = Seen(
            now_s=self.now_s,
            rpm=self.shaft.rpm,
            stop_ok=self.stop_ok,
            drive_end_guard=place.drive_end_guard,
            feedback_end_guard=place.feedback_end_guard,
            setting=place.setting_selector,
            enabled=place.enabling_device,
            supply_on=self.supplies["spin_supply"].on,
        )
        for name, state in self.safety.update(seen, self.faults):
            self.note(name, state)

    @property
    def stop_ok(self) -> bool:
        """Whether the stop circuit is closed."""
        return not self.place.stop_pressed and "stop circuit open" not in self.faults

    def connection(self) -> Connection:
        """Return what is connected to the scope now."""
        plugged = self.place.winding_adapter
        unit_v = self.sensor_reading()[0] if self.supplies["sensor_supply"].on else 0.0
        return Connection(
            pairs=tuple(p for p, n in PAIR_RELAYS.items() if plugged and self._closed(n)),
            groups=tuple(g for g, n in GROUP_RELAYS.items() if self.place.feedback_adapter and self._closed(n)),
            pull_ups=frozenset(s for s, n in PULL_UP_RELAYS.items() if self._closed(n)),
            known_source=self._closed(KNOWN_SOURCE),
            unit_v=unit_v if self.place.feedback_adapter else 0.0,
            unit_alive=self.place.feedback_adapter and self.mounted.unit_alive(unit_v),
            pull_up_v=unit_v,
        )

    # -- time ------------------------------------------------------------------------------------------------------------

    def advance(self, seconds: float) -> float:
        """Let bench time pass and return the new time [s]."""
        target = self.now_s + seconds
        while target - self.now_s > 1e-9:
            drive = self._drive()
            resting = self.shaft.at_rest_under(drive) and self.hand_on_shaft is None and self.hand_on_body is None
            end_s = min(target, self._deadline_s())
            if not resting:
                end_s = min(end_s, self.now_s + PIECE_S)
            self._piece(end_s, drive, resting=resting)
        return self.now_s

    def _deadline_s(self) -> float:
        times = [self.safety.next_deadline_s(self.now_s), self.mounted.brake_deadline_s()]
        if self.sweeping and self.sweep is not None:
            times.append(self.sweep.end_s)
        later = [t for t in times if t > self.now_s + 1e-9]
        return min(later, default=float("inf"))

    def _piece(self, end_s: float, drive: Drive, *, resting: bool) -> None:
        sweep = self.sweep if self.sweeping else None
        length = end_s - self.now_s
        if self.hand_on_body is not None:
            self._move_body(self.hand_on_body, end_s)
        history = sweep.history if sweep else None
        if resting:
            self.shaft.stand(drive)
            if history:
                history.add(end_s, self.shaft.theta, 0.0)
        else:
            step_s = FINE_STEP_S if sweep else COARSE_STEP_S
            before = self.shaft.theta
            self.shaft.run(self.now_s, length, step_s, drive, history)
            turned = abs(self.shaft.theta - before) / (2 * math.pi)
            self.mounted.body -= math.radians(self.mounted.parts.unit.slip_deg_mech_per_turn) * turned
        if history:
            history.add_body(end_s, self.mounted.body)
        self.now_s = end_s
        self.mounted.follow(self.shaft.theta)
        self._after_piece()

    def _after_piece(self) -> None:
        if self.hand_on_shaft and self.now_s >= self.hand_on_shaft.end_s:
            self.hand_on_shaft = None
        if self.mounted.brake_step(self.now_s):
            self.note("brake released", self.mounted.brake_released)
        self._watch()
        if self.sweep and self.sweeping and self.now_s >= self.sweep.end_s - 1e-9 and not self._never_done:
            self.sweeping = False
            self._tell_waiters()

    @property
    def _never_done(self) -> bool:
        return "scope never done" in self.faults

    def _move_body(self, motion: Motion, end_s: float) -> None:
        self.mounted.body = motion.place(min(end_s, motion.end_s))
        if end_s >= motion.end_s:
            self.hand_on_body = None

    def spin_sense(self) -> int:
        """Return +1 or -1 as the spin motor is connected to its supply, clockwise positive, 0 if it is not."""
        if not (self._closed(SPIN_ON) and self.safety.contactor) or "spin motor open" in self.faults:
            return 0
        reverse = self._closed(SPIN_REVERSE) != ("spin motor reversed" in self.faults)
        return -1 if reverse else 1

    def _drive(self) -> Drive:
        make, mounted, supply = self.mounted.make, self.mounted, self.supplies["spin_supply"]
        coupled = "coupling slips" not in self.faults
        damping = self.spin.drag_nm_s + (mounted.parts.damping_nm_s if coupled else 0.0)
        if len([p for p, n in PAIR_RELAYS.items() if self._closed(n)]) > 1 and self.place.winding_adapter:
            damping += SHORTED_LINE_NM_S
        # Without an output a supply still blocks: the spin motor coasts.
        sense = self.spin_sense() if supply.on else 0
        hand = self._hand_speed(supply.volts if sense else 0.0)
        return Drive(
            sense=sense,
            volts=supply.volts,
            limit_a=supply.limit_a,
            friction_nm=self.spin.friction_nm
            + (mounted.parts.motor.friction_nm + mounted.brake_nm if coupled else 0.0),
            damping_nm_s=damping,
            inertia_kg_m2=self.spin.inertia_kg_m2 + (make.inertia_kg_m2 if coupled else 0.0),
            hand_w=hand,
        )

    def _hand_speed(self, volts: float) -> float | None:
        """Return the speed that a hand gives the shaft now: none against the brake or a driven spin motor."""
        motion = self.hand_on_shaft
        if motion is None or volts > HAND_YIELDS_V:
            return None
        held = self.mounted.make.brake is not None and not self.mounted.brake_released
        return 0.0 if held else motion.speed(self.now_s + PIECE_S)

    # -- readings --------------------------------------------------------------------------------------------------------

    def measure(self, role: str) -> tuple[float, float]:
        """Return the voltage [V] and current [A] that a supply measures at its own terminals."""
        volts, amperes = {
            "spin_supply": self._spin_reading,
            "sensor_supply": self.sensor_reading,
            "brake_supply": self._brake_reading,
        }[role]()
        noise_v, noise_a = self.rng.normal(0, READING_NOISE, 2)
        return volts + float(noise_v), amperes + float(noise_a)

    def _spin_reading(self) -> tuple[float, float]:
        supply, sense = self.supplies["spin_supply"], self.spin_sense()
        back_v = sense * self.spin.constant_v_s * self.shaft.w
        if not supply.on:
            return max(back_v, 0.0), 0.0
        if not sense:
            return supply.volts, 0.0
        current = self.shaft.current_at(Drive(sense=sense, volts=supply.volts, limit_a=supply.limit_a), self.shaft.w)
        if current >= supply.limit_a:
            return current * self.spin.resistance_ohm + back_v, current
        return max(supply.volts, back_v), current

    def sensor_reading(self) -> tuple[float, float]:
        """Return the sensor supply's own voltage and current."""
        supply = self.supplies["sensor_supply"]
        if not self.place.feedback_adapter:
            return supply.volts, 0.0
        return supply.into_resistance(self.mounted.unit_ohm())

    def _brake_reading(self) -> tuple[float, float]:
        supply, brake = self.supplies["brake_supply"], self.mounted.make.brake
        connected = self._closed(BRAKE_RELAY) and self.place.winding_adapter
        if brake is None or not connected or self.mounted.parts.motor.brake_coil_open:
            return supply.volts, 0.0
        return supply.into_resistance(brake.coil_ohm)

    # -- scope -----------------------------------------------------------------------------------------------------------

    def start_sweep(self, samples: int, interval_s: float) -> None:
        """Start a sweep now; it ends when its length in bench time has passed."""
        self.sweep = Sweep(
            start_s=self.now_s,
            samples=samples,
            interval_s=interval_s,
            rng=np.random.default_rng(int(self.rng.integers(1 << 62))),
            mains_hz=MAINS_HZ,
            mains_phase=2 * math.pi * MAINS_HZ * self.now_s % (2 * math.pi),
            pick_up=10.0 if "strong mains pick-up" in self.faults else 1.0,
            emf_sign=-1.0 if "scope polarity reversed" in self.faults else 1.0,
        )
        self.sweep.history.add(self.now_s, self.shaft.theta, self.shaft.w)
        self.sweep.history.add_body(self.now_s, self.mounted.body)
        self._begin_stretch(self.sweep, self.connection())
        self.sweeping = True

    def _begin_stretch(self, sweep: Sweep, connection: Connection) -> None:
        coupled = "coupling slips" not in self.faults
        sweep.stretches.append(Stretch(self.now_s, connection, self.mounted.parts, self.mounted.seen, coupled))

    def abort_sweep(self) -> None:
        """Stop a running sweep; its samples are lost."""
        if self.sweeping:
            self.sweeping, self.sweep = False, None
            self._tell_waiters()

    def _tell_waiters(self) -> None:
        with self.lock:
            self.lock.notify_all()
