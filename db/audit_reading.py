"""What an auditor reads: entries as they are stored, each checked against its digest, with heads and proofs."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Row, Select, select

from db.canonical import digest_of
from db.engine import reading
from db.ledger import SAID_OF_RECORDS, latest_head, stored_document
from db.merkle import Tree
from db.proofs import ConsistencyProof, InclusionProof, KeptHead, SignedHead, prove_growth, prove_inclusion
from db.queries import Queries
from db.signing import KeyUse
from db.store_errors import StoreError
from db.tables import EntryRow, JobRow, KeyRow, RunRow

_AT_ONCE = 50


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the ledger."""

    position: int
    kind: str
    subject: str
    at_utc: datetime
    content: bytes
    """RFC 8785 form of the document, as it is stored."""
    document: Mapping[str, Any]

    @property
    def digest(self) -> str:
        """Digest of the content."""
        return digest_of(self.content)


def entries_of(store: Queries, number: str) -> list[Entry]:
    """Return every entry that speaks of a run: its start, its record, and what was said of it later."""
    of_run = EntryRow.kind.in_(("started", "record", *SAID_OF_RECORDS))
    return list(_read(store, select(EntryRow).where(EntryRow.subject == number, of_run)))


def trail(
    store: Queries, since: datetime | None = None, until: datetime | None = None, subject: str | None = None
) -> Iterator[Entry]:
    """Return the entries in their order.

    Parameters
    ----------
    since, until
        Bounds of an entry's time; `until` itself is left out.
    subject
        Only what concerns this record, job or motor.

    Raises
    ------
    StoreError
        An entry does not fit its digest.
    """
    query = select(EntryRow)
    if since is not None:
        query = query.where(EntryRow.at_utc >= since)
    if until is not None:
        query = query.where(EntryRow.at_utc < until)
    if subject is not None:
        concerned = (RunRow.motor_serial == subject) | (RunRow.job == subject)
        runs = select(RunRow.number).where(concerned)
        jobs = select(JobRow.position).where(JobRow.motor_serial == subject)
        query = query.where((EntryRow.subject == subject) | EntryRow.subject.in_(runs) | EntryRow.position.in_(jobs))
    return _read(store, query)


def records_saying(store: Queries, words: str) -> Iterator[Entry]:
    """Return the records in which words stand anywhere, in small or capital letters, the oldest first."""
    # Written as it stands inside a JSON text, so that most records need not be taken apart.
    wanted = json.dumps(words, ensure_ascii=False)[1:-1].casefold()
    for row in _rows(store, select(EntryRow).where(EntryRow.kind == "record")):
        if wanted in row.content.decode(errors="replace").casefold():
            yield _entry(store, row)


def signed_head(store: Queries, use: KeyUse | None = None) -> SignedHead | None:
    """Return the latest head with the public key to check it, or the latest that a key of this use signed.

    Raises
    ------
    StoreError
        It is not signed by the key it names.
    """
    with reading(store.engine, store.where) as connection:
        head = latest_head(connection, use)
        if head is None:
            return None
        key = connection.execute(select(KeyRow.use, KeyRow.public).where(KeyRow.name == head.key)).first()
    signed = None if key is None else SignedHead(head, key.use, key.public)
    if signed is None or not signed.holds():
        raise StoreError(f"{store.where}: the head of size {head.size} is not signed by its key")
    return signed


def inclusion(store: Queries, entry: Entry, signed: SignedHead, tree: Tree) -> InclusionProof:
    """Prove an entry under a head.

    Raises
    ------
    StoreError
        The store's entries do not lead to that head.
    """
    proof = prove_inclusion(tree, entry.position, signed)
    if not proof.holds(entry.content):
        raise StoreError(
            f"{store.where}: the {entry.kind} of {entry.subject} does not lie in the signed head of size {signed.head.size}; "
            "the store was changed, or is damaged"
        )
    return proof


def growth(store: Queries, first: KeptHead, signed: SignedHead) -> ConsistencyProof:
    """Prove that the store grew from a head that was kept.

    Raises
    ------
    StoreError
        It did not.
    """
    if first.size > signed.head.size:
        raise StoreError(
            f"{store.where}: the kept head covers {first.size} entries and the store holds {signed.head.size}: "
            "entries were taken away, or this is an older copy"
        )
    try:
        return prove_growth(tree_of(store), first, signed)
    except ValueError as error:
        raise StoreError(f"{store.where}: {error}") from None


def tree_of(store: Queries) -> Tree:
    """Return the tree over the ledger as it is listed; whether a proof from it holds, its head tells."""
    with reading(store.engine, store.where) as connection:
        return Tree(list(connection.scalars(select(EntryRow.leaf).order_by(EntryRow.position))))


def _read(store: Queries, query: Select[*tuple[Any, ...]]) -> Iterator[Entry]:
    return (_entry(store, row) for row in _rows(store, query))


def _rows(store: Queries, query: Select[*tuple[Any, ...]]) -> Iterator[Row[*tuple[Any, ...]]]:
    columns = EntryRow.__table__.columns
    with reading(store.engine, store.where) as connection:
        few = connection.execution_options(yield_per=_AT_ONCE)
        yield from few.execute(query.with_only_columns(*columns).order_by(EntryRow.position))


def _entry(store: Queries, row: Row[*tuple[Any, ...]]) -> Entry:
    document = stored_document(store.where, row)
    return Entry(row.position, row.kind, row.subject, row.at_utc, row.content, document)
