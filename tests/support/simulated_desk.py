"""An in-process simulated bench for tests: ideal motors made here, and a desk that speaks SCPI to the instruments."""

import json
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.assembly import build_instruments, identity
from drivers.simulated.control_instrument import control_instrument
from drivers.simulated.motor_file import SimulatedMotor
from drivers.simulated.truth import Brake, EncoderMake, MotorMake, MotorState, Output, SensorMake, UnitState
from drivers.simulated.world import World

SCALE_V = {1: 80.0, 2: 8.0, 3: 8.0, 4: 8.0}


def ideal_make(**changes: Any) -> MotorMake:
    """A motor without harmonics, cogging or brake: P = 4, 50 V/krpm, open collector sensors, 2048 lines."""
    make = MotorMake(
        name="ideal",
        adapter_code=7,
        pole_pairs=4,
        emf_v_per_krpm=50.0,
        line_resistance_ohm=1.9,
        inertia_kg_m2=4e-4,
        friction_nm=0.02,
        drag_nm_s=1e-4,
        sensors=SensorMake(5.0, 0.06, Output.OPEN_COLLECTOR, {"H1": "U-V", "H2": "V-W", "H3": "W-U"}, inverted=False),
        encoder=EncoderMake(2048),
    )
    return replace(make, **changes)


def with_output(output: Output, supply_v: float = 5.0) -> SensorMake:
    """Sensors of another kind of output."""
    return replace(ideal_make().sensors, output=output, supply_v=supply_v)


def braked_make() -> MotorMake:
    """The ideal motor with a brake of 24 V, 0.6 A."""
    return ideal_make(brake=Brake(24.0, 0.6, 4.0))


def ideal_motor(make: MotorMake | None = None, unit: UnitState | None = None, **state: Any) -> SimulatedMotor:
    """A motor with an exact unit (no hysteresis, no delay) unless told otherwise."""
    make = make or ideal_make()
    unit = unit or UnitState(hysteresis_deg_el=0.0, delay_s=0.0, jitter_s=0.0)
    motor = MotorState(make, friction_nm=make.friction_nm, adapter_code=make.adapter_code)
    return SimulatedMotor("S-1", make, replace(motor, **state), unit, replace(unit, body_deg_mech=5.0))


