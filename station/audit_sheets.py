"""Comparing the sheets in the data folder with what the store renders for the ledger of their time."""

import re
from collections.abc import Callable, Iterator
from pathlib import Path

from sqlalchemy import select

from db.engine import reading
from db.signing import Head, KeyUse
from db.store import Store, StoreError, UnknownRecord
from db.tables import HeadRow
from station.sheet import SheetError
from station.sheet_command import sheet_html

_SIZE = re.compile(r"ledger entries taken into account: ([0-9]{1,15})[.;]")


def sheets_in(folder: Path) -> list[Path]:
    """Return the sheets of a folder in their order."""
    return sorted(folder.glob("*.html"))


def sheet_problems(store: Store, sheets: list[Path], advance: Callable[[int], object]) -> Iterator[str]:
    """Say which sheets are not what the store renders for the number of ledger entries that they name."""
    for sheet in sheets:
        problem = _problem(store, sheet)
        if problem is not None:
            yield f"the sheet {sheet.name} {problem}"
        advance(1)


def _problem(store: Store, sheet: Path) -> str | None:
    try:
        html = sheet.read_bytes().decode()
    except (OSError, UnicodeDecodeError):
        return "cannot be read"
    size = _SIZE.search(html)
    if size is None:
        return "does not say how many ledger entries it was made of: it was changed, or is no sheet"
    try:
        due = sheet_html(_AsItStood(store, int(size[1])), sheet.stem)
    except UnknownRecord:
        return "belongs to no record of this store"
    except (StoreError, SheetError) as error:
        return f"cannot be compared: {str(error).removeprefix(f'{store.where}: ')}"
    except (KeyError, TypeError, AttributeError, ValueError):
        # The entry fits its digest; what else is wrong with it, the check of the ledger has said.
        return "cannot be compared: its record is not of the form of a record"
    if html != due:
        return f"is not what this program makes of its record and {size[1]} ledger entries: it was changed, or another version made it"
    return None


class _AsItStood(Store):
    """A store as it stood at a size of its ledger."""

    def __init__(self, store: Store, size: int) -> None:
        super().__init__(store.engine, store.where, None)
        self._size = size

    def head(self, use: KeyUse | None = None) -> Head | None:
        """Return the head of that size."""
        del use
        columns = (HeadRow.size, HeadRow.root, HeadRow.at_utc, HeadRow.key, HeadRow.signature)
        with reading(self.engine, self.where) as connection:
            row = connection.execute(select(*columns).where(HeadRow.size == self._size)).first()
        if row is None:
            raise StoreError(f"it names {self._size} ledger entries, and the store has no head of that size")
        return Head(*row)
