"""Read a file of simulated motors: the physics of their types, and the state of each motor and unit.

Every quantity in the file carries its unit. All problems are reported in one go, with file, line and column.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from drivers.simulated.faults import FAULTS, check_names
from drivers.simulated.truth import (
    PAIRS,
    SENSORS,
    Brake,
    EncoderMake,
    Harmonic,
    MotorMake,
    MotorState,
    Output,
    SensorMake,
    UnitState,
)
from safety.strict_yaml import Document, Problem, YamlError, read_file

Path_ = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class SimulatedMotor:
    """One motor of the file: serial, type, state, the unit it came with and the one that will be fitted."""

    serial: str
    make: MotorMake
    motor: MotorState
    received: UnitState
    new_unit: UnitState


class _Reader:
    """Takes values out of one document and gathers what is wrong with them."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.problems: list[Problem] = []

    def complain(self, path: Path_, what: str, allowed: str) -> None:
        self.problems.append(self.document.problem(path, what, allowed))

    def mapping(self, value: Any, path: Path_, keys: Sequence[str] | None) -> dict[str, Any]:
        if not isinstance(value, dict):
            self.complain(path, f"{value!r} is no mapping", "keys with values")
            return {}
        for key in value:
            if keys is not None and key not in keys:
                self.complain((*path, key), f"unknown key {key!r}", ", ".join(keys))
        return value

    def sequence(self, node: Mapping[str, Any], key: str, path: Path_) -> list[Any]:
        value = node.get(key, [])
        if not isinstance(value, list):
            self.complain((*path, key), f"{value!r} is no list", "a list")
            return []
        return value

    def quantity(
        self, node: Mapping[str, Any], key: str, path: Path_, unit: str, default: float | None = None
    ) -> float:
        value = node.get(key)
        if value is None and default is not None:
            return default
        found = re.fullmatch(r"([+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?) ?(.*)", value) if isinstance(value, str) else None
        if found is None or found.group(2) != unit:
            self.complain((*path, key), f"{key} is {value!r}", f"a number and the unit, as in '1.5 {unit}'")
            return default or 0.0
        return float(found.group(1))

    def whole(self, node: Mapping[str, Any], key: str, path: Path_) -> int:
        value = node.get(key)
        if isinstance(value, bool) or not isinstance(value, int) or value < 1:
            self.complain((*path, key), f"{key} is {value!r}", "a whole number from 1")
            return 1
        return value

    def word(self, node: Mapping[str, Any], key: str, path: Path_, allowed: Sequence[str] = ()) -> str:
        value = node.get(key)
        if not isinstance(value, str) or (allowed and value not in allowed):
            self.complain((*path, key), f"{key} is {value!r}", ", ".join(allowed) or "text")
            return allowed[0] if allowed else ""
        return value

    def faults(self, node: Mapping[str, Any], path: Path_, where: str) -> list[str]:
        names = [str(name) for name in self.sequence(node, "faults", path)]
        try:
            check_names(names, (where,))
        except ValueError as error:
            what, _, allowed = str(error).partition("; allowed: ")
            self.complain((*path, "faults"), what, allowed)
            return []
        return names


MAKE_KEYS = (
    "adapter_code", "pole_pairs", "emf", "harmonics", "line_resistance", "inertia", "friction", "drag", "cogging",
    "sensors", "encoder", "brake",
)  # fmt: skip
SENSOR_KEYS = ("supply", "current", "output", "pairs", "inverted", "pull_up", "line_capacitance", "low", "swing_loss")
UNIT_KEYS = ("body", "placement", "edge_scatter", "hysteresis", "delay", "quadrature_error", "index_error", "faults")
MOTOR_KEYS = (
    "serial", "type", "job", "work_order", "customer", "received_on", "complaint", "phase_spread", "faults",
    "received", "new_unit",
)  # fmt: skip


