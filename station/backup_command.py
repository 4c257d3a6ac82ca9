"""`polemark backup` and `polemark restore`: a checked copy of the store, and a store from a checked copy."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import click

from db.audit_reading import signed_head
from db.backup import UnsoundCopy, back_up, restore
from db.store import Store, StoreError
from db.store_check import Checked
from station.audit_store import folder_with_store, kept_head, shown
from station.audit_verify import contents, head_lines
from station.exit_codes import BadInput, ExitCode


def backup_command(copy: Path, data: Path | None) -> int:
    """Copy the store to a file and say what is in it."""
    folder = folder_with_store(data)
    with _no_overwriting():
        _say(copy, _problems_shown(lambda: back_up(folder.database, copy)))
    click.echo(
        f"Not in it: the private keys ({folder.path / 'keys'}), which are kept apart, and sheets, which can be made again."
    )
    return ExitCode.DONE


def restore_command(copy: Path, data: Path, heads: Sequence[str]) -> int:
    """Put a copy into a data folder that has no store."""
    if not copy.is_file():
        raise BadInput(f"there is no file {copy}; allowed: a file that `polemark backup` wrote")
    kept = [kept_head(said) for said in heads]
    target = data / "records.db"
    try:
        data.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(f"the data folder {data} cannot be made: {error.strerror}") from None
    with _no_overwriting():
        _say(target, _problems_shown(lambda: restore(copy, target, kept)))
    for head in kept:
        click.echo(f"It grew from the kept head of {head.size} entries.")
    if not (data / "keys").is_dir():
        click.echo(f"New records will be signed by a new key, unless the old ones are put back into {data / 'keys'}.")
    return ExitCode.DONE


def _say(path: Path, checked: Checked) -> None:
    click.echo(f"{path}: {contents(checked)}; sound.")
    with Store.open_to_read(path) as store:
        head = signed_head(store)
    for line in () if head is None else head_lines(head):
        click.echo(line)


def _problems_shown(act: Callable[[], Checked]) -> Checked:
    try:
        return act()
    except UnsoundCopy as unsound:
        for problem in unsound.problems:
            click.echo(shown(problem))
        raise


@contextmanager
def _no_overwriting() -> Iterator[None]:
    try:
        yield
    except FileExistsError as there:
        raise BadInput(
            f"{there.filename} is there already and is not overwritten; allowed: a place where nothing is"
        ) from None
