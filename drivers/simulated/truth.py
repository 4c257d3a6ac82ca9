"""The truth about simulated motors: what a motor type is like, and what is particular to one motor and one unit.

Angles follow the house convention: positive clockwise as seen facing the drive end; electrical = pole pairs x
mechanical; theta = 0 where the U phase EMF crosses zero going up in clockwise rotation. The zero of a winding pair lies
at `PAIR_ZERO_DEG_EL`.
"""

import math
from dataclasses import dataclass, field
from enum import Enum

PAIRS = ("U-V", "V-W", "W-U")
SENSORS = ("H1", "H2", "H3")
LEADS = ("U", "V", "W")
PAIR_ZERO_DEG_EL = {"U-V": -30.0, "V-W": 90.0, "W-U": 210.0}
V_PER_KRPM = 60 / (2 * math.pi * 1000)
"""One volt per 1000 rpm in V s/rad."""


class Output(Enum):
    """How a sensor drives its lead."""

    OPEN_COLLECTOR = "open collector"
    INTERNAL_PULL_UP = "internal pull-up"
    PUSH_PULL = "push-pull"
    DIFFERENTIAL = "differential"


@dataclass(frozen=True, slots=True)
class Harmonic:
    """One harmonic of the phase EMF: order, share of the fundamental, phase psi."""

    order: int
    share: float
    psi_deg: float


@dataclass(frozen=True, slots=True)
class Brake:
    """Spring-applied holding brake, released by its coil."""

    voltage_v: float
    current_a: float
    hold_nm: float
    release_s: float = 0.06
    engage_s: float = 0.03

    @property
    def coil_ohm(self) -> float:
        """Resistance of the coil."""
        return self.voltage_v / self.current_a


@dataclass(frozen=True, slots=True)
class SensorMake:
    """How the three commutation sensors of a type are made."""

    supply_v: float
    current_a: float
    output: Output
    pairs: dict[str, str]
    inverted: bool
    pull_up_ohm: float = 4700.0
    line_f: float = 400e-12
    low_v: float = 0.25
    swing_loss_v: float = 0.0


@dataclass(frozen=True, slots=True)
class EncoderMake:
    """How the incremental encoder of a type is made; `index_deg_el` is from the rising zero of U-V going clockwise."""

    lines: int
    index_deg_el: float = 0.0
    index_width_lines: float = 1.0
    differential: bool = False


@dataclass(frozen=True, slots=True)
class MotorMake:
    """A motor type as physics.

    `emf_v_per_krpm` is rms, line to line, of the fundamental; `cogging` holds (order per turn, peak torque [N m]).
    """

    name: str
    adapter_code: int
    pole_pairs: int
    emf_v_per_krpm: float
    line_resistance_ohm: float
    inertia_kg_m2: float
    friction_nm: float
    drag_nm_s: float
    sensors: SensorMake
    encoder: EncoderMake
    harmonics: tuple[Harmonic, ...] = ()
    cogging: tuple[tuple[int, float], ...] = ()
    brake: Brake | None = None

    @property
    def flux_linkage_v_s(self) -> float:
        """Peak flux linkage of one phase: line rms constant / P x sqrt(2/3)."""
        return self.emf_v_per_krpm * V_PER_KRPM * math.sqrt(2 / 3) / self.pole_pairs


@dataclass(frozen=True, slots=True)
class MotorState:
    """What is particular to one motor, its feedback unit apart.

    `leads` says which phase each of the terminals U, V, W really leads to; `shares` scales each phase's EMF.
    """

    make: MotorMake
    leads: tuple[str, str, str] = LEADS
    shares: tuple[float, float, float] = (1.0, 1.0, 1.0)
    shorted_share: float = 0.0
    open_phase: str | None = None
    friction_nm: float = 0.0
    brake_drag_nm: float = 0.0
    brake_coil_open: bool = False
    adapter_code: int = 0


@dataclass(frozen=True, slots=True)
class UnitState:
    """What is particular to one feedback unit.

    Attributes
    ----------
    body_deg_mech
        Where its body sits on the motor, clockwise from the drive end, 0 = timing of the three sensors exact.
    placement_deg_el
        Error of each sensor's place; `edges_deg_el[sensor]` adds to each of its 2P edges, rising first.
    wires
        Which sensor each of the leads H1, H2, H3 comes from; `swapped_ab` swaps the leads of A and B.
    stuck
        Sensor or encoder lead that rests at "low" or "high"; a complement (`A-`) at "low".
    """

    body_deg_mech: float = 0.0
    placement_deg_el: dict[str, float] = field(default_factory=dict)
    edges_deg_el: dict[str, tuple[float, ...]] = field(default_factory=dict)
    hysteresis_deg_el: float = 2.0
    delay_s: float = 3e-6
    jitter_s: float = 0.2e-6
    wires: tuple[str, str, str] = SENSORS
    inverted_wires: frozenset[str] = frozenset()
    stuck: dict[str, str] = field(default_factory=dict)
    no_pull_up: frozenset[str] = frozenset()
    low_v: float | None = None
    chatter: frozenset[str] = frozenset()
    extra_current_a: float = 0.0
    quadrature_error_deg: float = 0.0
    duty: float = 0.5
    swapped_ab: bool = False
    dropped_lines: frozenset[int] = frozenset()
    extra_lines: frozenset[int] = frozenset()
    index_error_deg_el: float = 0.0
    second_index: bool = False
    slip_deg_mech_per_turn: float = 0.0