def _sensors(reader: _Reader, value: Any, path: Path_) -> SensorMake:
    node = reader.mapping(value, path, SENSOR_KEYS)
    pairs = reader.mapping(node.get("pairs"), (*path, "pairs"), SENSORS)
    return SensorMake(
        supply_v=reader.quantity(node, "supply", path, "V"),
        current_a=reader.quantity(node, "current", path, "A"),
        output=Output(reader.word(node, "output", path, [kind.value for kind in Output])),
        pairs={s: reader.word(pairs, s, (*path, "pairs"), PAIRS) for s in SENSORS},
        inverted=node.get("inverted") is True,
        pull_up_ohm=reader.quantity(node, "pull_up", path, "ohm", 4700.0),
        line_f=reader.quantity(node, "line_capacitance", path, "pF", 400.0) * 1e-12,
        low_v=reader.quantity(node, "low", path, "V", 0.25),
        swing_loss_v=reader.quantity(node, "swing_loss", path, "V", 0.0),
    )


def _encoder(reader: _Reader, value: Any, path: Path_) -> EncoderMake:
    node = reader.mapping(value, path, ("lines", "index", "index_width", "differential"))
    return EncoderMake(
        lines=reader.whole(node, "lines", path),
        index_deg_el=reader.quantity(node, "index", path, "deg_el", 0.0),
        index_width_lines=reader.quantity(node, "index_width", path, "lines", 1.0),
        differential=node.get("differential") is True,
    )


def _brake(reader: _Reader, value: Any, path: Path_) -> Brake | None:
    if value is None:
        return None
    node = reader.mapping(value, path, ("voltage", "current", "hold"))
    return Brake(
        voltage_v=reader.quantity(node, "voltage", path, "V", 24.0),
        current_a=reader.quantity(node, "current", path, "A", 0.5),
        hold_nm=reader.quantity(node, "hold", path, "N*m"),
    )


def _make(reader: _Reader, name: str, value: Any, path: Path_) -> MotorMake:
    node = reader.mapping(value, path, MAKE_KEYS)
    harmonics, cogging = [], []
    for i, item in enumerate(reader.sequence(node, "harmonics", path)):
        where = (*path, "harmonics", i)
        entry = reader.mapping(item, where, ("order", "share", "psi"))
        share = reader.quantity(entry, "share", where, "percent") / 100
        harmonics.append(
            Harmonic(reader.whole(entry, "order", where), share, reader.quantity(entry, "psi", where, "deg_el"))
        )
    for i, item in enumerate(reader.sequence(node, "cogging", path)):
        where = (*path, "cogging", i)
        entry = reader.mapping(item, where, ("order", "torque"))
        cogging.append((reader.whole(entry, "order", where), reader.quantity(entry, "torque", where, "N*m")))
    return MotorMake(
        name=name,
        adapter_code=reader.whole(node, "adapter_code", path),
        pole_pairs=reader.whole(node, "pole_pairs", path),
        emf_v_per_krpm=reader.quantity(node, "emf", path, "V/krpm"),
        line_resistance_ohm=reader.quantity(node, "line_resistance", path, "ohm"),
        inertia_kg_m2=reader.quantity(node, "inertia", path, "kg*m2"),
        friction_nm=reader.quantity(node, "friction", path, "N*m"),
        drag_nm_s=reader.quantity(node, "drag", path, "N*m*s"),
        sensors=_sensors(reader, node.get("sensors"), (*path, "sensors")),
        encoder=_encoder(reader, node.get("encoder"), (*path, "encoder")),
        harmonics=tuple(harmonics),
        cogging=tuple(cogging),
        brake=_brake(reader, node.get("brake"), (*path, "brake")),
    )


