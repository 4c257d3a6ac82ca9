"""Approved configuration: which revision of a file is in use, told from the entries; the latest of each name counts."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from db.column_types import time_text
from db.store import Store
from db.store_errors import understood


@dataclass(frozen=True, slots=True)
class ConfigFile:
    """One file by what it is and says."""

    kind: str
    """`sequence`, `motor type`, `adapter`, `bench` or `interlock table`."""
    name: str
    revision: str | None
    digest: str


@dataclass(frozen=True, slots=True)
class Approval:
    """A file as it was approved."""

    file: ConfigFile
    by: str
    note: str | None
    at_utc: str


def approve(store: Store, file: ConfigFile, by: str, note: str | None, at_utc: datetime) -> None:
    """Enter an approval; it takes the place of the one before for the same kind and name."""
    document: dict[str, Any] = {
        "format": "polemark-approval-1", "name": file.name, "file_kind": file.kind, "revision": file.revision,
        "digest": file.digest, "by": by, "note": note, "at_utc": time_text(at_utc),
    }  # fmt: skip
    with store.adding("production", at_utc) as ledger:
        ledger.add(document)


def approvals(store: Store) -> list[Approval]:
    """List what is in use: the latest approval for each kind and name."""
    latest = {}
    for entry in store.entries("approval"):
        with understood(entry.kind, entry.position):
            said = entry.document
            file = ConfigFile(said["file_kind"], said["name"], said["revision"], said["digest"])
            latest[file.kind, file.name] = Approval(file, said["by"], said["note"], said["at_utc"])
    return [latest[key] for key in sorted(latest)]
