"""`polemark audit show`: one record as the ledger has it."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from db.audit_reading import Entry, entries_of, inclusion, signed_head, tree_of
from db.column_types import time_text
from db.merkle import Tree
from db.proofs import InclusionProof, SignedHead
from db.signing import KeyUse
from db.store import Store, StoreError, UnknownRecord
from station.audit_store import as_json, shown, store_to_read, time_shown
from station.audit_verify import head_lines
from station.audit_words import instrument_line, instrument_rows, people, who_and_what
from station.exit_codes import ExitCode


@dataclass(frozen=True, slots=True)
class Proved:
    """A record with everything that was said of it, proved to lie under a signed head."""

    record: Entry
    entries: Sequence[Entry]
    proofs: Sequence[InclusionProof]
    """For each entry the proof that it lies in the head."""
    head: SignedHead

    @property
    def document(self) -> Mapping[str, Any]:
        """The record's document."""
        return self.record.document

    @property
    def void(self) -> bool:
        """Whether it was marked as not counting."""
        return any(entry.kind == "void" for entry in self.entries)


def proved(store: Store, number: str, tree: Tree) -> Proved:
    """Return a record with its entries, each proved under the latest head that the key for its kind signed.

    Raises
    ------
    UnknownRecord
        There is none of that number.
    StoreError
        An entry, a signature or a proof does not hold.
    """
    entries = entries_of(store, number)
    record = next((entry for entry in entries if entry.kind == "record"), None)
    if record is None:
        raise UnknownRecord(f"{store.where}: there is no record {number}; `polemark records` lists those there are")
    kind = str(record.document.get("kind"))
    head = signed_head(store, KeyUse.for_kind(kind))
    if head is None or head.head.size <= max(entry.position for entry in entries):
        raise StoreError(f"{store.where}: no head signed for {kind} records covers {number}")
    proofs = [inclusion(store, entry, head, tree) for entry in entries]
    return Proved(record, entries, proofs, head)


def show_command(data: Path | None, number: str, *, json_wanted: bool) -> int:
    """Print what the ledger has of one record."""
    with store_to_read(data) as store:
        found = proved(store, number, tree_of(store))
    if json_wanted:
        click.echo(as_json(_document(found)))
        return ExitCode.DONE
    for line in _lines(found):
        click.echo(line)
    return ExitCode.DONE


def _lines(found: Proved) -> Iterator[str]:
    said = found.document
    void = "VOID, " if found.void else ""
    yield shown(
        f"{said['number']}: {void}{said['kind']}, {said['stage']} of motor {said['motor']['serial']} "
        f"({said['motor_type']['name']}), job {said['job']['number']}"
    )
    yield f"Record: entry {found.record.position}, {found.record.digest}"
    yield "History:"
    for entry in found.entries:
        who, what = who_and_what(entry)
        yield shown(f"  entry {entry.position}, {time_shown(entry.at_utc)}, {who}: {what}")
    yield "Took part:"
    status = sorted({str(person["status"]) for person in said["people"]})
    yield shown(f"  people: {people(said['people'])}; {', '.join(status) or 'none'}")
    yield shown(f"  software: {said['software']['name']} {said['software']['version']}")
    yield shown(f"  station and bench: {said['bench']['station']}, {said['bench']['name']}")
    yield shown(f"  sequence: {said['sequence']['name']}, {said['sequence']['digest']}")
    for row in instrument_rows(said):
        yield f"  {instrument_line(row)}"
    yield from head_lines(found.head)
    yield "The entries above fit their digests and lie in this head; its signature holds. `polemark audit verify` checks all the rest."


def _document(found: Proved) -> dict[str, Any]:
    said = found.document
    return {
        "number": said["number"],
        "kind": said["kind"],
        "void": found.void,
        "position": found.record.position,
        "digest": found.record.digest,
        "history": [entry_document(entry) for entry in found.entries],
        "people": said["people"],
        "software": said["software"],
        "station": said["bench"]["station"],
        "bench": said["bench"]["name"],
        "sequence": {"name": said["sequence"]["name"], "digest": said["sequence"]["digest"]},
        "instruments": list(instrument_rows(said)),
        "head": found.head.document(),
        "proved": True,
    }


def entry_document(entry: Entry) -> dict[str, Any]:
    """Return an entry's place and sense for a script."""
    who, what = who_and_what(entry)
    return {
        "position": entry.position,
        "at_utc": time_text(entry.at_utc),
        "kind": entry.kind,
        "subject": entry.subject,
        "who": who,
        "what": what,
        "digest": entry.digest,
    }
