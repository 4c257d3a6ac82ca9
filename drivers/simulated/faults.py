"""Faults by name, in one table: what a motor, a feedback unit or the bench can suffer from.

Motor and unit faults are pure functions from state to state, so a fault can be put on and taken off while the bench
runs. Bench faults are names that the bench and the server ask for.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import partial

from drivers.simulated.truth import LEADS, PAIRS, SENSORS, MotorState, UnitState

ROLES = ("spin supply", "sensor supply", "brake supply", "scope", "switch", "inputs")
RELAYS = {
    "spin_on": 101,
    "spin_reverse": 102,
    "pair_U-V": 111,
    "pair_V-W": 112,
    "pair_W-U": 113,
    "known_source": 141,
    "brake": 151,
}
SHORTED_SHARE = 0.10
WEAK_MAGNET = 0.86
DRAG_NM = 0.35
WRONG_TIMING_DEG_EL = 12.0
DROPPED_LINES = (101, 402, 403, 777)
EXTRA_LINES = (55, 310)


def _weak_magnet(motor: MotorState) -> MotorState:
    u, v, w = motor.shares
    return replace(motor, shares=(u * WEAK_MAGNET, v * WEAK_MAGNET, w * WEAK_MAGNET))


def _leads(order: tuple[str, str, str], motor: MotorState) -> MotorState:
    return replace(motor, leads=order)


def _open_phase(phase: str, motor: MotorState) -> MotorState:
    return replace(motor, open_phase=phase)


def _unbalance(motor: MotorState) -> MotorState:
    u, v, w = motor.shares
    return replace(motor, shares=(u * 0.96, v, w))


def _stuck(lead: str, level: str, unit: UnitState) -> UnitState:
    return replace(unit, stuck={**unit.stuck, lead: level})


def _no_pull_up(sensor: str, unit: UnitState) -> UnitState:
    return replace(unit, no_pull_up=unit.no_pull_up | {sensor})


def _inverted(sensor: str, unit: UnitState) -> UnitState:
    return replace(unit, inverted_wires=unit.inverted_wires ^ {sensor})


def _misplaced(sensor: str, unit: UnitState) -> UnitState:
    moved = unit.placement_deg_el.get(sensor, 0.0) + 10.0
    return replace(unit, placement_deg_el={**unit.placement_deg_el, sensor: moved})


def _chatter(sensor: str, unit: UnitState) -> UnitState:
    return replace(unit, chatter=unit.chatter | {sensor})


def _wrong_timing(unit: UnitState) -> UnitState:
    wrong = {sensor: unit.placement_deg_el.get(sensor, 0.0) + WRONG_TIMING_DEG_EL for sensor in SENSORS}
    return replace(unit, placement_deg_el=wrong)


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: where it lies, what it does in words, and the change it makes where it is in motor or unit."""

    name: str
    text: str
    motor: Callable[[MotorState], MotorState] | None = None
    unit: Callable[[UnitState], UnitState] | None = None

    @property
    def where(self) -> str:
        """Return "motor", "unit" or "bench"."""
        return "motor" if self.motor else "unit" if self.unit else "bench"


def _motor_faults() -> list[Fault]:
    return [
        Fault("weak magnet", f"EMF {WEAK_MAGNET:.0%} of the type's on all pairs", _weak_magnet),
        Fault("shorted turns", f"{SHORTED_SHARE:.0%} of phase U's turns shorted: less EMF, and drag while turning",
              lambda m: replace(m, shorted_share=SHORTED_SHARE)),
        Fault("winding unbalance", "phase U gives 96 % of the EMF of the others", _unbalance),
        *(Fault(f"open phase {p}", f"phase {p} is open", partial(_open_phase, p)) for p in LEADS),
        Fault("leads swapped", "the leads U and V are swapped", partial(_leads, ("V", "U", "W"))),
        Fault("leads rotated", "leads U, V, W come from phases V, W, U", partial(_leads, ("V", "W", "U"))),
        Fault("rough bearing", "bearing friction ten times as high",
              lambda m: replace(m, friction_nm=m.friction_nm * 10)),
        Fault("brake drags", f"the released brake still drags with {DRAG_NM} N m",
              lambda m: replace(m, brake_drag_nm=DRAG_NM)),
        Fault("brake coil open", "the brake's coil is open: it never releases",
              lambda m: replace(m, brake_coil_open=True)),
        Fault("wrong adapter", "the adapter plugged in answers with another type's code",
              lambda m: replace(m, adapter_code=m.adapter_code ^ 1)),
    ]  # fmt: skip