class Desk:
    """The instruments of one world, with the habits of a careful operator."""

    def __init__(self, *motors: SimulatedMotor, seed: int = 0, faults: tuple[str, ...] = ()) -> None:
        found = motors or (ideal_motor(),)
        self.world = World({m.serial: m for m in found}, seed=seed, faults=faults)
        self.instruments = build_instruments(self.world)
        self.instruments["simulation"] = control_instrument(self.world, identity("control", "SIM-CONTROL"), "stepped")
        self._kick = False

    def send(self, role: str, line: str) -> str:
        """Send one line and return the reply as text."""
        return self.instruments[role].execute(line).decode("latin-1").rstrip("\n")

    def error(self, role: str) -> str:
        """Take one entry out of an error queue."""
        return self.send(role, "SYST:ERR?")

    def hands(self, action: str, value: float | str | None = None) -> None:
        """Let the hands do something."""
        self.send("simulation", f'SIM:HAND "{action}"' + ("" if value is None else f',"{value}"'))

    def kick(self) -> None:
        """Kick the dead-man relay."""
        self._kick = not self._kick
        self.send("switch", f"ROUT:{'CLOS' if self._kick else 'OPEN'} (@161)")

    def wait(self, seconds: float) -> None:
        """Let bench time pass, kicking every 100 ms."""
        while seconds > 1e-9:
            self.kick()
            self.send("simulation", f"SIM:CLOC:ADV? {min(0.1, seconds)}")
            seconds -= 0.1

    def state(self) -> dict[str, Any]:
        """The truth."""
        text = self.send("simulation", "SIM:STAT?")
        found: dict[str, Any] = json.loads(text[2 + int(text[1]) :])
        return found

    def log(self) -> list[dict[str, Any]]:
        """The event log."""
        text = self.send("simulation", "SIM:LOG? 0")
        found: list[dict[str, Any]] = json.loads(text[2 + int(text[1]) :])
        return found

    def power_sensors(self, volts: float = 5.0, limit_a: float = 0.5) -> None:
        """Sensor supply on, bench pull-ups in."""
        self.send("sensor_supply", f"VOLT {volts};CURR {limit_a};:OUTP ON")
        self.send("switch", "ROUT:CLOS (@131,132,133)")

    def spin(self, volts: float, *, ccw: bool = False, settle_s: float = 1.5, limit_a: float = 10.0) -> None:
        """Close the guards and turn the shaft at about 38 rpm a volt."""
        self.hands("close guards")
        self.kick()
        self.send("switch", f"ROUT:{'CLOS' if ccw else 'OPEN'} (@102)")
        self.send("switch", "ROUT:CLOS (@101)")
        self.send("spin_supply", f"VOLT {volts};CURR {limit_a};:OUTP ON")
        self.wait(settle_s)

    def rest(self) -> None:
        """Switch the spin supply off and wait for standstill."""
        self.send("spin_supply", "OUTP OFF")
        self.wait(4.0)

    def connect(self, pair: str | None, group: str | None) -> None:
        """Connect one winding pair and one signal group."""
        self.send("switch", "ROUT:OPEN (@111:113,121:125)")
        wanted = [{"U-V": 111, "V-W": 112, "W-U": 113}[pair]] if pair else []
        groups = ("sensors", "encoder", "encoder-sensor", "complements-sensors", "complements-encoder")
        wanted += [121 + groups.index(group)] if group else []
        for number in wanted:
            self.send("switch", f"ROUT:CLOS (@{number})")

    def sweep(self, samples: int, interval_s: float) -> None:
        """Take one sweep at standard ranges and wait for its end."""
        for channel, range_v in SCALE_V.items():
            middle_v = 0.0 if channel == 1 else 2.5
            self.send("scope", f"SENS{channel}:VOLT:RANG {range_v};OFFS {middle_v}")
        self.send("scope", f"SENS:SWE:POIN {samples};TINT {interval_s};:FORM:DATA INT,8;:INIT")
        self.wait(samples * interval_s)

    def volts(self, channel: int) -> NDArray[np.float64]:
        """Read one channel of the last sweep [V]."""
        raw = self.instruments["scope"].execute(f"TRAC:DATA? CH{channel}")
        counts = np.frombuffer(raw[2 + int(raw[1:2]) : -1], np.int8).astype(np.float64)
        scale = float(self.send("scope", f"SENS{channel}:VOLT:SCAL?"))
        return counts * scale + float(self.send("scope", f"SENS{channel}:VOLT:OFFS?"))

    def logic(self, *channels: int) -> NDArray[np.bool_]:
        """Read logic channels, shape (channels, samples), high above 2.5 V."""
        return np.array([self.volts(channel) > 2.5 for channel in channels])


def order_of_states(bits: NDArray[np.bool_]) -> list[str]:
    """The states of several logic channels in the order in which they come, repeats left out."""
    words = ["".join("1" if bit else "0" for bit in column) for column in bits.T]
    return [word for i, word in enumerate(words) if i == 0 or word != words[i - 1]]


def rising(values: NDArray[Any], level: float = 0.0) -> NDArray[np.float64]:
    """Where a clean trace rises through a level, in samples."""
    above = values > level
    return np.flatnonzero(~above[:-1] & above[1:]) + 0.5


def rising_zeros(emf: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where a noisy EMF rises through zero, in samples: the scope's offset taken off by the height of the
    two half waves, then zeros of the mean over 101 samples, far from each other.
    """
    smooth = np.convolve(emf, np.full(101, 1 / 101), mode="valid")
    smooth -= (smooth.max() + smooth.min()) / 2
    at = rising(smooth) + 50
    return at[np.concatenate([[True], np.diff(at) > 200])]
