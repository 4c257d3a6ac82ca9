"""What all YAML files of the station have in common: strict models that know where each value stands in its file."""

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    PrivateAttr,
    Strict,
    ValidationError,
    ValidatorFunctionWrapHandler,
    model_validator,
)
from pydantic_core import InitErrorDetails, PydanticCustomError

from safety.strict_yaml import Document, Problem, YamlError, read_file, read_text

OURS: Final = "polemark"
"""The type of error that our own rules raise; its context holds the two halves of the sentence."""

SENTENCE: Final = "{what}; allowed: {allowed}"
AS_TUPLE = Strict(strict=False)
"""Lets a list of the file become a tuple; what stands in it stays strict."""


class StrictModel(BaseModel):
    """A mapping in a file: no conversion of types, no unknown key, no key left empty, no change after reading."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, use_attribute_docstrings=True)

    @model_validator(mode="wrap")
    @classmethod
    def _no_empty_key(cls, value: Any, handler: ValidatorFunctionWrapHandler) -> Self:
        """Refuse keys without a value: an unfinished line must not pass for a key left out."""
        empty = [key for key, item in value.items() if item is None] if isinstance(value, Mapping) else []
        errors = [broken((key,), f"'{key}' is empty", "a value, or the key left out") for key in empty]
        try:
            model: Self = handler(value)
        except ValidationError as error:
            errors += [
                other for other in carried(error) if not empty or other.get("loc", ())[:1] not in [(k,) for k in empty]
            ]
            refuse(cls.__name__, errors)
            raise
        refuse(cls.__name__, errors)
        return model


class FileModel(StrictModel):
    """A whole file, kept together with its text and the position of every value in it."""

    _document: Document = PrivateAttr()

    @classmethod
    def of(cls, document: Document) -> Self:
        """Make the model of a document.

        Raises
        ------
        YamlError
            The document breaks rules of its model; it names every one of them with its position.
        """
        try:
            model = cls.model_validate(document.data)
        except ValidationError as error:
            raise YamlError(problems_of(document, error)) from None
        return model._kept_with(document)

    def _kept_with(self, document: Document) -> Self:
        self._document = document
        return self

    @classmethod
    def read(cls, path: Path) -> Self:
        """Read a file.

        Raises
        ------
        YamlError
            The file cannot be read, is no strict YAML, or breaks rules of its model.
        """
        return cls.of(read_file(path))

    @classmethod
    def read_string(cls, text: str, name: str) -> Self:
        """Read a text as if it stood in the file `name`.

        Raises
        ------
        YamlError
            The text is no strict YAML, or breaks rules of its model.
        """
        return cls.of(read_text(text, name))

    @property
    def document(self) -> Document:
        """The document this model was made of."""
        return self._document

    @property
    def text(self) -> str:
        """The file's text, as the record keeps it."""
        return self._document.text

    @property
    def digest(self) -> str:
        """SHA-256 of the file's text."""
        return "sha256:" + hashlib.sha256(self.text.encode("utf-8")).hexdigest()


def broken(loc: Sequence[str | int], what: str, allowed: str, value: object = None) -> InitErrorDetails:
    """Describe a broken rule of ours at a place below the value under validation; `refuse` raises it."""
    kind = PydanticCustomError(OURS, SENTENCE, {"what": what, "allowed": allowed})
    return InitErrorDetails(type=kind, loc=tuple(loc), input=value)


def refuse(title: str, errors: Sequence[InitErrorDetails]) -> None:
    """Raise the broken rules, if there are any; pydantic puts the place of the value in front of theirs.

    Raises
    ------
    ValidationError
        There is at least one.
    """
    if errors:
        raise ValidationError.from_exception_data(title, list(errors))


def problems_of(document: Document, error: ValidationError) -> tuple[Problem, ...]:
    """Put every error at its place in the file, in the order of the file."""
    problems: list[Problem] = []
    for details in error.errors(include_url=False):
        if details["type"] == OURS:
            context = details["ctx"]
            problems.append(document.problem(details["loc"], context["what"], context["allowed"]))
        else:
            problems.extend(document.problems([details]))
    return in_file_order(problems)


def in_file_order(problems: Sequence[Problem]) -> tuple[Problem, ...]:
    """Sort problems by file and position, each said once."""
    return tuple(sorted(dict.fromkeys(problems), key=lambda p: (p.file, p.line, p.column)))


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
