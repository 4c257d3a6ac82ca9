"""Checking a store whole: the file, the schema, the ledger, and everything that is told from it.

Nothing of the store is changed, and a damaged one is read as far as it can be.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from sqlalchemy import Connection, Engine, func, select, text

from db.engine import reading
from db.ledger_check import ledger_problems
from db.proofs import KeptHead
from db.row_check import RowCheck
from db.schema import schema_problems
from db.store_errors import StoreError, told
from db.tables import EntryRow, RecordRow, WaveformRow

Advance = Callable[[int], object]


@dataclass(slots=True)
class Checked:
    """What a check found."""

    entries: int = 0
    records: int = 0
    waveforms: int = 0
    problems: list[str] = field(default_factory=list)
    """One sentence each; the store is sound where there is none."""
    notes: list[str] = field(default_factory=list)
    """What is unusual and puts nothing in doubt."""


def check_store(
    engine: Engine,
    where: str,
    kept: Sequence[KeptHead] = (),
    progress: Callable[[int], Advance] = lambda _: lambda _: None,
) -> Checked:
    """Check a store whole, in one state, whatever is added meanwhile.

    Parameters
    ----------
    kept
        Heads that were kept outside the store. Without one, a store that was put back to an earlier state is sound.
    progress
        Told the number of entries and waveforms that will be read; what it returns is told of those that were.
    """
    checked = Checked()
    try:
        with reading(engine, where) as connection:
            _check(connection, where, kept, progress, checked)
    except StoreError as error:
        checked.problems.append(_bare(error, where))
    return checked


def _check(
    connection: Connection,
    where: str,
    kept: Sequence[KeptHead],
    progress: Callable[[int], Advance],
    checked: Checked,
) -> None:
    def take(problems: Iterator[str]) -> None:
        try:
            with told(where):
                checked.problems.extend(problems)
        except StoreError as error:
            checked.problems.append(_bare(error, where))

    take(_file_problems(connection))
    take(schema_problems(connection))
    take(_count(connection, checked))
    advance = progress(checked.entries + checked.waveforms)
    take(ledger_problems(connection, kept, advance, checked.notes.append))
    rows = RowCheck(connection, checked.notes.append)
    take(rows.row_problems())
    take(rows.content_problems(advance))


def _count(connection: Connection, checked: Checked) -> Iterator[str]:
    counts = (select(func.count()).select_from(table) for table in (EntryRow, RecordRow, WaveformRow))
    checked.entries, checked.records, checked.waveforms = (connection.scalar(c) or 0 for c in counts)
    yield from ()


def _file_problems(connection: Connection) -> Iterator[str]:
    """Let SQLite check its own file: pages, order, indexes, and references between tables."""
    if connection.dialect.name != "sqlite":
        return
    for (said,) in connection.execute(text("PRAGMA integrity_check(20)")):
        if said != "ok":
            yield "the file is damaged: " + " ".join(said.replace("***", "").split())
    for row in connection.execute(text("PRAGMA foreign_key_check")):
        yield f"row {row[1]} of {row[0]} names a row of {row[2]} that is not there"


def _bare(error: StoreError, where: str) -> str:
    return str(error).removeprefix(f"{where}: ")
