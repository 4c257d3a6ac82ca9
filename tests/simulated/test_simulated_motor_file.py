"""The file of simulated motors: the shipped rebuild line, and clear words about a bad file."""

from pathlib import Path

import pytest

from drivers.simulated.faults import FAULTS, table_text
from drivers.simulated.motor_file import SimulatedMotor, parse_motors, read_motors
from drivers.simulated.truth import LEADS, Output
from safety.strict_yaml import YamlError, read_text

SHIPPED = Path(__file__).parents[2] / "sequences" / "demo_line.yaml"
SMALL = """\
physics:
  t1:
    adapter_code: 3
    pole_pairs: 2
    emf: 40 V/krpm
    line_resistance: 1 ohm
    inertia: 0.0004 kg*m2
    friction: 0.02 N*m
    drag: 0.0001 N*m*s
    sensors: {supply: 5 V, current: 0.06 A, output: push-pull, pairs: {H1: U-V, H2: V-W, H3: W-U}}
    encoder: {lines: 100}
motors:
  - {serial: A1, type: t1, received: {body: 2 deg_mech}}
"""


@pytest.fixture(scope="module")
def line() -> dict[str, SimulatedMotor]:
    return read_motors(SHIPPED)


def lame(motor: SimulatedMotor) -> list[str]:
    """What is wrong with a motor apart from its timing, by the state that faults leave."""
    found = []
    for unit, which in ((motor.received, "received"), (motor.new_unit, "new")):
        found += [f"{which} {name} stuck" for name in unit.stuck]
        found += [f"{which} no pull-up"] * bool(unit.no_pull_up)
        found += [f"{which} drops counts"] * bool(unit.dropped_lines)
    found += ["leads"] * (motor.motor.leads != LEADS)
    found += ["weak magnet"] * (sum(motor.motor.shares) < 2.8)
    found += ["shorted turns"] * (motor.motor.shorted_share > 0)
    found += ["brake drags"] * (motor.motor.brake_drag_nm > 0)
    return found


def test_shipped_line_has_enough_motors_of_three_types(line: dict[str, SimulatedMotor]) -> None:
    assert len(line) >= 15
    assert len({m.make.name for m in line.values()}) == 3
    assert sum(not lame(m) for m in line.values()) >= 7


@pytest.mark.parametrize(
    "wrong",
    [
        "received H2 stuck",
        "new no pull-up",
        "new drops counts",
        "leads",
        "weak magnet",
        "shorted turns",
        "brake drags",
    ],
)
def test_shipped_line_has_one_motor_of_each_fault_and_nothing_else_wrong_with_it(
    line: dict[str, SimulatedMotor], wrong: str
) -> None:
    assert [lame(m) for m in line.values() if wrong in lame(m)] == [[wrong]]


def test_shipped_line_has_a_motor_twelve_electrical_degrees_off(line: dict[str, SimulatedMotor]) -> None:
    off = [m.received.body_deg_mech * m.make.pole_pairs for m in line.values()]
    assert any(abs(x) == pytest.approx(12.0) for x in off)


def test_shipped_types_differ_where_it_matters(line: dict[str, SimulatedMotor]) -> None:
    makes = {m.make.name: m.make for m in line.values()}.values()
    for facts in (
        [m.pole_pairs for m in makes],
        [m.encoder.lines for m in makes],
        [m.sensors.output for m in makes],
        [m.adapter_code for m in makes],
    ):
        assert len(set(facts)) == 3
    assert {m.sensors.supply_v for m in makes} == {5.0, 12.0}
    assert {m.brake is None for m in makes} == {True, False}
    assert {m.sensors.inverted for m in makes} == {True, False}
    assert len({tuple(m.sensors.pairs.items()) for m in makes}) == 2


def test_shipped_missing_pull_up_is_in_a_unit_with_pull_ups_of_its_own(line: dict[str, SimulatedMotor]) -> None:
    (motor,) = [m for m in line.values() if m.new_unit.no_pull_up]
    assert motor.make.sensors.output is Output.INTERNAL_PULL_UP


def test_a_motor_is_the_same_whatever_stands_around_it() -> None:
    alone = parse_motors(read_text(SMALL, "small"))["A1"]
    other = SMALL.replace("  - {serial: A1", "  - {serial: B7, type: t1}\n  - {serial: A1")
    assert parse_motors(read_text(other, "small"))["A1"] == alone


def test_mean_of_scattered_edges_is_the_placement() -> None:
    motor = parse_motors(read_text(SMALL, "small"))["A1"]
    assert any(motor.received.edges_deg_el["H1"])
    assert sum(motor.received.edges_deg_el["H1"]) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("emf: 40 V/krpm", "emf: 40", "small:5:10: emf is 40; allowed: a number and the unit, as in '1.5 V/krpm'"),
        ("emf: 40 V/krpm", "emf: 40 V", "small:5:10: emf is '40 V'; allowed: a number and the unit"),
        ("pole_pairs: 2", "pole_pairs: 0", "small:4:17: pole_pairs is 0; allowed: a whole number from 1"),
        (
            "output: push-pull",
            "output: pushpull",
            "output is 'pushpull'; allowed: open collector, internal pull-up, push-pull",
        ),
        ("H3: W-U", "H3: W-V", "H3 is 'W-V'; allowed: U-V, V-W, W-U"),
        ("type: t1,", "type: t2,", "type is 't2'; allowed: t1"),
        ("body: 2 deg_mech", "boddy: 2 deg_mech", "unknown key 'boddy'; allowed: body, placement"),
        ("body: 2 deg_mech", "faults: [leads swapped]", "unknown fault 'leads swapped'; allowed: H1 dead"),
        (
            "  - {serial: A1",
            "  - {serial: A1, type: t1}\n  - {serial: A1",
            "serial 'A1' occurs twice; allowed: each serial once",
        ),
    ],
)
def test_bad_files_are_refused_with_place_and_what_is_allowed(old: str, new: str, words: str) -> None:
    with pytest.raises(YamlError) as caught:
        parse_motors(read_text(SMALL.replace(old, new), "small"))
    assert words in str(caught.value)


def test_all_problems_come_in_one_go() -> None:
    bad = SMALL.replace("emf: 40 V/krpm", "emf: 40").replace("inertia: 0.0004 kg*m2", "inertia: heavy")
    with pytest.raises(YamlError) as caught:
        parse_motors(read_text(bad, "small"))
    assert len(caught.value.problems) == 2


def test_a_file_without_motors_is_refused() -> None:
    with pytest.raises(YamlError, match="at least one motor"):
        parse_motors(read_text("physics: {}\nmotors: []\n", "small"))


def test_every_fault_stands_in_the_table_with_its_place_and_words() -> None:
    rows = table_text().splitlines()
    assert len(rows) == len(FAULTS)
    assert all(f"[{fault.where}] {fault.text}" in row for fault, row in zip(FAULTS.values(), rows, strict=True))


@pytest.mark.parametrize("name", [n for n, f in FAULTS.items() if f.where != "bench"])
def test_every_motor_and_unit_fault_changes_its_state(name: str, line: dict[str, SimulatedMotor]) -> None:
    fault, motor = FAULTS[name], next(iter(line.values()))
    if fault.motor:
        assert fault.motor(motor.motor) != motor.motor
    else:
        assert fault.unit is not None
        assert fault.unit(motor.received) != motor.received
