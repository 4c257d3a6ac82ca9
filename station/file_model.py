"""What all YAML files of the station have in common: strict models that know where each value stands in its file."""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Self, TypeVar

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    Strict,
    ValidationError,
    ValidatorFunctionWrapHandler,
    model_validator,
)

from safety.strict_yaml import Document, YamlError, read_file, read_text
from station.file_problems import broken, carried, problems_of, refuse
from station.wording import meant

T = TypeVar("T")

Name = Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", examples=["ostrel-mt41"])]
"""A short name that other files and commands refer to."""
Text = Annotated[str, Field(min_length=1)]


def _is_list(value: object) -> object:
    if not isinstance(value, list) or not value:
        what = "an empty list" if value == [] else "no list"
        refuse("list", [broken((), what, "one or more items in a list, such as [A, B]")])
    return value


OneOrMore = Annotated[
    tuple[T, ...], Strict(strict=False), BeforeValidator(_is_list), Field(json_schema_extra={"minItems": 1})
]
"""A list with at least one item. The list becomes a tuple; what stands in it stays strict."""


class StrictModel(BaseModel):
    """A mapping in a file: no conversion of types, no unknown key, no key left empty, no change after reading."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, use_attribute_docstrings=True)

    @model_validator(mode="wrap")
    @classmethod
    def _keys_known_and_filled(cls, value: Any, handler: ValidatorFunctionWrapHandler) -> Self:
        """Refuse unknown keys by naming the known ones, and keys left empty: an unfinished line is no default."""
        if not isinstance(value, Mapping):
            plain: Self = handler(value)
            return plain
        fields = {field.alias or name: field for name, field in cls.model_fields.items()}
        known = list(fields)
        unknown = [key for key in value if key not in known]
        # A required key says itself what it wants.
        empty = [
            key for key, field in fields.items() if key in value and value[key] is None and not field.is_required()
        ]
        errors = [broken((key,), f"unknown key '{key}'", meant(str(key), known), at_key=True) for key in unknown]
        errors += [broken((key,), f"'{key}' is empty", "a value, or the key left out") for key in empty]
        told = {(key,) for key in (*unknown, *empty)}
        try:
            model: Self = handler(value)
        except ValidationError as error:
            refuse(cls.__name__, errors + [other for other in carried(error) if other.get("loc", ())[:1] not in told])
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
        return model.standing_in(document)

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

    def standing_in(self, document: Document) -> Self:
        """Keep the document that this model was made of."""
        self._document = document
        return self

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
        return self._document.digest
