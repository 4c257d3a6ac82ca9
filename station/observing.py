"""What the station sees of the bench at one moment, by the names that the interlock table uses."""

from dataclasses import dataclass, field

from drivers.bench import Bench

PAIRS = ("U-V", "V-W", "W-U")
NO_CURRENT_A = 0.05
"""Spin current below this is none."""
SURELY_TURNING_RPM = 30.0


@dataclass(slots=True)
class Commanded:
    """What the station has asked the bench for; an observation is judged against it."""

    adapter_code: int | None = None
    brake_fitted: bool = False
    emf_peak_v_per_krpm: float | None = None
    direction: int = 0
    spin_on: bool = False
    sensor_on: bool = False
    brake_on: bool = False
    pair: str | None = None
    coasting: bool = False
    """The spin supply was switched off and standstill is not proven yet."""
    turning_seen: bool = False
    """The EMF has shown that the driven shaft turns."""
    direction_agrees: bool | None = None
    """What sensors or encoder said of the direction since the spin supply went on; None where they said nothing."""
    words: dict[str, str] = field(default_factory=dict)
    """By watched name, what a person should know beside the state that broke the row."""

    def at_rest(self) -> None:
        """Forget every output: all are off."""
        self.not_driven()
        self.coasting = False
        self.sensor_on, self.brake_on, self.pair = False, False, None

    def not_driven(self) -> None:
        """Forget what holds while the spin supply is on."""
        self.spin_on, self.direction, self.turning_seen, self.direction_agrees = False, 0, False, None
        self.words.clear()


def observe(bench: Bench, commanded: Commanded) -> dict[str, bool | float | None]:
    """Read inputs and the supplies that are on.

    A supply that is off has no current worth judging, so its values are None; the table says where silence counts.
    """
    bench.demand_links()
    seen: dict[str, bool | float | None] = dict(bench.inputs.read())
    seen["mirror_fault"] = _mirror_fault(seen, commanded.pair)
    # A fault of either kind comes as an exception and trips by its own row; a look that ends has seen none.
    seen["instruments_answer"] = seen["commands_obeyed"] = True
    if commanded.adapter_code is not None:
        seen["adapter_matches"] = seen.get("adapter_code") == commanded.adapter_code
    if commanded.spin_on:
        voltage_v, current_a = bench.spin_supply.measure()
        seen["spin_voltage_v"], seen["spin_current_a"] = voltage_v, current_a
        speed_rpm = spin_speed_rpm(bench, voltage_v, current_a, commanded.direction)
        seen["spin_speed_rpm"] = speed_rpm
        seen["direction_agrees"] = commanded.direction_agrees
        # A broken lead to the spin motor would show a speed too, but draws no current.
        driven = abs(speed_rpm) > SURELY_TURNING_RPM and abs(current_a) > NO_CURRENT_A
        seen["standstill_plausible"] = not ((commanded.turning_seen or driven) and bool(seen.get("standstill")))
        if commanded.emf_peak_v_per_krpm is not None:
            seen["emf_peak_v"] = commanded.emf_peak_v_per_krpm * abs(speed_rpm) / 1000
    elif commanded.coasting:
        _, current_a = bench.spin_supply.measure()
        seen["spin_current_gone"] = abs(current_a) < NO_CURRENT_A
    if commanded.sensor_on:
        seen["sensor_voltage_v"], seen["sensor_current_a"] = bench.sensor_supply.measure()
    if commanded.brake_on and bench.brake_supply is not None:
        _, seen["brake_current_a"] = bench.brake_supply.measure()
    return seen


def spin_speed_rpm(bench: Bench, voltage_v: float, current_a: float, direction: int) -> float:
    """Speed of the spin motor from its back-EMF, (V - R I)/k [rpm], positive clockwise seen from the drive end."""
    spin = bench.file.spin_motor
    rad_s = (voltage_v - spin.resistance * current_a) / spin.constant
    return direction * rad_s * 60 / (2 * 3.141592653589793)


def _mirror_fault(seen: dict[str, bool | float | None], pair: str | None) -> bool:
    """Compare mirrors with the command: each is closed exactly while its main contact is open."""
    return any(bool(seen.get(f"mirror_{p}")) == (p == pair) for p in PAIRS)
