"""Asking the technician: at a terminal or from an answers file, with hands that are real or simulated."""

import select
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

from station.answers_file import AnswerError, GivenAnswer, allowed_answer, read_answer
from station.ask_model import Ask
from station.exit_codes import BadInput, RunStopped

IDLE_S = 0.1


@dataclass(frozen=True, slots=True)
class Question:
    """One question of a sequence, with the text already made concrete (how far to turn, which way)."""

    step: str
    prompt: str
    ask: Ask
    caution: str | None = None
    turn_deg_mech: float | None = None
    """How far the body is to be turned, clockwise from the drive end positive."""


Hands = Callable[[Question], None]
"""Does what a question says the hands do; simulated hands alone."""


class Asker(Protocol):
    """Anything that answers questions."""

    def ask(self, question: Question, idle: Callable[[], None]) -> GivenAnswer:
        """Return the answer, after the hands have done what the question says; calls `idle` while it waits."""
        ...


@dataclass(frozen=True, slots=True)
class PreparedAnswers:
    """Answers known before the run, by step name."""

    answers: Mapping[str, GivenAnswer]
    hands: Hands | None = None

    def ask(self, question: Question, idle: Callable[[], None]) -> GivenAnswer:
        """Answer at once."""
        del idle
        if self.hands is not None:
            self.hands(question)
        return self.answers[question.step]


@dataclass(frozen=True, slots=True)
class TerminalAsker:
    """A person at the terminal; asks again until the answer can be used."""

    hands: Hands | None = None

    def ask(self, question: Question, idle: Callable[[], None]) -> GivenAnswer:
        """Ask until the answer is usable.

        Raises
        ------
        RunStopped
            The terminal was closed.
        """
        if question.caution:
            print(f"  CAUTION: {question.caution}")  # noqa: T201 - this is the screen
        value = self._value(question, idle)
        instrument = None
        if question.ask.hand_instrument == "required":
            while not instrument:
                instrument = _line("  hand instrument, name or serial: ", idle).strip()
        if self.hands is not None:
            self.hands(question)
        return GivenAnswer(value, instrument)

    def _value(self, question: Question, idle: Callable[[], None]) -> str | float | bool:
        while True:
            text = _line(f"  {question.prompt} [{allowed_answer(question.ask)}] ", idle).strip()
            if question.ask.answer == "reading" and _is_bare_number(text):
                text = f"{text} {question.ask.unit}"
            try:
                return read_answer(question.ask, text or ("yes" if question.ask.answer == "confirm" else ""))
            except AnswerError as error:
                print(f"  {error}")  # noqa: T201 - this is the screen


def demand_terminal() -> None:
    """Refuse questions that nobody could answer, before a run begins.

    Raises
    ------
    BadInput
        There is no terminal to ask at.
    """
    if not sys.stdin.isatty():
        raise BadInput("there is no terminal to answer questions at; allowed: --answers FILE")


def _line(prompt: str, idle: Callable[[], None]) -> str:
    """Read one line, letting the caller watch the bench meanwhile: outputs may be on while a question is open."""
    print(prompt, end="", flush=True)  # noqa: T201 - this is the screen
    while not select.select([sys.stdin], [], [], IDLE_S)[0]:
        idle()
    line = sys.stdin.readline()
    if not line:
        raise RunStopped("the terminal was closed while a question was open")
    return line


def _is_bare_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
