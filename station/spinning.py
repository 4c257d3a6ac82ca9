"""Turning the shaft: up to a speed that is verified from the EMF, and back to a standstill that is proven."""

import math
from dataclasses import dataclass, field

import numpy as np

from analysis.mains import mains_rule
from analysis.speed import nearest_speed
from drivers.scope import Capture, CaptureSettings
from station.capturing import acquire, connect, expected_emf_peak_v, settings_for, verified_speed_rpm
from station.exit_codes import RunStopped
from station.motor_type import MotorType
from station.observing import NO_CURRENT_A
from station.supervisor import STANDSTILL_DEADLINE_S, STANDSTILL_HOLD_S, Supervisor
from station.turning_sense import ENCODER, MOST_COUNTS_A_SAMPLE, SENSORS, TurningSense

RPM_TO_RAD_S = 2 * math.pi / 60
RAMP_STEP_V = 1.5
RAMP_TICK_S = 0.1
SETTLE_S = 0.3
SPEED_TOLERANCE = 0.005
"""A verified speed this close to its target is taken."""
MAINS_MARGIN = 1.2
"""The rule is kept with this margin, so that the speed may wander a little during the captures to come."""
SPEED_TRIES = 4
CHECK_CYCLES = 6
CHECK_INTERVAL_S = 1e-4
ENCODER_SAMPLES = 2000
WEAK_EMF = 0.5
"""A trace below this part of what the type gives at the frequency seen is pick-up, not EMF."""
FIRST_SPIN_LIMIT_RPM = 120.0
STANDSTILL_EMF_FRACTION = 0.02
"""EMF that still counts as none: this part of the amplitude the path showed while turning."""


