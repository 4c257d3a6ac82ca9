"""Turn the errors of a strict model into problems: file, line, column, what is wrong, what is allowed."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from pydantic import ValidationError
from pydantic_core import InitErrorDetails, PydanticCustomError

from safety.strict_yaml import Document, Problem

OURS: Final = "polemark"
"""The type of error that our own rules raise; its context holds the two halves of the sentence, and the place."""
SENTENCE: Final = "{what}; allowed: {allowed}"

WANTED: Mapping[str, str] = {
    "bool_type": "true or false",
    "dict_type": "keys with values",
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "model_type": "a mapping: keys with values",
    "string_pattern_mismatch": "lower case letters and digits, words joined by hyphens",
    "string_too_short": "a text that is not empty",
    "string_type": "a text, in quotes where it looks like a number or is empty",
}
"""What is allowed, by pydantic's type of error, where its own wording speaks of Python."""


def broken(loc: Sequence[str | int], what: str, allowed: str, *, at_key: bool = False) -> InitErrorDetails:
    """Describe a broken rule of ours at a place below the value under validation; `refuse` raises it."""
    context = {"what": what, "allowed": allowed, "at_key": at_key}
    return InitErrorDetails(type=PydanticCustomError(OURS, SENTENCE, context), loc=tuple(loc), input=None)


def refuse(title: str, errors: Sequence[InitErrorDetails]) -> None:
    """Raise the broken rules, if there are any; pydantic puts the place of the value in front of theirs.

    Raises
    ------
    ValidationError
        There is at least one.
    """
    if errors:
        raise ValidationError.from_exception_data(title, list(errors))


def carried(error: ValidationError) -> list[InitErrorDetails]:
    """Turn the errors of an inner validation into ones that can be raised together with ours."""
    again: list[InitErrorDetails] = []
    for details in error.errors(include_url=False):
        context = details.get("ctx", {})
        kind: str | PydanticCustomError = details["type"]
        if details["type"] == OURS:
            kind = PydanticCustomError(OURS, SENTENCE, context)
        again.append(InitErrorDetails(type=kind, loc=details["loc"], input=details["input"], ctx=context))
    return again


def problems_of(document: Document, error: ValidationError) -> tuple[Problem, ...]:
    """Put every error at its place in the file, in the order of the file."""
    return in_file_order([_problem(document, details) for details in error.errors(include_url=False)])


def in_file_order(problems: Sequence[Problem]) -> tuple[Problem, ...]:
    """Sort problems by file and position, each said once."""
    return tuple(sorted(dict.fromkeys(problems), key=lambda p: (p.file, p.line, p.column)))


def _problem(document: Document, details: Mapping[str, Any]) -> Problem:
    loc, kind, context = details["loc"], details["type"], details.get("ctx", {})
    if kind == OURS:
        line, column = document.position(loc, key=context.get("at_key", False))
        return Problem(document.name, line, column, context["what"], context["allowed"])
    if kind == "value_error":
        what, _, allowed = str(context["error"]).partition("; allowed: ")
        return document.problem(loc, what, allowed or "a value that fits")
    if kind == "missing":
        return document.problem(loc[:-1], f"'{loc[-1]}' is missing", f"'{loc[-1]}' with a value")
    name = next((part for part in reversed(loc) if isinstance(part, str)), "the file")
    return document.problem(loc, f"{name} is {_shown(details['input'])}", _wanted(kind, context, details["msg"]))


def _wanted(kind: str, context: Mapping[str, Any], message: str) -> str:
    if kind == "literal_error":
        return str(context["expected"]).replace("'", "")
    return WANTED.get(kind) or message.removeprefix("Input should be ")


def _shown(value: object) -> str:
    if isinstance(value, dict | list):
        return "a mapping" if isinstance(value, dict) else "a list"
    return "empty" if value in (None, "") else f"'{value}'"
