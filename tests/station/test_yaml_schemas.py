"""The JSON Schemas that editors use accept every shipped file and refuse what the models refuse."""

from pathlib import Path
from typing import Any

import jsonschema
import pytest

from safety.strict_yaml import read_file, read_text
from station.find_files import FileKind, find_file, shipped_names
from station.schema import MODELS, json_schema

KINDS = {
    "sequence": FileKind.SEQUENCE,
    "motor-type": FileKind.MOTOR_TYPE,
    "adapter": FileKind.ADAPTER,
    "bench": FileKind.BENCH,
}
FILES = [(kind, find_file(file_kind, name)) for kind, file_kind in KINDS.items() for name in shipped_names(file_kind)]


def validator(kind: str) -> Any:
    return jsonschema.Draft202012Validator(json_schema(kind))


@pytest.mark.parametrize("kind", MODELS)
def test_a_schema_is_a_valid_schema_and_describes_its_keys(kind: str) -> None:
    schema = json_schema(kind)
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["additionalProperties"] is False
    assert any("description" in entry for entry in schema["properties"].values())


@pytest.mark.parametrize(("kind", "path"), FILES, ids=[path.stem for _, path in FILES])
def test_a_shipped_file_is_valid_by_its_schema(kind: str, path: Path) -> None:
    errors = [f"{e.json_path}: {e.message}" for e in validator(kind).iter_errors(read_file(path).data)]
    assert errors == []


HEAD = "sequence: s\ntitle: T\nstage: as-left\nrevision: '1'\nsteps:\n"


@pytest.mark.parametrize(
    "step",
    [
        "- spin: {direction: CW, sped: 60 rpm}",
        "- spin: {direction: up}",
        "- spin: {direction: CW, speed: 60}",
        "- spin: {direction: }",
        "- measure: {quantities: []}",
        "- {rest: {}, spin: {}}",
        "- name: nothing",
        "- over: {direction: [CW]}",
        "- wait: {input: drive_end_guard, state: closed}",
    ],
)
def test_a_schema_refuses_what_an_editor_should_underline(step: str) -> None:
    data = read_text(HEAD + step + "\n", "s.yaml").data
    assert list(validator("sequence").iter_errors(data))