@dataclass(slots=True)
class Spin:
    """The turning shaft of one run.

    `verified` keeps one entry per speed reached, as the record shows it.
    """

    supervisor: Supervisor
    motor_type: MotorType
    direction: str = ""
    target_rpm: float = 0.0
    speed_rpm: float | None = None
    voltage_v: float = 0.0
    group: str = "sensors"
    duration_s: float = 1.0
    verified: list[dict[str, object]] = field(default_factory=list)
    drag_current_a: dict[tuple[str, float], list[float]] = field(default_factory=dict)
    """Readings of the spin supply by direction and speed [rpm], one when it was reached and one for each capture."""
    sense: TurningSense = field(init=False)
    _last_look: Capture | None = None

    def __post_init__(self) -> None:
        """Begin with nothing known of the direction."""
        self.sense = TurningSense(self.motor_type)

    def to(self, direction: str, target_rpm: float, pair: str, duration_s: float, *, first: bool = False) -> None:
        """Turn in one direction at the speed nearest the target that keeps mains lines out of the result.

        Parameters
        ----------
        duration_s
            Length of the captures to come [s]; the mains rule depends on it.
        first
            The first powered spin of a run: slow, and its EMF, direction and current are checked before more speed.

        Raises
        ------
        RunStopped
            The expected EMF is over a limit, the speed is not reached, or the EMF and direction are not as expected.
        """
        speed_rpm = nearest_speed(target_rpm, self.motor_type.pole_pairs, self.supervisor.bench.file.mains, duration_s)
        self.duration_s = duration_s
        if self.direction and self.direction != direction:
            self.stop()
        if self.direction == direction and math.isclose(speed_rpm, self.target_rpm):
            return
        self._refuse_over_limits(speed_rpm)
        if not self.direction:
            self._start(direction, pair)
        self.target_rpm = speed_rpm
        self._ramp(self._voltage_for(speed_rpm))
        self._settle(speed_rpm, pair)
        if first:
            self._check_first_spin(pair)

    def stop(self) -> None:
        """Switch the spin supply off and prove standstill; other outputs stay as they are."""
        if not self.direction:
            return
        supervisor, bench = self.supervisor, self.supervisor.bench
        self.let_go()
        self.sense.forget()
        self.prove_standstill()
        bench.switch.open("spin_on")
        bench.switch.open("spin_reverse")
        supervisor.commanded.coasting = False
        supervisor.stopped_turning()
        self.direction, self.target_rpm, self.speed_rpm, self.voltage_v = "", 0.0, None, 0.0

    def note_current(self, current_a: float) -> None:
        """Keep a reading of the spin supply at the speed that was reached."""
        self.drag_current_a.setdefault((self.direction, self.target_rpm), []).append(current_a)

    def let_go(self) -> None:
        """Switch the spin supply off: the shaft runs out by itself, and stays watched as turning."""
        self.supervisor.bench.spin_supply.switch_off()
        self.supervisor.commanded.not_driven()
        self.supervisor.commanded.coasting = True

    def prove_standstill(self) -> None:
        """Wait until nothing shows motion: relay, spin current, EMF on a path that showed it, and sensor edges.

        Raises
        ------
        RunStopped
            Signs of motion remain after the deadline.
        """
        supervisor = self.supervisor
        if not supervisor.wait_until(self._signs_of_rest, STANDSTILL_DEADLINE_S):
            raise RunStopped(f"standstill not proven within {STANDSTILL_DEADLINE_S:g} s: the shaft may still turn")
        settings = self._check_settings(STANDSTILL_HOLD_S, self.supervisor.commanded.pair)
        capture = acquire(supervisor, settings)
        emf = capture.waveforms[0].volts()
        limit_v = max(
            STANDSTILL_EMF_FRACTION * expected_emf_peak_v(self.motor_type, 1000.0),
            4 * abs(capture.waveforms[0].scale_v),
        )
        if float(np.ptp(emf)) > limit_v or any(_moves(w.counts) for w in capture.waveforms[1:]):
            supervisor.doubt_standstill()
            raise RunStopped("standstill not proven: EMF or sensor edges show that the shaft still moves")

    def _signs_of_rest(self) -> bool:
        supervisor = self.supervisor
        _, current_a = supervisor.bench.spin_supply.measure()
        return bool(supervisor.seen.get("standstill")) and abs(current_a) < NO_CURRENT_A

    # -- getting up to speed -----------------------------------------------------------------------------------------

    def _refuse_over_limits(self, speed_rpm: float) -> None:
        bench, peak_v = self.supervisor.bench.file, expected_emf_peak_v(self.motor_type, speed_rpm)
        allowed_v = min(bench.limits.emf, bench.probe.rating)
        if peak_v > allowed_v:
            raise RunStopped(
                f"{speed_rpm:.0f} rpm would give {peak_v:.0f} V peak of EMF; allowed: {allowed_v:.0f} V on this bench"
            )
        if speed_rpm > bench.limits.speed:
            raise RunStopped(
                f"{speed_rpm:.0f} rpm is over this bench's limit; allowed: {bench.limits.speed:.0f} rpm or less"
            )

    def _start(self, direction: str, pair: str) -> None:
        supervisor, bench = self.supervisor, self.supervisor.bench
        supervisor.start()
        connect(supervisor, self.group, pair)
        if direction == "CCW":
            bench.switch.close("spin_reverse", supervisor.permit("switch"))
        spin = bench.file.spin_motor
        bench.spin_supply.configure(0.0, spin.max_current, bench.file.limits.spin_voltage)
        supervisor.turning()
        bench.switch.close("spin_on", supervisor.permit("switch"))
        bench.spin_supply.switch_on(supervisor.permit("spin supply"))
        supervisor.commanded.spin_on = True
        self.direction = direction
        supervisor.commanded.direction = self.sign
        supervisor.wait(RAMP_TICK_S)

    def note_direction(self, capture: Capture) -> None:
        """Let a capture of the driven shaft say which way it turns; a wrong way trips at once.

        Raises
        ------
        Tripped
            All that was seen, or what a hand turn has proved, says that the shaft turns against the asked direction.
        """
        self.sense.note(capture, self.target_rpm)
        if doubted := self.sense.doubted(self.sign):
            # Its leads may be swapped, so the other witness is asked before a motor is blamed on the bench.
            self._ask(ENCODER if doubted == SENSORS else SENSORS)
        agrees = self.sense.agrees(self.sign)
        commanded = self.supervisor.commanded
        commanded.direction_agrees = agrees
        if agrees is False:
            commanded.words["direction_agrees"] = self.sense.words(self.direction)
            self.supervisor.look()

    @property
    def sign(self) -> int:
        """+1 clockwise, -1 counter-clockwise, 0 at standstill."""
        return {"CW": 1, "CCW": -1}.get(self.direction, 0)

    def _ask(self, witness: str) -> None:
        """Take a short capture of what else can tell the direction, where the bench has it wired."""
        group, pair = "encoder" if witness == ENCODER else "sensors", self.supervisor.commanded.pair
        if f"group_{group}" not in self.supervisor.bench.file.switch.relays:
            return
        speed_rpm = max(self.target_rpm, 1.0)
        if witness == ENCODER:
            interval_s = 60 / (4 * self.motor_type.encoder.lines * speed_rpm) * MOST_COUNTS_A_SAMPLE / 2
            duration_s = ENCODER_SAMPLES * interval_s
        else:
            interval_s = CHECK_INTERVAL_S
            duration_s = CHECK_CYCLES * 60 / (speed_rpm * self.motor_type.pole_pairs)
        connect(self.supervisor, group, pair)
        settings = settings_for(self.motor_type, group, pair, speed_rpm, duration_s, interval_s)
        self.sense.note(acquire(self.supervisor, settings), speed_rpm)
        connect(self.supervisor, self.group, pair)

    def _voltage_for(self, speed_rpm: float) -> float:
        """Supply voltage that should give a speed: back-EMF plus the drop of the present current [V]."""
        bench = self.supervisor.bench
        _, current_a = bench.spin_supply.measure()
        spin = bench.file.spin_motor
        return speed_rpm * RPM_TO_RAD_S * spin.constant + current_a * spin.resistance

    def _ramp(self, voltage_v: float) -> None:
        supervisor = self.supervisor
        limit_v = supervisor.bench.file.limits.spin_voltage
        voltage_v = min(max(voltage_v, 0.0), limit_v)
        while abs(voltage_v - self.voltage_v) > 1e-6:
            change_v = max(-RAMP_STEP_V, min(RAMP_STEP_V, voltage_v - self.voltage_v))
            self.voltage_v += change_v
            supervisor.bench.spin_supply.set_voltage(self.voltage_v, supervisor.permit("spin supply"))
            supervisor.wait(RAMP_TICK_S)

    def _settle(self, speed_rpm: float, pair: str) -> None:
        """Trim the voltage until the EMF's frequency says the speed is right and the mains rule holds."""
        supervisor, poles = self.supervisor, self.motor_type.pole_pairs
        mains_hz = supervisor.bench.file.mains
        measured = None
        for _ in range(SPEED_TRIES):
            supervisor.wait(SETTLE_S)
            measured = self._measure_speed(pair)
            spin_k = supervisor.bench.file.spin_motor.constant
            seen_rpm = abs(measured if measured is not None else float(supervisor.seen.get("spin_speed_rpm") or 0.0))
            close = abs(seen_rpm - speed_rpm) <= SPEED_TOLERANCE * speed_rpm
            if close and mains_rule(seen_rpm / 60 * poles, mains_hz, self.duration_s / MAINS_MARGIN):
                break
            self._ramp(self.voltage_v + (speed_rpm - seen_rpm) * RPM_TO_RAD_S * spin_k)
        _, current_a = supervisor.bench.spin_supply.measure()
        self.speed_rpm = measured
        self.note_current(current_a)
        self.verified.append(
            {
                "target_rpm": round(speed_rpm, 3),
                "commanded_v": round(self.voltage_v, 4),
                "verified_rpm": None if measured is None else round(measured, 3),
                "direction": self.direction,
            }
        )

    def _check_settings(self, duration_s: float, pair: str | None) -> CaptureSettings:
        return settings_for(self.motor_type, self.group, pair, self.target_rpm, duration_s, CHECK_INTERVAL_S)

    def _measure_speed(self, pair: str) -> float | None:
        supervisor, poles = self.supervisor, self.motor_type.pole_pairs
        connect(supervisor, self.group, supervisor.commanded.pair or pair)
        duration_s = CHECK_CYCLES * 60 / (max(self.target_rpm, 1.0) * poles)
        capture = acquire(supervisor, self._check_settings(duration_s, supervisor.commanded.pair))
        self.note_direction(capture)
        speed_rpm = verified_speed_rpm(capture, poles)
        # Pick-up from the mains has a frequency too; only a trace of the right size is EMF.
        amplitude_v = float(np.ptp(capture.waveforms[0].volts())) / 2
        if speed_rpm is None or amplitude_v < WEAK_EMF * expected_emf_peak_v(self.motor_type, speed_rpm):
            return None
        supervisor.commanded.turning_seen = True
        return speed_rpm

    def _check_first_spin(self, pair: str) -> None:
        """Before speed rises: EMF must be there, and the current must not say that something holds the shaft."""
        if self.speed_rpm is None:
            raise RunStopped(
                f"no EMF on {pair} at {self.target_rpm:.0f} rpm: open winding, wrong adapter, or the shaft does not turn"
            )
        spin_rpm = abs(float(self.supervisor.seen.get("spin_speed_rpm") or 0.0))
        if abs(spin_rpm - self.speed_rpm) > 0.25 * self.speed_rpm:
            raise RunStopped(
                f"the EMF says {self.speed_rpm:.1f} rpm and the spin motor {spin_rpm:.1f} rpm; allowed: within 25 %, "
                "so check pole pairs, coupling and adapter"
            )


def _moves(counts: np.ndarray) -> bool:
    """Say whether a logic channel changes level: two clusters half a supply apart, not noise."""
    return int(np.ptp(counts)) > 0.3 * (np.iinfo(counts.dtype).max - np.iinfo(counts.dtype).min) / 2