def _sensor_faults(sensor: str) -> list[Fault]:
    return [
        Fault(f"{sensor} dead", f"{sensor} rests low", unit=partial(_stuck, sensor, "low")),
        Fault(f"{sensor} stuck high", f"{sensor} rests high", unit=partial(_stuck, sensor, "high")),
        Fault(f"{sensor} missing pull-up", f"the unit's own pull-up of {sensor} is missing",
              unit=partial(_no_pull_up, sensor)),
        Fault(f"{sensor} inverted", f"{sensor} is wired inverted", unit=partial(_inverted, sensor)),
        Fault(f"{sensor} misplaced", f"{sensor} sits 10 deg_el too far clockwise", unit=partial(_misplaced, sensor)),
        Fault(f"{sensor} complement dead", f"the complement of {sensor} rests low, where outputs are differential",
              unit=partial(_stuck, f"{sensor}-", "low")),
        Fault(f"{sensor} chatters", f"{sensor} switches several times at each edge", unit=partial(_chatter, sensor)),
    ]  # fmt: skip


def _unit_faults() -> list[Fault]:
    return [
        *(fault for sensor in SENSORS for fault in _sensor_faults(sensor)),
        Fault("timing wrong", f"all three sensors {WRONG_TIMING_DEG_EL:g} deg_el too far clockwise", unit=_wrong_timing),
        Fault("sensors swapped", "the leads of H1 and H2 are swapped",
              unit=lambda u: replace(u, wires=("H2", "H1", "H3"))),
        Fault("sensors rotated", "leads H1, H2, H3 come from sensors 2, 3, 1",
              unit=lambda u: replace(u, wires=("H2", "H3", "H1"))),
        Fault("weak low level", "the low level of all sensors stands at 1.9 V", unit=lambda u: replace(u, low_v=1.9)),
        Fault("unit shorted", "the unit draws 5 A more than it should", unit=lambda u: replace(u, extra_current_a=5.0)),
        Fault("encoder drops counts", "damaged lines: some pulses of A are missing in every turn",
              unit=lambda u: replace(u, dropped_lines=frozenset(DROPPED_LINES))),
        Fault("encoder extra counts", "some pulses of A come double in every turn",
              unit=lambda u: replace(u, extra_lines=frozenset(EXTRA_LINES))),
        *(Fault(f"encoder {x} dead", f"{x} rests low", unit=partial(_stuck, x, "low")) for x in ("A", "B", "Z")),
        *(Fault(f"encoder {x} complement dead", f"the complement of {x} rests low, where outputs are differential",
                unit=partial(_stuck, f"{x}-", "low")) for x in ("A", "B", "Z")),
        Fault("A and B swapped", "the leads of A and B are swapped", unit=lambda u: replace(u, swapped_ab=True)),
        Fault("poor quadrature", "B lies 30 deg of a line off its quarter, duty 45 %",
              unit=lambda u: replace(u, quadrature_error_deg=30.0, duty=0.45)),
        Fault("second index", "a second index pulse half a turn from the first",
              unit=lambda u: replace(u, second_index=True)),
        Fault("hub slips", "the hub creeps on the shaft by 0.05 deg_mech a turn",
              unit=lambda u: replace(u, slip_deg_mech_per_turn=0.05)),
    ]  # fmt: skip


