"""Answers for an unattended run: step name to value, checked against the questions before anything is energised."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, assert_never

from drivers.quantities import parse
from safety.strict_yaml import Document, Problem, YamlError, read_file
from station.ask_model import Ask
from station.file_problems import in_file_order
from station.wording import listed, meant

Value = str | float | bool
CONFIRMING: Mapping[str, bool] = {"yes": True, "no": False, "y": True, "n": False}
KEYS = ("value", "hand_instrument")


class AnswerError(ValueError):
    """A value that does not answer its question."""

    def __init__(self, what: str, allowed: str) -> None:
        super().__init__(f"{what}; allowed: {allowed}")
        self.what = what
        self.allowed = allowed


@dataclass(frozen=True, slots=True)
class GivenAnswer:
    """A usable answer; a reading is a number in the question's unit."""

    value: Value
    hand_instrument: str | None = None


def allowed_answer(ask: Ask) -> str:
    """Say what may be answered, in a few words."""
    match ask.answer:
        case "confirm":
            return "yes or no"
        case "choice":
            return listed(ask.choices)
        case "reading":
            return f"a reading such as '20 {ask.unit}'"
        case "text":
            return "a text"
        case _:
            assert_never(ask.answer)


def read_answer(ask: Ask, value: object) -> Value:
    """Read one value as its question wants it.

    Raises
    ------
    AnswerError
        It is no answer to this question.
    """
    match ask.answer:
        case "confirm":
            return _confirmed(ask, value)
        case "choice":
            if str(value) not in ask.choices:
                raise AnswerError(f"'{value}' is not a choice", meant(str(value), ask.choices))
            return str(value)
        case "reading":
            return _reading(ask, value)
        case "text":
            text = "" if value is None or isinstance(value, dict | list) else str(value).strip()
            if not text:
                raise AnswerError("the text is empty", allowed_answer(ask))
            return text
        case _:
            assert_never(ask.answer)


def _confirmed(ask: Ask, value: object) -> bool:
    if isinstance(value, bool):
        return value
    given = CONFIRMING.get(str(value).strip().casefold())
    if given is None:
        raise AnswerError(f"'{value}' confirms nothing", allowed_answer(ask))
    return given


def _reading(ask: Ask, value: object) -> float:
    if not isinstance(value, str):
        raise AnswerError(f"'{value}' is no reading with a unit", allowed_answer(ask))
    try:
        number = parse(value, ask.unit or "")
    except ValueError as error:
        raise AnswerError(str(error).partition("; allowed: ")[0], allowed_answer(ask)) from None
    if not math.isfinite(number):
        raise AnswerError(f"'{value}' is not finite", allowed_answer(ask))
    return number


def _instrument(ask: Ask, name: object) -> str | None:
    if name is None:
        if ask.hand_instrument == "required":
            raise AnswerError("the hand instrument is not named", "a mapping with value and hand_instrument")
        return None
    if ask.hand_instrument == "none" or not isinstance(name, str) or not name.strip():
        raise AnswerError(f"hand instrument '{name}'", "a name where the question asks for one, else none")
    return name.strip()


@dataclass(frozen=True, slots=True)
class AnswersFile:
    """The answers of one file, each still as written, with its place."""

    document: Document
    raw: Mapping[str, Any]

    @classmethod
    def read(cls, path: Path) -> "AnswersFile":
        """Read a file of answers.

        Raises
        ------
        YamlError
            The file cannot be read, is no strict YAML, or is no mapping of step names.
        """
        return cls.of(read_file(path))

    @classmethod
    def of(cls, document: Document) -> "AnswersFile":
        """Take a document as answers.

        Raises
        ------
        YamlError
            It is no mapping of step names.
        """
        if not isinstance(document.data, dict):
            raise YamlError((document.problem((), "answers are a mapping", "step name: value, one a line"),))
        return cls(document, {str(key): value for key, value in document.data.items()})

    def for_questions(self, questions: Mapping[str, Ask], *, confirms: bool = False) -> dict[str, GivenAnswer]:
        """Hold the answers against the questions of a checked sequence.

        Parameters
        ----------
        questions
            Step name to question.
        confirms
            Take confirmations that the file leaves out as given; for simulated hands alone.

        Raises
        ------
        YamlError
            An answer is missing, unusable, or for a step that does not ask; all problems in one go.
        """
        problems: list[Problem] = [
            self.document.problem((name,), f"no step called '{name}' asks anything", meant(name, questions))
            for name in self.raw
            if name not in questions
        ]
        answers: dict[str, GivenAnswer] = {}
        for name, ask in questions.items():
            try:
                answers[name] = self._answer(name, ask, confirms=confirms)
            except AnswerError as error:
                problems.append(self.document.problem((name,), f"step '{name}': {error.what}", error.allowed))
        if problems:
            raise YamlError(in_file_order(problems))
        return answers

    def _answer(self, name: str, ask: Ask, *, confirms: bool) -> GivenAnswer:
        if name not in self.raw:
            if confirms and ask.answer == "confirm":
                return GivenAnswer(True)  # noqa: FBT003 - the value of a confirmation
            raise AnswerError(f"no answer to '{ask.prompt}'", allowed_answer(ask))
        given = self.raw[name]
        parts: Mapping[str, Any] = given if isinstance(given, dict) else {"value": given}
        if unknown := [key for key in parts if key not in KEYS]:
            raise AnswerError(f"unknown key '{unknown[0]}'", listed(KEYS))
        instrument = _instrument(ask, parts.get("hand_instrument"))
        return GivenAnswer(read_answer(ask, parts.get("value")), instrument)
