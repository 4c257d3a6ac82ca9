"""Limits of findings as a motor type states them: lower, upper, unit, and where they come from."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Self

from pydantic import (
    Field,
    PlainValidator,
    ValidationError,
    ValidationInfo,
    ValidatorFunctionWrapHandler,
    WithJsonSchema,
    model_validator,
)
from pydantic_core import InitErrorDetails, PydanticCustomError

from drivers.quantities import parse
from station.file_model import StrictModel
from station.file_problems import OURS, SENTENCE, broken, carried, refuse
from station.finding_names import COUNT, FINDINGS, LIMITED
from station.wording import listed, meant


@dataclass(frozen=True, slots=True)
class FindingLimits:
    """Limits in the finding's unit; None where that side is open. An empty source makes every judgement `undecided`."""

    lower: float | None
    upper: float | None
    unit: str
    source: str


class Source(StrictModel):
    """Where a limit comes from: exactly one of a document with its revision, a customer, known-good motors."""

    document: Annotated[str, Field(min_length=1)] | None = None
    """Title or number of the document; needs `revision`."""
    revision: Annotated[str, Field(min_length=1)] | None = None
    """Revision of the document."""
    customer: Annotated[str, Field(min_length=1)] | None = None
    """The customer who asked for this limit."""
    known_good_motors: Annotated[int, Field(ge=1)] | None = None
    """The number of known-good motors that the limit was learned from."""

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        kinds = [k for k in ("document", "customer", "known_good_motors") if getattr(self, k) is not None]
        if len(kinds) != 1:
            what = f"source names {listed(kinds)}" if kinds else "source names nothing"
            refuse("source", [broken((), what, "exactly one of document with revision, customer, known_good_motors")])
        if (self.revision is None) == (self.document is not None):
            what = "document without its revision" if self.document else "revision without a document"
            refuse("source", [broken((), what, "document and revision together")])
        return self

    def __str__(self) -> str:
        """Say the source as the sheet prints it."""
        if self.document is not None:
            return f"{self.document}, revision {self.revision}"
        if self.customer is not None:
            return f"customer {self.customer}"
        return f"{self.known_good_motors} known-good motors"


def _text_or_number(value: object) -> str | float:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        allowed = "a quantity such as '3 deg_el', or a bare count"
        raise PydanticCustomError(OURS, SENTENCE, {"what": f"{_shown(value)} is no limit", "allowed": allowed})
    return value


def _shown(value: object) -> str:
    if value is None:
        return "nothing"
    return "a list or mapping" if isinstance(value, list | dict) else f"'{value}'"


LimitText = Annotated[
    str | float,
    PlainValidator(_text_or_number),
    WithJsonSchema({"type": ["string", "number"], "examples": ["-3 deg_el", "0.8 V", 8192]}),
]


class StatedLimit(StrictModel):
    """The limits of one finding; at least one side. Without a source its judgement stays `undecided`."""

    lower: LimitText | None = None
    """Smallest value allowed, with the finding's unit; counts are bare numbers."""
    upper: LimitText | None = None
    """Largest value allowed, with the finding's unit; counts are bare numbers."""
    source: Annotated[str, Field(min_length=1)] | None = None
    """Where the limit comes from: one of the names under `sources`."""


def resolved(name: str, stated: StatedLimit, sources: Mapping[str, Source]) -> FindingLimits:
    """Put stated limits into the finding's unit; the file they come from has been checked."""
    unit = FINDINGS[name].unit
    lower = None if stated.lower is None else _value(stated.lower, unit)
    upper = None if stated.upper is None else _value(stated.upper, unit)
    return FindingLimits(lower, upper, unit, "" if stated.source is None else str(sources[stated.source]))


def check_limits(value: Any, handler: ValidatorFunctionWrapHandler, info: ValidationInfo) -> dict[str, StatedLimit]:
    """Validate a mapping of finding names to limits, collecting every error in one go.

    The sources must have been validated before, as the field `sources`; where they were refused, names are not judged.
    """
    sources: Mapping[str, Source] | None = info.data.get("sources")
    errors: list[InitErrorDetails] = []
    stated: dict[str, StatedLimit] = {}
    try:
        stated = handler(value)
    except ValidationError as error:
        errors = carried(error)
    for name, item in value.items() if isinstance(value, Mapping) else ():
        if name not in LIMITED:
            errors.append(broken((name,), f"unknown finding '{name}'", meant(str(name), LIMITED), at_key=True))
            continue
        try:
            limit = StatedLimit.model_validate(item)
        except ValidationError:
            continue  # Already among the handler's errors.
        errors += _wrong(name, limit)
        if limit.source is not None and sources is not None and limit.source not in sources:
            allowed = meant(limit.source, sources) if sources else "a name under `sources`, which is empty"
            errors.append(broken((name, "source"), f"unknown source '{limit.source}'", allowed))
    refuse("limits", errors)
    return stated


def _wrong(name: str, stated: StatedLimit) -> list[InitErrorDetails]:
    unit, errors, values = FINDINGS[name].unit, [], {}
    for side in ("lower", "upper"):
        text = getattr(stated, side)
        if text is None:
            continue
        try:
            values[side] = _value(text, unit)
        except ValueError as error:
            wanted = (
                "a whole number without unit"
                if unit == COUNT
                else f"a number with a unit, in {unit} or what converts to it"
            )
            errors.append(broken((name, side), str(error), wanted))
    if stated.lower is None and stated.upper is None:
        errors.append(broken((name,), f"{name} has neither lower nor upper", "lower, upper or both"))
    if len(values) == 2 and values["lower"] > values["upper"]:
        what = f"impossible limits: lower {stated.lower} is above upper {stated.upper}"
        errors.append(broken((name, "lower"), what, "lower at or below upper"))
    return errors


def _value(text: str | float, unit: str) -> float:
    if unit == COUNT:
        if isinstance(text, str):
            raise ValueError(f"'{text}' is no count")
        return float(text)
    if not isinstance(text, str):
        raise ValueError(f"{text} has no unit")  # noqa: TRY004 - the value is wrong, not the caller
    return parse(text, unit)