def _bench_faults() -> list[Fault]:
    relays = [
        fault
        for name in RELAYS
        for fault in (
            Fault(f"{name} welded", f"the contact of relay {name} stays closed"),
            Fault(f"{name} dead", f"relay {name} does not close"),
        )
    ]
    mirrors = [
        fault
        for pair in PAIRS
        for fault in (
            Fault(f"mirror_{pair} stuck closed", f"the mirror contact of {pair} always says that the relay is open"),
            Fault(f"mirror_{pair} stuck open", f"the mirror contact of {pair} always says that the relay is closed"),
        )
    ]
    links = [
        fault
        for role in ROLES
        for fault in (
            Fault(f"{role} silent", f"the {role} takes commands and does not answer"),
            Fault(f"{role} slow", f"the {role} takes 0.2 s longer for each answer"),
            Fault(f"{role} late reply", f"the {role} gives its next answer only after 3 s, then the fault is over"),
            Fault(f"{role} garbage", f"the {role} answers with bytes that mean nothing"),
            Fault(f"{role} wrong identity", f"another instrument answers in the place of the {role}"),
            Fault(f"{role} cut", f"the {role} closes its connection at the next command"),
            Fault(f"{role} refuses connection", f"nothing listens at the port of the {role}"),
        )
    ]
    return [
        *relays,
        *mirrors,
        *links,
        Fault("scope short block", "the scope's blocks end before their stated length"),
        Fault("scope cut in mid block", "the scope closes its connection half way through a block"),
        Fault("scope never done", "the scope never ends a sweep"),
        Fault("scope polarity reversed", "the scope's channel 1 is connected the wrong way round"),
        *(
            Fault(f"pair_{pair} reversed", f"the path of {pair} to the scope is wired the wrong way round")
            for pair in PAIRS
        ),
        Fault("scope reads no number", "the scope answers its scale query with 9.91E37, which is no number"),
        Fault("supply stuck on", "the spin supply's output stays on when it is switched off"),
        Fault("spin supply reads no number", "the spin supply measures 9.91E37"),
        Fault("sensor supply sags", "the sensor supply gives 20 % less than asked and measures what it gives"),
        Fault("spin motor reversed", "the spin motor is wired the wrong way round: it turns against the command"),
        Fault("spin motor open", "the spin motor's lead is broken"),
        Fault("coupling slips", "the coupling is loose: the motor under test does not turn"),
        Fault("guard chatter", "the drive-end guard's contact opens for 5 ms every 40 ms"),
        Fault("stop circuit open", "the stop circuit reads open"),
        Fault("dead-man failed", "the dead-man relay does not drop when the kicks stop"),
        Fault("overspeed relay failed", "the overspeed relay never acts"),
        Fault("standstill contact stuck", "the standstill contact always says standstill"),
        Fault("strong mains pick-up", "mains pick-up on all channels is ten times as strong"),
    ]


FAULTS: dict[str, Fault] = {f.name: f for f in (*_motor_faults(), *_unit_faults(), *_bench_faults())}
"""All faults by name."""


def check_names(names: Iterable[str], where: tuple[str, ...] = ("motor", "unit", "bench")) -> None:
    """Check fault names.

    Raises
    ------
    ValueError
        A name is unknown or lies elsewhere; says which are allowed.
    """
    for name in names:
        if name not in FAULTS or FAULTS[name].where not in where:
            allowed = ", ".join(n for n, f in FAULTS.items() if f.where in where)
            raise ValueError(f"unknown fault {name!r}; allowed: {allowed}")


def table_text() -> str:
    """Return the table of all faults, one per line, for help texts."""
    width = max(map(len, FAULTS))
    return "\n".join(f"  {f.name:<{width}}  [{f.where}] {f.text}" for f in FAULTS.values())
