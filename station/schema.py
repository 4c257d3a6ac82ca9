"""JSON Schemas of the station's YAML files, for editors that complete and check while one writes."""

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from drivers.bench_file import BenchFile
from station.adapter_file import Adapter
from station.captures_file import Captures
from station.finding_names import LIMITED
from station.motor_type import MotorType
from station.sequence_model import Sequence

DIALECT = "https://json-schema.org/draft/2020-12/schema"
MODELS: Mapping[str, type[BaseModel]] = {
    "sequence": Sequence,
    "motor-type": MotorType,
    "adapter": Adapter,
    "bench": BenchFile,
    "captures": Captures,
}
"""The kinds of file that have a schema."""
NULL = {"type": "null"}


def json_schema(kind: str) -> dict[str, Any]:
    """Return the JSON Schema of one kind of file.

    It holds what one value can show by itself; what takes the whole file, a motor type or a bench to judge is
    judged by `polemark validate`.

    Raises
    ------
    KeyError
        There is no such kind.
    """
    schema = _without_null(MODELS[kind].model_json_schema(by_alias=True))
    if kind == "motor-type":
        schema["properties"]["limits"]["propertyNames"] = {"enum": list(LIMITED)}
    return {"$schema": DIALECT, **schema}


def _without_null(node: Any) -> Any:
    """Take out the null that stands for a key left out: in a file a key is left out, never left empty."""
    if isinstance(node, list):
        return [_without_null(item) for item in node]
    if not isinstance(node, dict):
        return node
    plain = {key: _without_null(value) for key, value in node.items() if not (key == "default" and value is None)}
    choices = plain.get("anyOf")
    if not isinstance(choices, list) or NULL not in choices:
        return plain
    left = [choice for choice in choices if choice != NULL]
    rest = {key: value for key, value in plain.items() if key != "anyOf"}
    return {**left[0], **rest} if len(left) == 1 else {**rest, "anyOf": left}
