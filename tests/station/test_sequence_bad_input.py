"""Each kind of bad input to a sequence: file, line, column, what is wrong, what is allowed, all in one go."""

from pathlib import Path

import pytest
from sequence_samples import HEAD, UP, adapter, bench_file, checked_text, marked, motor_type

from safety.strict_yaml import YamlError
from station.checked_sequence import read_checked

FORM = {
    "unknown key": ("  - spin: {direction: CW, <<>>sped: 60 rpm, first: true}\n", "sped", "speed"),
    "key of no step": ("  - <<>>spinn: {direction: CW}\n", "spinn", "spin"),
    "missing unit": ("  - spin: {direction: CW, speed: <<>>60, first: true}\n", "60", "rpm"),
    "number without unit in quotes": ("  - spin: {direction: CW, speed: <<>>'60', first: true}\n", "60", "rpm"),
    "wrong unit": ("  - wait: {input: drive_end_guard, state: closed, within: <<>>60 rpm}\n", "60 rpm", "s"),
    "bare degrees": ("  - spin: {direction: CW, speed: <<>>60 deg}\n", "deg", "rpm"),
    "duplicate key": ("  - spin: {direction: CW, <<>>direction: CCW, speed: 60 rpm}\n", "direction", "once"),
    "wrong type": ("  - repeat: {at_most: <<>>three, until: offset_mean}\n    steps: [rest: {}]\n", "three", "whole number"),
    "wrong word": ("  - spin: {direction: <<>>clockwise, speed: 60 rpm}\n", "clockwise", "CW"),
    "unknown signals": ("  - capture: {signals: <<>>halls, winding_pair: U-V, cycles: 20}\n", "halls", "sensors"),
    "unknown contact": ("  - wait: {input: <<>>door, state: closed, within: 60 s}\n", "door", "drive_end_guard"),
    "wait without deadline": ("  - wait: <<>>{input: drive_end_guard, state: closed}\n", "within", "within"),
    "wait for nothing": ("  - wait: <<>>{within: 5 s}\n", "wait for nothing", "input with state, or finding"),
    "contact without state": ("  - wait: <<>>{input: drive_end_guard, within: 5 s}\n", "state", "open or closed"),
    "two lengths": ("  - capture: <<>>{signals: sensors, winding_pair: U-V, cycles: 20, turns: 3}\n", "cycles, turns", "exactly one"),
    "no length": ("  - capture: <<>>{signals: sensors, winding_pair: U-V}\n", "without a length", "exactly one"),
    "cycles by hand": (
        "  - capture: {signals: sensors, winding_pair: U-V, drive: hand, cycles: <<>>20}\n", "cycles at drive hand", "duration",
    ),
    "cycles while it runs out": (
        "  - capture: {signals: sensors, winding_pair: U-V, drive: coast, cycles: <<>>20}\n", "cycles at drive coast", "duration",
    ),
    "pull-up of an encoder": (
        "  - capture: {signals: encoder, winding_pair: U-V, turns: 2, pull_up: <<>>true}\n", "pull_up with signals encoder", "sensors",
    ),
    "pull-up that is no yes or no": (
        "  - capture: {signals: sensors, winding_pair: U-V, turns: 2, pull_up: <<>>closed}\n", "closed", "true or false",
    ),
    "pull-up by hand": (
        "  - capture: {signals: sensors, winding_pair: U-V, drive: hand, duration: 1 s, pull_up: <<>>true}\n", "pull_up at drive hand", "drive spin",
    ),
    "wires at standstill": (
        "  - capture: {signals: sensors, drive: standstill, duration: 1 s, serves: <<>>wires}\n", "serves at drive standstill", "drive spin",
    ),
    "capture that serves something else": (
        "  - capture: {signals: sensors, winding_pair: U-V, turns: 2, serves: <<>>timing}\n", "timing", "wires",
    ),
    "known source while turning": (
        "  - capture: {signals: <<>>known-source, winding_pair: U-V, cycles: 2}\n", "known-source at drive spin", "drive standstill",
    ),
    "two kinds": ("  - <<>>rest: {}\n    measure: {quantities: [timing]}\n", "measure, rest", "exactly one"),
    "no kind": ("  - <<>>name: idle\n", "does nothing", "exactly one"),
    "empty kind": ("  - rest:<<>>\n", "'rest' is empty", "a value"),
    "loop without steps": ("  - <<>>over: {direction: [CW]}\n", "over without steps", "steps"),
    "steps without loop": ("  - rest: {}\n    steps:\n      <<>>- rest: {}\n", "steps inside rest", "over or repeat"),
    "empty loop": ("  - over: <<>>{}\n    steps: [rest: {}]\n", "a loop over nothing", "direction, speed, winding_pair"),
    "value twice": ("  - over: {direction: [CW, <<>>CW]}\n    steps: [rest: {}]\n", "CW comes twice", "once"),
    "choices missing": ("  - ask: <<>>{prompt: Which, answer: choice}\n", "choices are missing", "choices"),
    "reading without unit": ("  - ask: <<>>{prompt: How warm, answer: reading}\n", "no unit", "unit"),
    "recorded in another unit": (
        "  - ask: {prompt: How warm, answer: reading, unit: <<>>ohm, records: ambient_temperature}\n", "ambient_temperature", "degC",
    ),
    "unknown hands": ("  - ask: {prompt: Do, answer: confirm, hands: [<<>>kick]}\n", "kick", "turn body"),
    "unknown quantity": ("  - measure: {quantities: [timing, <<>>taste]}\n", "taste", "timing"),
    "compare with nothing known": ("  - compare: {with: <<>>yesterday, quantities: [timing]}\n", "yesterday", "as-found"),
}  # fmt: skip


