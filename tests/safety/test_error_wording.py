"""Errors of a real model become sentences of ours at their place in the file."""

from typing import Annotated, Literal

import pytest
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from safety.error_wording import LONG_LIST, unknown_key
from safety.strict_yaml import read_text


class Spin(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid")
    direction: Literal["CW", "CCW"]
    speed: Annotated[float, Field(gt=0, le=600)]
    turns: int = 1
    note: Annotated[str, Field(min_length=2)] = "none"

    @field_validator("note")
    @classmethod
    def _civil(cls, note: str) -> str:
        if note == "rude":
            raise ValueError("note is rude; allowed: civil words")
        return note


class Plan(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid")
    spins: Annotated[list[Spin], Field(min_length=1)]
    marks: list[int] = []


KEYS = {(): ("spins", "marks"), ("spins", 0): tuple(Spin.model_fields)}


def said(text: str) -> list[str]:
    document = read_text(text, "f")
    with pytest.raises(ValidationError) as caught:
        Plan.model_validate(document.data)
    errors = [dict(details) for details in caught.value.errors()]
    return [str(p) for p in document.problems(errors, lambda loc: KEYS.get(loc, ()))]


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "spins:\n  - {direction: CW, speed: 6.0, sped: 1}\n",
            "f:2:33: unknown key 'sped'; allowed: direction, speed, turns, note (did you mean 'speed'?)",
        ),
        ("spins:\n  - {direction: CW}\n", "f:2:5: 'speed' is missing; allowed: 'speed' with a value"),
        ("spins:\n  - {direction: up, speed: 6.0}\n", "f:2:17: direction is 'up'; allowed: CW or CCW"),
        ("spins:\n  - {direction: CW, speed: 0.0}\n", "f:2:28: speed is '0.0'; allowed: more than 0"),
        ("spins:\n  - {direction: CW, speed: 900.0}\n", "f:2:28: speed is '900.0'; allowed: 600 or less"),
        ("spins:\n  - {direction: CW, speed: fast}\n", "f:2:28: speed is 'fast'; allowed: a number"),
        ("spins:\n  - {direction: CW, speed: }\n", "f:2:27: speed is empty; allowed: a number"),
        ("spins:\n  - {direction: CW, speed: 6.0, turns: 1.5}\n", "f:2:40: turns is '1.5'; allowed: a whole number"),
        (
            "spins:\n  - {direction: CW, speed: 6.0, note: 12}\n",
            "f:2:39: note is '12'; allowed: a text, in quotes where it looks like a number",
        ),
        (
            "spins:\n  - {direction: CW, speed: 6.0, note: x}\n",
            "f:2:39: note is 'x'; allowed: a text of at least 2 characters",
        ),
        ("spins:\n  - {direction: CW, speed: 6.0, note: rude}\n", "f:2:39: note is rude; allowed: civil words"),
        ("spins: []\n", "f:1:8: spins is a list of 0; allowed: at least 1 items"),
        ("spins: {a: 1}\n", "f:1:8: spins is a mapping; allowed: a list, such as [a, b]"),
        ("spins:\n  - fast\n", "f:2:5: item 1 of spins is 'fast'; allowed: a mapping of keys to values"),
        ("- 1\n", "f:1:1: the file is a list of 1; allowed: a mapping of keys to values"),
        (
            "spins:\n  - {direction: CW, speed: 6.0}\nmarks: [1, true]\n",
            "f:3:12: item 2 of marks is true; allowed: a whole number",
        ),
    ],
)
def test_each_kind_of_error_is_one_sentence_in_our_words(text: str, sentence: str) -> None:
    assert said(text) == [sentence]


def test_all_errors_of_a_file_are_told() -> None:
    assert len(said("spins:\n  - {direction: up, speed: fast, turns: x}\nextra: 1\n")) == 4


def test_without_known_keys_an_unknown_one_is_still_told() -> None:
    document = read_text("sped: 1\n", "f")
    errors = [{"type": "extra_forbidden", "loc": ("sped",), "msg": "", "input": 1}]
    assert str(document.problems(errors)[0]) == "f:1:1: unknown key 'sped'; allowed: the keys that belong here"


def test_known_keys_may_come_with_the_error() -> None:
    document = read_text("sped: 1\n", "f")
    errors = [{"type": "extra_forbidden", "loc": ("sped",), "msg": "", "input": 1, "ctx": {"allowed": ["speed"]}}]
    assert "allowed: speed (did you mean 'speed'?)" in str(document.problems(errors)[0])


def test_of_a_long_list_the_probable_meaning_alone_is_told() -> None:
    names = [f"k{i:03}" for i in range(LONG_LIST)] + ["speed"]
    assert unknown_key("sped", names)[1] == f"one of {len(names)} keys (did you mean 'speed'?)"
    assert unknown_key("sped", ["speed", "turns"])[1] == "speed, turns (did you mean 'speed'?)"


def test_an_error_of_a_kind_not_known_keeps_its_own_words() -> None:
    document = read_text("a: 1\n", "f")
    errors = [{"type": "new_kind", "loc": ("a",), "msg": "Input should be something else", "input": 1}]
    assert str(document.problems(errors)[0]) == "f:1:4: a is '1'; allowed: something else"
