"""What the audit commands share: the store opened to be read, times and kept heads from the command line."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from db.proofs import KeptHead
from db.store import Store
from station.data_folder import DataFolder
from station.exit_codes import BadInput
from station.formatting import visible

_LONGEST_FILE = 1_000_000


def folder_with_store(data: Path | None) -> DataFolder:
    """Return the data folder, which must hold a store.

    Raises
    ------
    BadInput
        It holds none; an audit makes none.
    """
    folder = DataFolder.at(data)
    if not folder.database.is_file():
        raise BadInput(f"there is no store {folder.database}; allowed: --data with a folder that holds records.db")
    return folder


def store_to_read(data: Path | None) -> Store:
    """Open the store of a data folder without changing or making anything.

    Raises
    ------
    BadInput
        There is none.
    StoreError
        It cannot be read.
    """
    return Store.open_to_read(folder_with_store(data).database)


def kept_head(said: str) -> KeptHead:
    """Read a head that was kept: the name of a file (a signed head, a proof, or `size:root`), or `size:root` itself.

    Raises
    ------
    BadInput
        It is neither.
    """
    try:
        return KeptHead.of_text(said)
    except ValueError:
        text = text_of_file(Path(said), "a head: a file, or the text size:root as it is printed")
    try:
        return KeptHead.of_document(json.loads(text)) if text.lstrip().startswith("{") else KeptHead.of_text(text)
    except ValueError as error:
        raise BadInput(f"{said} holds no head: {error}") from None


def text_of_file(path: Path, allowed: str) -> str:
    """Read a small text file.

    Raises
    ------
    BadInput
        It cannot be read.
    """
    try:
        with path.open(encoding="utf-8") as file:
            return file.read(_LONGEST_FILE)
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is no text"
        raise BadInput(f"{str(path)[:200]!r} cannot be read: {why}; allowed: {allowed}") from None


def moment(said: str | None, option: str, *, whole_day: bool = False) -> datetime | None:
    """Read a day (UTC) or a time with its zone; for the end of a span a day is meant to its end.

    Raises
    ------
    BadInput
        It is neither.
    """
    if said is None:
        return None
    try:
        found = datetime.fromisoformat(said)
    except ValueError:
        found = None
    only_day = found is not None and len(said) <= len("2026-03-25") and "T" not in said
    if found is None or (found.tzinfo is None and not only_day):
        raise BadInput(f"{option} is {said!r}; allowed: a day as 2026-03-25 (UTC), or a time as 2026-03-25T08:00Z")
    if only_day:
        return found.replace(tzinfo=UTC) + timedelta(days=1 if whole_day else 0)
    return found.astimezone(UTC)


def time_shown(at_utc: datetime) -> str:
    """Return a time as the audit commands print it."""
    return at_utc.strftime("%Y-%m-%d %H:%M:%SZ")


def shown(value: Any) -> str:
    """Return a stored text on one line, with nothing hidden in it."""
    return visible(" ".join(str(value).split("\n")))


def counted(number: int, noun: str) -> str:
    """Return a number with its noun."""
    plural = f"{noun[:-1]}ies" if noun.endswith("y") else f"{noun}s"
    return f"{number} {noun if number == 1 else plural}"


def as_json(document: Any) -> str:
    """Return a document as the JSON that `--json` prints."""
    text = json.dumps(document, indent=2, ensure_ascii=False)
    # Half a surrogate pair, which only another hand can have put there, cannot be printed; JSON can spell it out.
    return text.encode(errors="backslashreplace").decode()
