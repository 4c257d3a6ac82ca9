"""What must come before what: a sequence is refused before anything is energised, at the step that comes too early."""

import re

import pytest
from sequence_samples import HEAD, UP, adapter, checked_text, marked, motor_type

from drivers.bench_file import parse_bench
from safety.strict_yaml import YamlError, read_text
from station.checked_sequence import check
from station.find_files import FileKind, find_file
from station.sequence_model import Sequence

SUPPLY = "  - energise: {output: sensor supply}\n"
INSULATION = (
    "{prompt: Insulation, answer: reading, unit: Mohm, hand_instrument: required, records: <<>>insulation_resistance}"
)
OPEN = """\
  - wait: {input: winding_adapter_present, state: open, within: 60 s}
  - wait: {input: feedback_adapter_present, state: open, within: 60 s}
"""
CAPTURE = "  - capture: {signals: sensors, winding_pair: U-V, cycles: 20}\n"

ORDER = {
    "spin before the sensor supply": (
        "  - spin: <<>>{direction: CW, speed: 60 rpm, first: true}\n", "before the sensor supply is on", "energise",
    ),
    "spin after rest without supply": (
        UP + "  - rest: {}\n  - spin: <<>>{direction: CW, speed: 60 rpm}\n", "before the sensor supply is on", "energise",
    ),
    "first spin not marked": (SUPPLY + "  - spin: <<>>{direction: CW, speed: 60 rpm}\n", "not marked", "first: true"),
    "first spin fast": (SUPPLY + "  - spin: {direction: CW, speed: <<>>600 rpm, first: true}\n", "first spin at 600 rpm", "up to 120 rpm"),
    "first spin long": (
        UP + "  - capture: <<>>{signals: sensors, winding_pair: U-V, duration: 30 s}\n", "captures of 30.0 s", "up to 10 s",
    ),
    "second first spin": (
        UP + "  - rest: {}\n" + SUPPLY + "  - spin: {direction: CW, speed: 60 rpm, first: <<>>true}\n", "second first spin", "first",
    ),
    "spin without direction": (UP + "  - spin: <<>>{speed: 200 rpm}\n", "without a direction", "CW or CCW"),
    "spin without speed": (UP + "  - spin: <<>>{direction: CW}\n", "without a speed", "speed"),
    "capture while nothing turns": (SUPPLY + CAPTURE.replace("{", "<<>>{"), "nothing turns the shaft", "a spin before it"),
    "capture after rest": (UP + "  - rest: {}\n" + SUPPLY + CAPTURE.replace("{", "<<>>{"), "nothing turns the shaft", "a spin"),
    "running out while nothing turns": (
        SUPPLY + "  - capture: <<>>{signals: sensors, winding_pair: U-V, drive: coast, duration: 1 s}\n", "drive coast while nothing turns", "a spin",
    ),
    "capture after the shaft ran out": (
        UP + "  - capture: {signals: sensors, winding_pair: U-V, drive: coast, duration: 1 s}\n" + CAPTURE.replace("{", "<<>>{"),
        "nothing turns the shaft", "a spin before it",
    ),
    "known source while turning": (
        UP + "  - capture: {signals: known-source, winding_pair: U-V, drive: <<>>standstill, duration: 1 ms}\n", "while the spin motor turns", "rest",
    ),
    "known source on no path": (
        "  - capture: <<>>{signals: known-source, drive: standstill, duration: 1 ms}\n", "without a winding pair", "U-V",
    ),
    "self-test of nothing": ("  - measure: {quantities: [<<>>self_test]}\n", "self_test measured from nothing", "a capture of known-source"),
    "standstill measured from the known source": (
        "  - capture: {signals: known-source, winding_pair: U-V, drive: standstill, duration: 1 ms}\n  - measure: {quantities: [<<>>standstill]}\n",
        "standstill measured from nothing", "a capture with drive standstill",
    ),
    "timing measured from wires": (
        UP + "  - capture: {signals: sensors, winding_pair: U-V, cycles: 2, pull_up: true}\n  - measure: {quantities: [<<>>timing]}\n",
        "timing measured from nothing", "a capture of sensors while spinning",
    ),
    "capture by hand while turning": (
        UP + "  - capture: {signals: sensors, winding_pair: U-V, drive: <<>>hand, duration: 1 s}\n", "while the spin motor turns", "rest",
    ),
    "capture without winding pair": (UP + "  - capture: <<>>{signals: sensors, cycles: 20}\n", "without a winding pair", "U-V"),
    "signals before their supply": (
        "  - capture: {signals: <<>>sensors, winding_pair: U-V, drive: hand, duration: 1 s}\n", "before the sensor supply", "energise",
    ),
    "question while the shaft turns": (UP + "  - ask: <<>>{prompt: Well, answer: confirm}\n", "while the shaft turns", "rest"),
    "plugging with a supply on": (
        SUPPLY + "  - ask: {prompt: Plug, answer: confirm, hands: <<>>[plug feedback adapter]}\n", "with a supply on", "rest",
    ),
    "turning a body by nothing": (
        "  - ask: {prompt: Turn, answer: confirm, hands: <<>>[turn body]}\n", "before a correction is measured", "correction",
    ),
    "measure before capture": ("  - measure: {quantities: [<<>>timing]}\n", "timing measured from nothing", "a capture of sensors"),
    "encoder measured from sensors": (
        UP + CAPTURE + "  - measure: {quantities: [timing, <<>>encoder]}\n", "encoder measured from nothing", "a capture of encoder",
    ),
    "compare before measure": (
        UP + CAPTURE + "  - compare: {with: motor type, quantities: [<<>>timing]}\n", "before it is measured", "a measure of timing",
    ),
    "repeat that never measures its finding": (
        UP + "  - repeat: {at_most: 2, until: <<>>offset_mean}\n    steps: [rest: {}]\n", "do not measure offset_mean", "timing",
    ),
    "second round without supply": (
        UP + CAPTURE + "  - repeat: {at_most: 2, until: offset_mean}\n    steps:\n"
        "      - spin: <<>>{direction: CW, speed: 200 rpm}\n      - measure: {quantities: [timing]}\n      - rest: {}\n",
        "before the sensor supply is on", "energise",
    ),
    "insulation through the bench": ("  - ask: " + INSULATION + "\n", "without proof", "winding_adapter_present"),
    "insulation after a spin": (UP + "  - rest: {}\n" + OPEN + "  - ask: " + INSULATION + "\n", "after outputs were on", "before"),
    "energise with an adapter off": (
        "  - ask: {prompt: Off, answer: confirm, hands: [unplug winding adapter]}\n  - energise: <<>>{output: sensor supply}\n",
        "winding_adapter_present", "closed",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("steps", "says", "allows"), ORDER.values(), ids=list(ORDER))
def test_a_step_that_comes_too_early_is_told_with_its_exact_place(steps: str, says: str, allows: str) -> None:
    text, line, column = marked(HEAD + steps)
    with pytest.raises(YamlError) as caught:
        checked_text(text)
    at_place = [p for p in caught.value.problems if (p.line, p.column) == (line, column)]
    assert any(says in p.what and allows in p.allowed for p in at_place), str(caught.value)


def test_a_type_with_a_brake_is_not_spun_before_its_release() -> None:
    text, line, column = marked(HEAD + SUPPLY + "  - spin: <<>>{direction: CW, speed: 60 rpm, first: true}\n")
    assert checked_text(text, "ostrel-mt41")
    with pytest.raises(
        YamlError, match=rf"sample.yaml:{line}:{column}: spin before the brake is released; allowed: energise"
    ):
        checked_text(text, "quillmere-q3")


def test_a_brake_step_is_left_out_for_a_type_without_brake() -> None:
    text = HEAD + SUPPLY + "  - name: release\n    energise: {output: brake}\n"
    assert [(n.name, n.why) for n in checked_text(text).left_out] == [("release", "Ostrel MT41 has no brake")]
    assert [s.name for s in checked_text(text, "quillmere-q3").steps][-1] == "release"


def test_an_as_found_is_not_compared_with_itself() -> None:
    text, line, column = marked(
        (HEAD + UP + CAPTURE).replace("stage: as-left", "stage: as-found")
        + "  - measure: {quantities: [timing]}\n  - compare: {with: <<>>as-found, quantities: [timing]}\n"
    )
    with pytest.raises(
        YamlError, match=rf":{line}:{column}: an as-found sequence compared with as-found; allowed: motor type"
    ):
        checked_text(text)


def test_one_mistake_in_a_loop_is_told_once() -> None:
    steps = "  - over: {direction: [CW, CCW], winding_pair: [U-V, V-W, W-U]}\n    steps:\n      - capture: {signals: sensors, cycles: 20}\n"
    with pytest.raises(YamlError) as caught:
        checked_text(HEAD + SUPPLY + steps)
    assert len(caught.value.problems) == 1


@pytest.mark.parametrize(
    ("step", "says"),
    [
        (
            "  - capture: {signals: <<>>sensors, winding_pair: U-V, drive: standstill, duration: 1 s}\n",
            "signals 'sensors'",
        ),
        ("  - energise: {output: <<>>sensor supply}\n", "sensor supply"),
        ("  - measure: {quantities: [<<>>timing]}\n", "timing"),
    ],
)
def test_a_windings_only_sequence_uses_no_feedback(step: str, says: str) -> None:
    text, line, column = marked(HEAD.replace("revision", "serves: windings-only\nrevision") + step)
    with pytest.raises(YamlError, match=rf":{line}:{column}: {says} in a windings-only sequence"):
        checked_text(text)


def test_complements_are_left_out_where_they_are_not_fitted_and_only_then() -> None:
    text = (
        HEAD
        + UP
        + "  - capture: {signals: complements-encoder, winding_pair: U-V, turns: 2, interval: 2 us, where_fitted: true}\n"
    )
    checked = checked_text(text)
    assert [(n.name, n.why) for n in checked.left_out] == [
        ("capture complements-encoder", "Ostrel MT41 has no signals 'complements-encoder'")
    ]
    assert not [s for s in checked.steps if s.kind == "capture"]
    brake = "  - energise: {output: brake}\n"
    fitted = checked_text(text.replace("  - spin", brake + "  - spin"), "quillmere-q3")
    assert [s.name for s in fitted.steps if s.kind == "capture"] == ["capture complements-encoder"]


def test_a_bench_without_its_own_pull_ups_or_known_source_is_told_so() -> None:
    shipped = find_file(FileKind.BENCH, "simulated").read_text(encoding="utf-8")
    for line in (
        "    pull_up_H2: 132\n",
        "    known_source: 141\n",
        "known_source: {voltage: 5 V, uncertainty: 5 mV}\n",
    ):
        assert line in shipped
        shipped = shipped.replace(line, "")
    bare = parse_bench(read_text(shipped, "bare.yaml"))
    source = "  - capture: {signals: <<>>known-source, winding_pair: U-V, drive: standstill, duration: 1 ms}\n"
    pulled = "  - capture: {signals: sensors, winding_pair: U-V, cycles: 2, pull_up: <<>>true}\n"
    for steps, says in (
        (source, "this bench has no known source; allowed: a bench file that states known_source"),
        (UP + pulled, "this bench has no relay pull_up_H2; allowed: a bench with pull_up_H1, pull_up_H2, pull_up_H3"),
    ):
        text, line, column = marked(HEAD + steps)
        with pytest.raises(YamlError, match=re.escape(f"sample.yaml:{line}:{column}: {says}")):
            check(Sequence.read_string(text, "sample.yaml"), motor_type(), adapter(), bare)
