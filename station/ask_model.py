"""The `ask` step: what the technician is asked, what may be answered, and what hands do at it."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator
from pydantic_core import InitErrorDetails

from station.file_model import OneOrMore, StrictModel
from station.file_problems import broken, refuse

AnswerKind = Literal["confirm", "choice", "text", "reading"]
Hands = Literal[
    "open guards",
    "close guards",
    "turn shaft",
    "loosen",
    "fit feedback unit",
    "turn body",
    "lock",
    "plug winding adapter",
    "unplug winding adapter",
    "plug feedback adapter",
    "unplug feedback adapter",
    "clamp motor",
    "unclamp motor",
]
ReadingUnit = Literal["degC", "ohm", "Mohm", "V", "A", "mA", "s", "min", "N*m", "percent", "rpm"]
Records = Literal[
    "condition",
    "complaint",
    "ambient_temperature",
    "winding_temperature",
    "winding_resistance_UV",
    "winding_resistance_VW",
    "winding_resistance_WU",
    "insulation_resistance",
    "unit_serial",
    "unit_lot",
    "lock_torque",
    "lock_tool",
    "screw_locker_lot",
    "note",
]

UNITS_OF_RECORDS: dict[str, str] = {
    "ambient_temperature": "degC",
    "winding_temperature": "degC",
    "winding_resistance_UV": "ohm",
    "winding_resistance_VW": "ohm",
    "winding_resistance_WU": "ohm",
    "insulation_resistance": "Mohm",
    "lock_torque": "N*m",
}
"""What is recorded as a quantity, with the one unit it is kept in."""


class Ask(StrictModel):
    """A question to the technician."""

    prompt: Annotated[str, Field(min_length=1)]
    answer: AnswerKind
    choices: OneOrMore[Annotated[str, Field(min_length=1)]] = ()
    """What may be chosen; for `choice` alone."""
    unit: ReadingUnit | None = None
    """Unit of the reading; for `reading` alone."""
    hand_instrument: Literal["required", "optional", "none"] = "none"
    """Whether the instrument in the technician's hand must be named with the answer."""
    records: Records | None = None
    """The fact that the record keeps this answer as."""
    hands: OneOrMore[Hands] = ()
    """What the technician does before answering, in this order; on a simulated bench simulated hands do it."""

    @model_validator(mode="after")
    def _fits_its_answer(self) -> Self:
        errors: list[InitErrorDetails] = []
        if (self.answer == "choice") != bool(self.choices):
            what = "choices are missing" if self.answer == "choice" else f"choices given for a {self.answer}"
            errors.append(broken(("choices",), what, "choices exactly where answer is choice"))
        if (self.answer == "reading") != (self.unit is not None):
            what = "the reading has no unit" if self.answer == "reading" else f"unit given for a {self.answer}"
            errors.append(broken(("unit",), what, "a unit exactly where answer is reading"))
        if self.hand_instrument != "none" and self.answer != "reading":
            errors.append(
                broken(("hand_instrument",), f"hand instrument for a {self.answer}", "only where answer is reading")
            )
        errors += self._recorded_unit()
        refuse("ask", errors)
        return self

    def _recorded_unit(self) -> list[InitErrorDetails]:
        wanted = UNITS_OF_RECORDS.get(self.records or "")
        if self.records is None or self.unit == wanted or (self.answer != "reading" and wanted is None):
            return []
        if wanted is None:
            return [broken(("records",), f"{self.records} is kept as words, not as a reading", "answer text or choice")]
        return [
            broken(
                ("unit",) if self.unit else ("records",),
                f"{self.records} is kept in {wanted}",
                f"a reading in {wanted}",
            )
        ]
