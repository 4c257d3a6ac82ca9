"""The shipped sequences fit every shipped motor type on the shipped bench, and plan what they say."""

import pytest
from sequence_samples import (
    HEAD,
    RESOLVER_TYPE,
    SEQUENCES,
    TYPES,
    UP,
    adapter,
    bench_file,
    checked_text,
    motor_type,
    shipped_text,
)

from safety.strict_yaml import YamlError
from station.checked_sequence import check, read_checked
from station.find_files import FileKind, find_file
from station.motor_type import MotorType
from station.planned_steps import PlannedCapture, PlannedRepeat, PlannedSpin
from station.sequence_model import Sequence


def test_the_five_sequences_and_three_types_are_shipped() -> None:
    assert set(SEQUENCES) == {"as-found", "setting", "as-left", "station-check", "windings-only"}
    assert set(TYPES) == {"ostrel-mt41", "quillmere-q3", "brackwater-b5"}


@pytest.mark.parametrize("type_name", TYPES)
@pytest.mark.parametrize("name", SEQUENCES)
def test_a_shipped_sequence_checks_clean(name: str, type_name: str) -> None:
    path = find_file(FileKind.SEQUENCE, name)
    checked = read_checked(path, motor_type(type_name), adapter(type_name), bench_file())
    assert checked.name == name
    assert checked.text == path.read_text(encoding="utf-8")
    assert checked.digest.startswith("sha256:")
    brake_left_out = [note for note in checked.left_out if "no brake" in note.why]
    assert bool(brake_left_out) == (motor_type(type_name).brake is None)


def test_loops_are_unrolled_with_the_first_written_axis_outermost() -> None:
    loop = "  - over: {speed: [200 rpm, 600 rpm], direction: [CW, CCW]}\n    steps:\n      - spin: {}\n"
    spins = [s.action for s in checked_text(HEAD + UP + loop).steps if isinstance(s.action, PlannedSpin)]
    assert [(s.target_rpm, s.direction) for s in spins[1:]] == [(200, "CW"), (200, "CCW"), (600, "CW"), (600, "CCW")]


def test_as_found_captures_every_pair_in_both_directions_at_two_speeds() -> None:
    checked = checked_text(shipped_text("as-found"), "quillmere-q3")
    timing = [s for s in checked.all_steps() if s.name == "timing"]
    contexts = {(s.context.direction, s.context.speed_rpm, s.context.winding_pair) for s in timing}
    assert len(timing) == len(contexts) == 12
    for step in timing:
        assert isinstance(step.action, PlannedCapture)
        # 20 cycles of P pole pairs at n rpm last 20 * 60 / (P * n) seconds.
        assert step.action.duration_s == pytest.approx(20 * 60 / (3 * (step.context.speed_rpm or 0)))
        assert step.action.direction == step.context.direction


def test_a_spin_knows_the_pair_and_the_shortest_capture_to_come() -> None:
    steps = """\
  - spin: {direction: CCW, speed: 300 rpm}
  - capture: {signals: sensors, winding_pair: W-U, duration: 2 s}
  - capture: {signals: sensors, winding_pair: U-V, duration: 1.5 s}
  - spin: {direction: CCW, speed: 400 rpm}
  - capture: {signals: sensors, winding_pair: V-W, duration: 0.5 s}
"""
    spins = [s.action for s in checked_text(HEAD + UP + steps).steps if isinstance(s.action, PlannedSpin)]
    assert [(s.winding_pair, s.capture_s) for s in spins[1:]] == [("W-U", 1.5), ("V-W", 0.5)]


def test_a_short_capture_of_wires_does_not_set_the_length_that_the_mains_rule_is_kept_for() -> None:
    steps = """\
  - spin: {direction: CW, speed: 300 rpm}
  - capture: {signals: sensors, winding_pair: W-U, duration: 2 s}
  - capture: {signals: sensors, winding_pair: U-V, duration: 20 ms, pull_up: false}
  - capture: {signals: encoder, winding_pair: U-V, duration: 5 ms, interval: 1 us, serves: wires}
"""
    spins = [s.action for s in checked_text(HEAD + UP + steps).steps if isinstance(s.action, PlannedSpin)]
    assert spins[1].capture_s == 2


def test_setting_keeps_its_rounds_as_one_step_with_the_types_window() -> None:
    checked = checked_text(shipped_text("setting"), "brackwater-b5")
    rounds = [s.action for s in checked.steps if isinstance(s.action, PlannedRepeat)]
    assert [(r.at_most, r.until, r.window) for r in rounds] == [(3, "offset_mean", pytest.approx((-1.0, 1.0)))]
    assert any(s.name == "turn the body" for s in rounds[0].steps)
    assert "turn the body" in checked.questions()


def test_an_as_left_takes_few_questions() -> None:
    """A line motor should not cost more than ten answers (common practice, no source)."""
    assert len(checked_text(shipped_text("as-left")).questions()) <= 10


def test_every_step_of_a_sequence_has_a_name_of_its_own() -> None:
    checked = checked_text(HEAD + UP + "  - rest: {}\n  - rest: {}\n")
    assert [s.name for s in checked.steps] == ["energise sensor supply", "spin", "rest", "rest 2"]


def test_feedback_that_is_not_covered_is_refused_by_name_and_served_by_windings_only() -> None:
    resolver = MotorType.read_string(RESOLVER_TYPE, "r1.yaml")
    windings = Sequence.read_string(shipped_text("windings-only"), "windings-only.yaml")
    plan = check(windings, resolver, adapter(), bench_file())
    captures = [s.action for s in plan.all_steps() if isinstance(s.action, PlannedCapture)]
    assert captures
    assert {c.group for c in captures} == {"none"}
    with pytest.raises(
        YamlError, match=r"Sample R1 has resolver feedback, which this station does not cover; allowed: .*windings-only"
    ):
        check(Sequence.read_string(shipped_text("as-left"), "as-left.yaml"), resolver, adapter(), bench_file())


def test_an_adapter_of_another_type_is_refused_in_the_type_file() -> None:
    sequence = Sequence.read_string(shipped_text("as-left"), "as-left.yaml")
    with pytest.raises(YamlError, match="Ostrel MT41 needs adapter 'ostrel-mt4', not 'quillmere-q'") as caught:
        check(sequence, motor_type(), adapter("quillmere-q3"), bench_file())
    assert caught.value.problems[0].file.endswith("ostrel-mt41.yaml")
