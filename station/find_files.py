"""Find sequences, motor types, adapters and benches by name among the shipped files, or by path."""

import re
from collections.abc import Iterator
from enum import Enum
from pathlib import Path

from station.exit_codes import BadInput
from station.wording import listed, meant

SHIPPED = Path(__file__).resolve().parent.parent / "sequences"
"""The shipped files: beside this room both in a source checkout and in an installed wheel."""


class FileKind(Enum):
    """A kind of file: what people call it, its folder below the shipped files, and the key that its files begin with."""

    SEQUENCE = ("sequence", ".", "sequence")
    MOTOR_TYPE = ("motor type", "motor_types", "motor_type")
    ADAPTER = ("adapter", "adapters", "adapter")
    BENCH = ("bench", "benches", "bench")

    @property
    def word(self) -> str:
        """What people call it."""
        return self.value[0]

    @property
    def folder(self) -> str:
        """Its folder below the shipped files."""
        return self.value[1]

    @property
    def key(self) -> str:
        """The top-level key that holds its name."""
        return self.value[2]


def shipped_names(kind: FileKind, root: Path = SHIPPED) -> list[str]:
    """List the names of the shipped files of a kind, sorted."""
    return sorted(path.stem for path in _files(kind, root / kind.folder))


def find_file(kind: FileKind, name: str, *, beside: Path | None = None, root: Path = SHIPPED) -> Path:
    """Find a file by name or path.

    Parameters
    ----------
    name
        A path (it holds a folder or ends in .yaml or .yml), a name, or words such as `Ostrel MT41`.
    beside
        A file whose neighbours are looked at before the shipped ones: own types bring their own adapters.

    Raises
    ------
    BadInput
        There is no such file; the message lists what there is and names the closest.
    """
    path = Path(name)
    if path.suffix in (".yaml", ".yml") or len(path.parts) > 1:
        if not path.is_file():
            why = "is a folder" if path.is_dir() else "is not there"
            raise BadInput(
                f"{kind.word} {path} {why}; allowed: a YAML file, or one of {listed(shipped_names(kind, root))}"
            )
        return path
    slug = _slug(name)
    found = [p for folder in _folders(kind, beside, root) for p in _files(kind, folder) if _slug(p.stem) == slug]
    if found:
        return found[0]
    known = sorted({p.stem for folder in _folders(kind, beside, root) for p in _files(kind, folder)})
    raise BadInput(f"no {kind.word} is called '{name}'; allowed: a path to a YAML file, or one of {meant(slug, known)}")


def _folders(kind: FileKind, beside: Path | None, root: Path) -> list[Path]:
    own = [] if beside is None else [beside.resolve().parent, beside.resolve().parent.parent / kind.folder]
    return [*own, root / kind.folder]


def _files(kind: FileKind, folder: Path) -> Iterator[Path]:
    """Go through the files of a kind: other YAML files stand beside them, told apart by their first key."""
    mark = re.compile(rf"^{kind.key}\s*:", re.MULTILINE)
    for path in sorted(folder.glob("*.yaml")):
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError):
            continue
        if mark.search(text):
            yield path


def _slug(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-")
