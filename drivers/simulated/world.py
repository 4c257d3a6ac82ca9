"""The bench as one model: time, the motor on it, supplies, relays, hardwired safety, hands, and the scope's sweep.

All state changes happen under `World.lock`. Bench time moves only in `advance`.
"""

import math
import threading
from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np

from drivers.simulated.electrics import Electrics, Place
from drivers.simulated.event_log import EventLog
from drivers.simulated.faults import FAULTS, check_names
from drivers.simulated.hands import Motion
from drivers.simulated.motor_file import SimulatedMotor
from drivers.simulated.mounted import Mounted
from drivers.simulated.shaft import Drive, Shaft, ripple_table
from drivers.simulated.sweep import Stretch, Sweep
from drivers.simulated.wiring import KICK, PAIR_RELAYS, RELAY_NAMES, Connection

COARSE_STEP_S, FINE_STEP_S, PIECE_S = 2.5e-3, 0.5e-3, 0.01
MAINS_HZ = 50.0
READING_NOISE = 0.001
HAND_YIELDS_V = 1.0


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
    log_path
        File for the event log.
    """

    def __init__(
        self,
        motors: Mapping[str, SimulatedMotor],
        *,
        seed: int = 0,
        faults: Iterable[str] = (),
        log_path: Path | None = None,
    ) -> None:
        self.lock = threading.Condition(threading.RLock())
        self.motors = motors
        self.rng = np.random.default_rng(seed)
        self.now_s = 0.0
        self.log = EventLog(log_path)
        self._truths: dict[str, bool | int] = {}
        self._spoiled: set[str] = set()
        self.faults: dict[str, bool] = {}
        self.electrics = Electrics(self.faults)
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
        spin = self.electrics.spin
        orders = (*spin.cogging, *motor.make.cogging)
        self.shaft = Shaft(spin, ripple_table(orders, self.rng), float(self.rng.uniform(0, 2 * math.pi)))
        self.mounted = Mounted(motor, list(self.faults))
        self.mounted.follow(self.shaft.theta)
        self.electrics.place = Place(motor_clamp=True, winding_adapter=True, feedback_adapter=True)
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
        self._spoiled.discard(name)
        if on:
            self.faults[name] = True
        else:
            self.faults.pop(name, None)
        self.electrics.follow_faults()
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
        if not self.electrics.relays.command(number, closed):
            return
        if number == KICK:
            self.electrics.safety.kick(self.now_s)
        else:
            self.note(f"relay {RELAY_NAMES[number]}", closed)
        self.changed()

    def switch_output(self, role: str, *, on: bool) -> None:
        """Switch a supply's output."""
        supply = self.electrics.supplies[role]
        if supply.commanded is not on:
            supply.switch(on=on)
            self.note(f"{supply.role} output", on)
        self.settings_changed(role)

    def settings_changed(self, role: str) -> None:
        """Let a supply and all behind it follow its settings."""
        supply = self.electrics.supplies[role]
        if supply.protect():
            self.note(f"{supply.role} overvoltage protection", value=True)
        if supply.on:
            self.note(f"{supply.role} voltage", supply.set_v)
        self.changed()

    def changed(self) -> None:
        """Let everything that acts at once follow a change."""
        self.mounted.brake_coil(self.electrics.coil_v(self.mounted), self.now_s)
        self._watch()
        connection = self.electrics.connection(self.mounted)
        if self.mounted.overstressed(connection.unit_v) and not self.mounted.damaged:
            self.mounted.damaged = True
            self.note("feedback unit destroyed by overvoltage", connection.unit_v)
        if self.sweep is not None and self.sweeping:
            last = self.sweep.stretches[-1]
            if last.connection != connection or last.parts is not self.mounted.parts:
                self._begin_stretch(self.sweep, connection)

    def _watch(self) -> None:
        for name, state in self.electrics.watch(self.now_s, self.shaft.rpm):
            self.note(name, state)
            if name == "deadman_ok" and not state:
                self.note("last kick", self.electrics.safety.kicked_s)
        truths = self.electrics.truths(self.mounted)
        for name in [name for name, state in truths.items() if self._truths.get(name) != state]:
            self.note(name, truths[name])
        self._truths = truths

    def note_spoiled(self, name: str) -> None:
        """Note the first reply that a fault spoiled since it is on."""
        if name not in self._spoiled:
            self._spoiled.add(name)
            self.note("reply spoiled", name)

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
        times = [self.electrics.safety.next_deadline_s(self.now_s), self.mounted.brake_deadline_s()]
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

    def _drive(self) -> Drive:
        drive = self.electrics.drive(self.mounted)
        drive.hand_w = self._hand_speed(drive.volts if drive.sense else 0.0)
        return drive

    def _hand_speed(self, volts: float) -> float | None:
        """Return the speed that a hand gives the shaft now: none against the brake or a driven spin motor."""
        motion = self.hand_on_shaft
        if motion is None or volts > HAND_YIELDS_V:
            return None
        held = self.mounted.make.brake is not None and not self.mounted.brake_released
        return 0.0 if held else motion.speed(self.now_s + PIECE_S)

    def measure(self, role: str) -> tuple[float, float]:
        """Return the voltage [V] and current [A] that a supply measures at its own terminals, with its noise."""
        volts, amperes = self.electrics.reading(role, self.mounted, self.shaft)
        noise_v, noise_a = self.rng.normal(0, READING_NOISE, 2)
        return volts + float(noise_v), amperes + float(noise_a)

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
            reversed_pairs=frozenset(pair for pair in PAIR_RELAYS if f"pair_{pair} reversed" in self.faults),
        )
        self.sweep.history.add(self.now_s, self.shaft.theta, self.shaft.w)
        self.sweep.history.add_body(self.now_s, self.mounted.body)
        self._begin_stretch(self.sweep, self.electrics.connection(self.mounted))
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
