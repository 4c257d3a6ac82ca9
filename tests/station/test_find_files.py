"""Files are found by name or by path, and an unknown name says what there is."""

import shutil
from pathlib import Path

import pytest

from station.exit_codes import BadInput
from station.find_files import SHIPPED, FileKind, find_file, shipped_names


@pytest.mark.parametrize(
    ("kind", "name", "found"),
    [
        (FileKind.SEQUENCE, "as-left", "as-left.yaml"),
        (FileKind.MOTOR_TYPE, "ostrel-mt41", "motor_types/ostrel-mt41.yaml"),
        (FileKind.MOTOR_TYPE, "Ostrel MT41", "motor_types/ostrel-mt41.yaml"),
        (FileKind.ADAPTER, "quillmere-q", "adapters/quillmere-q.yaml"),
        (FileKind.BENCH, "simulated", "benches/simulated.yaml"),
    ],
)
def test_a_shipped_file_is_found_by_name(kind: FileKind, name: str, found: str) -> None:
    assert find_file(kind, name) == SHIPPED / found


def test_a_path_is_taken_as_it_is(tmp_path: Path) -> None:
    mine = tmp_path / "mine.yaml"
    mine.write_text("sequence: mine\n", encoding="utf-8")
    assert find_file(FileKind.SEQUENCE, str(mine)) == mine
    with pytest.raises(BadInput, match=r"other.yaml is not there; allowed: a YAML file, or one of as-found, as-left"):
        find_file(FileKind.SEQUENCE, str(tmp_path / "other.yaml"))
    with pytest.raises(BadInput, match="is a folder"):
        find_file(FileKind.SEQUENCE, str(tmp_path))


def test_an_unknown_name_lists_what_there_is_and_the_closest() -> None:
    with pytest.raises(
        BadInput,
        match=r"no motor type is called 'ostrel-mt14'; .*brackwater-b5, ostrel-mt41.*did you mean 'ostrel-mt41'",
    ):
        find_file(FileKind.MOTOR_TYPE, "ostrel-mt14")


def test_only_files_of_the_kind_are_offered() -> None:
    """Other YAML files may stand beside sequences, such as the invented rebuild line of the demo."""
    assert shipped_names(FileKind.SEQUENCE) == ["as-found", "as-left", "setting", "station-check", "windings-only"]


def test_an_own_type_finds_the_adapter_beside_it(tmp_path: Path) -> None:
    own = tmp_path / "types" / "own.yaml"
    (tmp_path / "adapters").mkdir()
    own.parent.mkdir()
    own.write_text("motor_type: own\n", encoding="utf-8")
    adapter = tmp_path / "adapters" / "own-plug.yaml"
    shutil.copy(SHIPPED / "adapters" / "ostrel-mt4.yaml", adapter)
    assert find_file(FileKind.ADAPTER, "own-plug", beside=own) == adapter
    assert find_file(FileKind.ADAPTER, "ostrel-mt4", beside=own) == SHIPPED / "adapters" / "ostrel-mt4.yaml"


def test_the_shipped_files_are_packed_into_the_wheel() -> None:
    """The wheel puts `sequences` beside the rooms, where this module looks for it."""
    import tomllib

    project = tomllib.loads((SHIPPED.parent / "pyproject.toml").read_text(encoding="utf-8"))
    assert project["tool"]["hatch"]["build"]["targets"]["wheel"]["force-include"] == {"sequences": "sequences"}
