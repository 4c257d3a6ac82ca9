"""The folder that holds a station's records and sheets."""

import contextlib
import os
from dataclasses import dataclass
from pathlib import Path

from db.store import Store, StoreError

DEFAULT_FOLDER = Path("polemark-data")
ENVIRONMENT = "POLEMARK_DATA"


@dataclass(frozen=True, slots=True)
class DataFolder:
    """`records.db` and `sheets/` below one folder."""

    path: Path

    @classmethod
    def at(cls, path: Path | None) -> "DataFolder":
        """Take the folder given, else the one named by the environment, else `polemark-data` here."""
        return cls(path or Path(os.environ.get(ENVIRONMENT) or DEFAULT_FOLDER))

    @property
    def database(self) -> Path:
        """The SQLite file."""
        return self.path / "records.db"

    def open_store(self) -> Store:
        """Make the folder if need be and open the store.

        Raises
        ------
        StoreError
            The folder or the store cannot be used; the message says why.
        """
        try:
            (self.path / "sheets").mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(f"the data folder {self.path} cannot be made or written: {error.strerror}") from None
        return Store.open(self.database)

    def sheet_path(self, number: str) -> Path:
        """Where the sheet of one record goes."""
        return self.path / "sheets" / f"{number}.html"

    def write_sheet(self, number: str, html: str) -> Path:
        """Write a sheet beside its final place and move it there, so that a cut leaves no half sheet."""
        path = self.sheet_path(number)
        part = path.with_suffix(".part")
        try:
            part.write_text(html, encoding="utf-8", newline="\n")
            part.replace(path)
        except OSError as error:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
            raise StoreError(
                f"the sheet {path} cannot be written: {error.strerror}; the record itself is stored"
            ) from None
        return path
