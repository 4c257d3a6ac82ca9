"""The ledger: entries are added in order inside one transaction, and the tree's new root is signed before it ends."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, func, insert, select

from db.canonical import canonical_bytes, digest_of
from db.column_types import time_of, time_text
from db.merkle import Peaks, leaf_hash
from db.signing import Head, KeyUse, SigningKey, head_holds, sign_head
from db.store_errors import StoreError
from db.tables import EntryRow, HeadRow, KeyRow

# For each format of entry: its kind, and where its subject and its time stand in the document.
_SHAPES: Mapping[str, tuple[str, str, str]] = {
    "polemark-key-1": ("key", "key", "at_utc"),
    "polemark-job-1": ("job", "number", "at_utc"),
    "polemark-motor-1": ("motor", "serial", "at_utc"),
    "polemark-started-1": ("started", "number", "started_utc"),
    "polemark-record-1": ("record", "number", "ended_utc"),
    "polemark-void-1": ("void", "number", "at_utc"),
    "polemark-amendment-1": ("amendment", "number", "at_utc"),
    "polemark-signature-1": ("signature", "number", "at_utc"),
    "polemark-decision-1": ("decision", "number", "at_utc"),
    "polemark-person-1": ("person", "name", "at_utc"),
    "polemark-permission-1": ("permission", "name", "at_utc"),
    "polemark-password-1": ("password", "name", "at_utc"),
    "polemark-refusal-1": ("refusal", "name", "at_utc"),
    "polemark-approval-1": ("approval", "name", "at_utc"),
    "polemark-unlock-1": ("unlock", "motor_serial", "at_utc"),
}

SAID_OF_RECORDS = ("void", "amendment", "signature", "decision")
"""Kinds of entries that speak of a record; they are signed with the key of its kind."""


@dataclass(frozen=True, slots=True)
class EntryFacts:
    """What the columns of an entry say; all of it is told from the document, so that a changed column shows."""

    kind: str
    subject: str
    at_utc: datetime


@dataclass(frozen=True, slots=True)
class Added:
    """Where a document went."""

    position: int
    digest: str


def facts_of(document: Mapping[str, Any]) -> EntryFacts:
    """Tell an entry's columns from its document.

    Raises
    ------
    ValueError
        It is no entry, or lacks its subject or time.
    """
    shape = _SHAPES.get(str(document.get("format")))
    if shape is None:
        raise ValueError(f"its format is {document.get('format')!r}; allowed: {', '.join(_SHAPES)}")
    kind, subject, time = shape
    for key in (subject, time):
        if not isinstance(document.get(key), str) or not document[key]:
            raise ValueError(f"a {kind} needs the text {key!r}")
    return EntryFacts(kind, document[subject], time_of(document[time]))


def stored_document(where: str, row: Row[*tuple[Any, ...]]) -> Mapping[str, Any]:
    """Return the document of an entry's row, after checking that it fits its digest and that the columns say the same.

    Raises
    ------
    StoreError
        It does not, or they do not.
    """
    if leaf_hash(row.content) != row.leaf:
        raise StoreError(
            f"{where}: the {row.kind} of {row.subject} does not fit its digest; the store was changed, or is damaged"
        )
    try:
        document: Mapping[str, Any] = json.loads(row.content)
        listed = facts_of(document) == EntryFacts(row.kind, row.subject, row.at_utc)
    except (ValueError, AttributeError, RecursionError) as error:
        raise StoreError(f"{where}: entry {row.position} cannot be read: {error}") from None
    if not listed:
        raise StoreError(
            f"{where}: entry {row.position} is not listed as it is stored; the store was changed, or is damaged"
        )
    return document


class LedgerWriter:
    """Adds to the ledger inside one transaction of the only writer.

    Raises
    ------
    StoreError
        The last signed head does not belong to the last entry.
    """

    def __init__(self, connection: Connection, where: str, key: SigningKey, at_utc: datetime) -> None:
        self.connection, self._where, self._key, self._at_utc = connection, where, key, at_utc
        self._peaks = last_peaks(connection, where)
        if connection.scalar(select(KeyRow.position).where(KeyRow.name == key.name)) is None:
            self._introduce_key()

    def add(self, document: Mapping[str, Any]) -> Added:
        """Add one entry.

        Raises
        ------
        StoreError
            The document is no entry or has no canonical form.
        """
        try:
            content = canonical_bytes(document)
            facts = facts_of(document)
        except ValueError as error:
            raise StoreError(f"{self._where}: {document.get('number', 'an entry')} cannot be stored: {error}") from None
        position, leaf = self._peaks.size, leaf_hash(content)
        self._peaks = self._peaks.added(leaf)
        self.connection.execute(
            insert(EntryRow).values(
                position=position,
                kind=facts.kind,
                subject=facts.subject,
                at_utc=facts.at_utc,
                content=content,
                leaf=leaf,
            )
        )
        return Added(position, digest_of(content))

    def seal(self) -> Head:
        """Sign the root of what is there now."""
        head = sign_head(self._key, self._peaks.size, self._peaks.root(), self._at_utc)
        self.connection.execute(
            insert(HeadRow).values(
                size=head.size,
                root=head.root,
                peaks=self._peaks.raw,
                at_utc=head.at_utc,
                key=head.key,
                signature=head.signature,
            )
        )
        return head

    def _introduce_key(self) -> None:
        """Enter a public key before the first head that it signs."""
        key = self._key
        document = {
            "format": "polemark-key-1",
            "key": key.name,
            "use": str(key.use),
            "public": key.public.hex(),
            "at_utc": time_text(self._at_utc),
        }
        added = self.add(document)
        self.connection.execute(
            insert(KeyRow).values(position=added.position, name=key.name, use=str(key.use), public=key.public)
        )


def last_peaks(connection: Connection, where: str) -> Peaks:
    """Return the tree as the last head left it.

    Raises
    ------
    StoreError
        There are more or fewer entries than it covers.
    """
    last = connection.execute(select(HeadRow.size, HeadRow.peaks).order_by(HeadRow.size.desc()).limit(1)).first()
    size = 0 if last is None else last.size
    top = connection.scalar(select(func.max(EntryRow.position)))
    entries = 0 if top is None else top + 1
    if entries != size:
        raise StoreError(
            f"{where}: its last signed head covers {size} entries and it holds {entries}; it was changed, or is damaged"
        )
    try:
        return Peaks() if last is None else Peaks.of_bytes(size, last.peaks)
    except ValueError as error:
        raise StoreError(f"{where}: its last head is damaged: {error}") from None


def latest_head(connection: Connection, use: KeyUse | None = None) -> Head | None:
    """Return the latest head, or the latest one signed for a use."""
    columns = (HeadRow.size, HeadRow.root, HeadRow.at_utc, HeadRow.key, HeadRow.signature)
    query = select(*columns).order_by(HeadRow.size.desc()).limit(1)
    if use is not None:
        query = query.join(KeyRow, KeyRow.name == HeadRow.key).where(KeyRow.use == str(use))
    row = connection.execute(query).first()
    return None if row is None else Head(*row)


def check_last_head(connection: Connection, where: str) -> None:
    """Check at opening that the last head covers the last entry and is signed by a key that the store knows.

    Raises
    ------
    StoreError
        It does not, or is not.
    """
    peaks = last_peaks(connection, where)
    head = latest_head(connection)
    if head is None:
        return
    public = connection.scalar(select(KeyRow.public).where(KeyRow.name == head.key))
    if peaks.root() != head.root or public is None or not head_holds(head, public):
        raise StoreError(f"{where}: its last head is not what was signed; it was changed, or is damaged")
