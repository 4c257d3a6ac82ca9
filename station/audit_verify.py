"""`polemark audit verify`: is the store whole, and did it grow from the heads that were kept."""

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from db.audit_reading import signed_head
from db.engine import engine_to_read, url_of
from db.proofs import KeptHead, SignedHead
from db.store import Store, StoreError
from db.store_check import Checked, check_store
from station.audit_sheets import sheet_problems, sheets_in
from station.audit_store import as_json, counted, folder_with_store, kept_head, shown, time_shown
from station.exit_codes import ExitCode

Advance = Callable[[int], object]


@dataclass(frozen=True, slots=True)
class Verified:
    """A store that was checked."""

    checked: Checked
    head: SignedHead | None
    sheets: int


def verify_command(data: Path | None, heads: Sequence[str], *, json_wanted: bool) -> int:
    """Check the whole store and say in one line each what is wrong."""
    folder = folder_with_store(data)
    kept = [kept_head(said) for said in heads]
    with _progress() as progress:
        verified = verify(folder.database, folder.path / "sheets", kept, progress)
    checked = verified.checked
    if json_wanted:
        click.echo(as_json(_document(folder.database, verified, kept)))
    else:
        for line in _lines(folder.database, verified, kept):
            click.echo(line)
    return ExitCode.STORE if checked.problems else ExitCode.DONE


def verify(
    database: Path, sheets: Path | None, kept: Sequence[KeptHead], progress: Callable[[int], Advance]
) -> Verified:
    """Check a store, and the sheets that lie beside it."""
    engine = engine_to_read(url_of(database))
    where = f"store {database}"
    try:
        found = [] if sheets is None else sheets_in(sheets)
        advance: list[Advance] = []

        def begun(total: int) -> Advance:
            advance.append(progress(total + len(found)))
            return advance[0]

        checked = check_store(engine, where, kept, begun)
        store, head = Store(engine, where, None), None
        if advance:
            checked.problems.extend(sheet_problems(store, found, advance[0]))
        if not checked.problems:
            head = signed_head(store)
        return Verified(checked, head, len(found))
    except StoreError as error:
        return Verified(Checked(problems=[str(error)]), None, 0)
    finally:
        engine.dispose()


def _lines(database: Path, verified: Verified, kept: Sequence[KeptHead]) -> Iterator[str]:
    checked = verified.checked
    yield f"Store {database}: {contents(checked)}, {counted(verified.sheets, 'sheet')}."
    yield from map(shown, checked.problems)
    yield from (shown(f"note: {note}") for note in checked.notes)
    if checked.problems:
        yield f"NOT SOUND: {counted(len(checked.problems), 'problem')}. Keep this store as it is, and compare it with a backup."
        return
    yield from (f"It grew from the kept head of {head.size} entries." for head in kept)
    if verified.head is not None:
        yield from head_lines(verified.head)
    if not kept:
        yield "An older copy of the store would look as sound: give a head that was kept elsewhere (--head) to rule that out."
    yield "Sound."


def contents(checked: Checked) -> str:
    """Return what a store holds, counted."""
    return ", ".join(
        counted(number, noun)
        for number, noun in (
            (checked.entries, "entry"), (checked.records, "record"), (checked.waveforms, "waveform"),
        )
    )  # fmt: skip


def head_lines(signed: SignedHead) -> Iterator[str]:
    """Say what a signed head is, in the form in which it can be kept."""
    yield f"Head: {signed.text()}"
    yield f"  signed {time_shown(signed.head.at_utc)} by the key for {signed.use}, {signed.head.key}"


def _document(database: Path, verified: Verified, kept: Sequence[KeptHead]) -> dict[str, Any]:
    checked = verified.checked
    return {
        "store": str(database),
        "sound": not checked.problems,
        "entries": checked.entries,
        "records": checked.records,
        "waveforms": checked.waveforms,
        "sheets": verified.sheets,
        "kept_heads": [f"{head.size}:{head.root.hex()}" for head in kept],
        "head": None if verified.head is None else verified.head.document(),
        "problems": checked.problems,
        "notes": checked.notes,
    }


@contextmanager
def _progress() -> Iterator[Callable[[int], Advance]]:
    """Show a bar where somebody looks on; a file or a script gets none."""
    if not sys.stderr.isatty():
        yield lambda _: lambda _: None
        return
    with click.progressbar(length=1, label="Reading", file=sys.stderr) as bar:

        def begun(total: int) -> Advance:
            bar.length = max(total, 1)
            return bar.update

        yield begun
