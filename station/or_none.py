"""A field that must be stated, and may be stated as `none`."""

from dataclasses import dataclass
from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from station.file_problems import broken, refuse


@dataclass(frozen=True, slots=True)
class OrNone:
    """Read the word `none` as None and refuse an empty value: a forgotten section must not pass for a stated absence.

    Parameters
    ----------
    otherwise
        What else is allowed, in words.
    """

    otherwise: str

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Put the reading of the word in front of the field's own validation."""

        def read(value: object) -> object:
            if value is None or (isinstance(value, str) and value != "none"):
                shown = "it is empty" if value is None else f"'{value}' is not understood"
                refuse("none", [broken((), shown, f"none, or {self.otherwise}")])
            return None if value == "none" else value

        return core_schema.no_info_before_validator_function(read, handler(source))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        """Offer the word beside the mapping."""
        inner = handler(schema)
        stated = [s for s in inner.get("anyOf", [inner]) if s != {"type": "null"}]
        return {"anyOf": [{"const": "none"}, *stated]}