@pytest.mark.parametrize(("steps", "says", "allows"), FORM.values(), ids=list(FORM))
def test_a_wrong_form_is_told_with_its_exact_place(steps: str, says: str, allows: str) -> None:
    text, line, column = marked(HEAD + steps)
    with pytest.raises(YamlError) as caught:
        checked_text(text)
    at_place = [p for p in caught.value.problems if (p.line, p.column) == (line, column)]
    assert at_place, str(caught.value)
    assert caught.value.problems[0].file == "sample.yaml"
    assert any(says in p.what for p in at_place), str(caught.value)
    assert any(allows in p.allowed for p in at_place), str(caught.value)


HEADS = {
    "unknown stage": (
        "sequence: s\ntitle: T\nstage: <<>>as-is\nrevision: '1'\nsteps: [rest: {}]\n",
        "as-is",
        "as-found",
    ),
    "number as revision": ("sequence: s\ntitle: T\nstage: as-left\nrevision: <<>>1\nsteps: [rest: {}]\n", "1", "text"),
    "no steps": (
        "sequence: s\ntitle: T\nstage: as-left\nrevision: '1'\nsteps: <<>>[]\n",
        "an empty list",
        "one or more",
    ),
    "missing title": ("<<>>sequence: s\nstage: as-left\nrevision: '1'\nsteps: [rest: {}]\n", "title", "title"),
    "no mapping": ("<<>>[as-left]\n", "list", "mapping"),
}


@pytest.mark.parametrize(("sample", "says", "allows"), HEADS.values(), ids=list(HEADS))
def test_a_wrong_head_is_told_with_its_exact_place(sample: str, says: str, allows: str) -> None:
    text, line, column = marked(sample)
    with pytest.raises(YamlError) as caught:
        checked_text(text)
    assert [(p.line, p.column) for p in caught.value.problems] == [(line, column)], str(caught.value)
    problem = caught.value.problems[0]
    assert says in f"{problem.what}; {problem.allowed}"
    assert allows in f"{problem.what}; {problem.allowed}"


FIT = {
    "complements of single-ended outputs": (
        UP + "  - capture: {signals: <<>>complements-sensors, winding_pair: U-V, cycles: 9}\n",
        "Ostrel MT41 has no signals 'complements-sensors'", "none, sensors, encoder, encoder-sensor",
    ),
    "speed over the EMF limit": (
        UP + "  - spin: {direction: CW, speed: <<>>60000 rpm}\n", "60000 rpm gives Ostrel MT41 4243 V peak", "up to",
    ),
    "speed in a loop over the limit": (
        UP + "  - over: {speed: [200 rpm, <<>>60000 rpm], direction: [CW]}\n    steps: [spin: {}]\n", "60000 rpm gives", "up to",
    ),
    "unknown finding to wait for": (
        UP + "  - wait: {finding: <<>>offset_maen, within: 5 s}\n", "unknown finding 'offset_maen'", "did you mean 'offset_mean'?",
    ),
    "finding without limits": (UP + "  - wait: {finding: <<>>coast_down, within: 5 s}\n", "no limits for coast_down", "offset_mean"),
    "repeat without a window": (
        UP + "  - repeat: {at_most: 2, until: <<>>coast_down}\n    steps: [rest: {}]\n", "no setting window for coast_down", "limits",
    ),
    "encoder sampled too slowly": (
        UP + "  - spin: {direction: CW, speed: 600 rpm}\n"
        "  - capture: {signals: encoder, winding_pair: U-V, turns: 2, interval: <<>>10 us}\n",
        "too slow for 81920 counts a second", "up to 5.1 us",
    ),
    "a name twice": (
        "  - name: calm\n    rest: {}\n  - name: <<>>calm\n    rest: {}\n", "a second step named 'calm'", "a name of its own",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("steps", "says", "allows"), FIT.values(), ids=list(FIT))
def test_what_does_not_fit_type_or_bench_is_told_with_its_exact_place(steps: str, says: str, allows: str) -> None:
    text, line, column = marked(HEAD + steps)
    with pytest.raises(YamlError) as caught:
        checked_text(text)
    at_place = [p for p in caught.value.problems if (p.line, p.column) == (line, column)]
    assert any(says in p.what and allows in p.allowed for p in at_place), str(caught.value)


def test_problems_of_form_and_of_fit_come_in_one_go(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text(
        HEAD
        + "  - spin: {direction: CW, sped: 60 rpm}\n"
        + "  - capture: {signals: complements-encoder, winding_pair: U-V, cycles: 9}\n"
        + "  - wait: {input: drive_end_guard, state: closed, within: 60}\n"
        + "  - over: {direction: [CW]}\n    steps: [spin: {speed: 60000 rpm}]\n",
        encoding="utf-8",
    )
    with pytest.raises(YamlError) as caught:
        read_checked(path, motor_type(), adapter(), bench_file())
    found = [(p.file, p.line) for p in caught.value.problems]
    assert found == [(str(path), line) for line in (6, 7, 8, 10)], str(caught.value)


def test_a_file_that_is_not_there_is_one_problem(tmp_path: Path) -> None:
    with pytest.raises(YamlError, match=r"none\.yaml:1:1: cannot be read"):
        read_checked(tmp_path / "none.yaml", motor_type(), adapter(), bench_file())
