"""Sentences for what a model found wrong in a file: from the details of a validation error to what and allowed.

The details are plain mappings with `type`, `msg`, `ctx` and `input`, as pydantic gives them; this module knows their
words and nothing of the library.
"""

import difflib
from collections.abc import Iterable, Mapping
from typing import Any

WANTED: Mapping[str, str] = {
    "bool_type": "true or false",
    "date_from_datetime_parsing": "a date such as 2026-05-31",
    "date_type": "a date such as 2026-05-31",
    "dict_type": "a mapping of keys to values",
    "enum": "{expected}",
    "finite_number": "a finite number",
    "float_parsing": "a number",
    "float_type": "a number",
    "greater_than": "more than {gt}",
    "greater_than_equal": "{ge} or more",
    "int_from_float": "a whole number",
    "int_parsing": "a whole number",
    "int_type": "a whole number",
    "less_than": "less than {lt}",
    "less_than_equal": "{le} or less",
    "list_type": "a list, such as [a, b]",
    "literal_error": "{expected}",
    "mapping_type": "a mapping of keys to values",
    "model_attributes_type": "a mapping of keys to values",
    "model_type": "a mapping of keys to values",
    "multiple_of": "a multiple of {multiple_of}",
    "none_required": "nothing",
    "string_pattern_mismatch": "a text that fits the pattern {pattern}",
    "string_too_long": "a text of at most {max_length} characters",
    "string_too_short": "a text of at least {min_length} characters",
    "string_type": "a text, in quotes where it looks like a number",
    "too_long": "at most {max_length} items",
    "too_short": "at least {min_length} items",
    "tuple_type": "a list, such as [a, b]",
    "union_tag_invalid": "{expected_tags}",
}
"""What is allowed, by type of error; names in braces come from the error's own context."""

LONG_LIST = 20
"""A list of more names than this helps nobody who has only mistyped one."""


def wording(name: str, error: Mapping[str, Any]) -> tuple[str, str]:
    """Say what is wrong with a value and what is allowed.

    Parameters
    ----------
    name
        What the file calls the value.
    error
        Details with `type`, `msg`, and where they have them `ctx` and `input`.
    """
    context = error.get("ctx") or {}
    if error["type"] == "value_error":
        # A rule of our own, which says it all; after the semicolon comes what is allowed.
        what, _, allowed = str(context.get("error", error["msg"])).partition("; allowed: ")
        return what, allowed or "a value that fits"
    wanted = WANTED.get(error["type"])
    allowed = _plain(str(error["msg"])) if wanted is None else _filled(wanted, context)
    return f"{name} is {shown(error.get('input'))}", allowed


def unknown_key(name: str, known: Iterable[str]) -> tuple[str, str]:
    """Say that a key is unknown, which ones are known, and which one was probably meant."""
    names = list(known)
    what = f"unknown key '{name}'"
    if not names:
        return what, "the keys that belong here"
    near = difflib.get_close_matches(name, names, n=1)
    listed = ", ".join(names) if len(names) <= LONG_LIST or not near else f"one of {len(names)} keys"
    return what, f"{listed} (did you mean '{near[0]}'?)" if near else listed


def shown(value: object) -> str:
    """Show a value as a reader of the file knows it."""
    if isinstance(value, Mapping):
        return "a mapping"
    if isinstance(value, list | tuple):
        return f"a list of {len(value)}"
    if isinstance(value, bool):
        return "true" if value else "false"
    return "empty" if value is None or value == "" else f"'{value}'"


def _filled(wanted: str, context: Mapping[str, Any]) -> str:
    shown_as = {key: f"{v:g}" if isinstance(v, float) else str(v).replace("'", "") for key, v in context.items()}
    return wanted.format_map(_Known(shown_as))


def _plain(message: str) -> str:
    return message.removeprefix("Input should be ").removeprefix("Value error, ")


class _Known(dict[str, Any]):
    """A context that lacks a name leaves the name standing: a dull sentence beats none."""

    def __missing__(self, key: str) -> str:
        return key