def _unit(reader: _Reader, node: Any, path: Path_, make: MotorMake, rng: np.random.Generator) -> UnitState:
    node = reader.mapping(node, path, UNIT_KEYS)
    placement = reader.mapping(node.get("placement", {}), (*path, "placement"), SENSORS)
    scatter_deg_el = reader.quantity(node, "edge_scatter", path, "deg_el", 0.5)
    edges = {s: tuple(map(float, rng.normal(0, scatter_deg_el, 2 * make.pole_pairs))) for s in SENSORS}
    unit = UnitState(
        body_deg_mech=reader.quantity(node, "body", path, "deg_mech", 0.0),
        placement_deg_el={s: reader.quantity(placement, s, (*path, "placement"), "deg_el", 0.0) for s in SENSORS},
        # The mean of a sensor's edges is its placement, so their scatter must not add to it.
        edges_deg_el={s: tuple(e - sum(es) / len(es) for e in es) for s, es in edges.items()},
        hysteresis_deg_el=reader.quantity(node, "hysteresis", path, "deg_el", 2.0),
        delay_s=reader.quantity(node, "delay", path, "us", 3.0) * 1e-6,
        quadrature_error_deg=reader.quantity(node, "quadrature_error", path, "deg", 3.0),
        index_error_deg_el=reader.quantity(node, "index_error", path, "deg_el", 0.0),
    )
    return with_unit_faults(unit, reader.faults(node, path, "unit"))


def with_unit_faults(unit: UnitState, names: Sequence[str]) -> UnitState:
    """Return the unit with faults added."""
    for change in (FAULTS[name].unit for name in names):
        unit = change(unit) if change else unit
    return unit


def with_motor_faults(motor: MotorState, names: Sequence[str]) -> MotorState:
    """Return the motor with faults added."""
    for change in (FAULTS[name].motor for name in names):
        motor = change(motor) if change else motor
    return motor


def _motor(reader: _Reader, item: Any, path: Path_, makes: Mapping[str, MotorMake]) -> SimulatedMotor | None:
    node = reader.mapping(item, path, MOTOR_KEYS)
    serial = reader.word(node, "serial", path)
    make = makes.get(reader.word(node, "type", path, list(makes)))
    if make is None:
        return None
    # The serial seeds what the file leaves open, so a motor is the same in every run and in every order.
    rng = np.random.default_rng(list(serial.encode()))
    spread = reader.quantity(node, "phase_spread", path, "percent", 0.2) / 100
    u, v, w = (1.0 + float(x) for x in rng.normal(0, spread, 3))
    motor = MotorState(make, shares=(u, v, w), friction_nm=make.friction_nm, adapter_code=make.adapter_code)
    return SimulatedMotor(
        serial,
        make,
        with_motor_faults(motor, reader.faults(node, path, "motor")),
        _unit(reader, node.get("received", {}), (*path, "received"), make, rng),
        _unit(reader, node.get("new_unit", {}), (*path, "new_unit"), make, rng),
    )


def parse_motors(document: Document) -> dict[str, SimulatedMotor]:
    """Return the motors of a document by serial, in the order of the file.

    Raises
    ------
    YamlError
        With all problems found.
    """
    reader = _Reader(document)
    root = reader.mapping(document.data, (), None)
    physics = reader.mapping(root.get("physics"), ("physics",), None)
    makes = {str(n): _make(reader, str(n), value, ("physics", n)) for n, value in physics.items()}
    motors: dict[str, SimulatedMotor] = {}
    for i, item in enumerate(reader.sequence(root, "motors", ())):
        motor = _motor(reader, item, ("motors", i), makes)
        if motor and motor.serial in motors:
            reader.complain(("motors", i, "serial"), f"serial {motor.serial!r} occurs twice", "each serial once")
        elif motor:
            motors[motor.serial] = motor
    if not motors and not reader.problems:
        reader.complain(("motors",), "no motors", "at least one motor")
    if reader.problems:
        raise YamlError(tuple(reader.problems))
    return motors


def read_motors(path: Path, reader: Callable[[Path], Document] = read_file) -> dict[str, SimulatedMotor]:
    """Read a motors file; raises `YamlError` with every problem in it."""
    return parse_motors(reader(path))
