"""A station's own store as what is copied from: its whole ledger is checked first, then it is handed out in parcels."""

import json
from collections.abc import Iterator, Mapping
from typing import Any

from sqlalchemy import Connection, RowMapping, func, select

from db.canonical import digest_of
from db.central_errors import HistoryRefused
from db.central_parcel import Entry, Parcel
from db.engine import reading
from db.merkle import Peaks, leaf_hash
from db.queries import Queries
from db.signing import Head, head_holds
from db.tables import AttachmentRow, EntryRow, HeadRow, KeyRow, RunRow, WaveformRow
from db.waveform_codec import unpack, waveform_digest

PARCEL_HEADS = 100
PARCEL_BYTES = 8_000_000
"""A parcel ends with the first head that reaches this, so that neither memory nor a transaction grows with a backlog."""


def station_named_in(store: Queries) -> str | None:
    """Return the station that the store's first run names; that entry never changes."""
    with reading(store.engine, store.where) as connection:
        return connection.scalar(select(RunRow.station).order_by(RunRow.position).limit(1))


class Source:
    """One station's store, read for copying."""

    def __init__(self, store: Queries, station: str) -> None:
        self.station, self.where = station, store.where
        self._store = store
        self._checked = Peaks()

    def size(self) -> int:
        """Return how many entries its last head covers."""
        with reading(self._store.engine, self.where) as connection:
            return _size(connection)

    def check(self, size: int, root: bytes, origin: bytes) -> None:
        """Check that the ledger is whole and continues what central holds; each entry is read once in the life of this object.

        Parameters
        ----------
        size, root, origin
            How far central has the ledger, the root that it has for it, and the leaf hash of entry 0.

        Raises
        ------
        HistoryRefused
            It is not, or does not.
        """
        with reading(self._store.engine, self.where) as connection:
            there = _size(connection)
            if size and _origin(connection) != origin:
                raise HistoryRefused(
                    f"{self.where}: central holds another ledger as station {self.station}, begun with another key; each station "
                    "needs a name of its own, nothing was copied"
                )
            if there < size:
                raise HistoryRefused(
                    f"{self.where}: it holds {there} entries and central holds {size} of station {self.station}; it is older than "
                    "what was copied (an old backup?), nothing was copied"
                )
            if size and _root(connection, size) != root:
                raise HistoryRefused(
                    f"{self.where}: its first {size} entries are not those that central holds of station {self.station}; one of "
                    "both was changed, or went on from a copy of the other, nothing was copied"
                )
            self._read_on(connection, signed_from=size)

    def parcel(self, first: int) -> Parcel:
        """Return what comes after the first `first` entries, up to a head.

        Raises
        ------
        HistoryRefused
            A waveform or attachment is missing or does not fit its digest, or an entry cannot be read.
        """
        entries: list[Entry] = []
        heads: list[tuple[Head, bytes]] = []
        contents = _Contents(self.where)
        with reading(self._store.engine, self.where) as connection:
            for head, peaks in _heads(connection, first, PARCEL_HEADS):
                new = [self._entry(row) for row in _entries(connection, first + len(entries), head.size)]
                for entry in new:
                    contents.add_named_in(connection, entry)
                entries += new
                heads.append((head, peaks))
                if contents.weight > PARCEL_BYTES:
                    break
            origin, root, there = _origin(connection), _root(connection, first), _size(connection)
        waveforms, attachments = list(contents.waveforms.values()), list(contents.attachments.values())
        return Parcel(self.station, origin, first, root, entries, heads, waveforms, attachments, there)

    def _read_on(self, connection: Connection, signed_from: int) -> None:
        """Go on from where the last check ended; heads that central has were checked when they came there."""
        keys = {row.name: row.public for row in connection.execute(select(KeyRow.name, KeyRow.public))}
        heads = {head.size: head for head, _ in _heads(connection, self._checked.size, None)}
        peaks = self._checked
        for entry in _entries(connection, peaks.size, None):
            if entry["position"] != peaks.size or leaf_hash(entry["content"]) != entry["leaf"]:
                raise self._refused(f"entry {peaks.size} is missing, or does not fit its digest")
            peaks = peaks.added(entry["leaf"])
            head = heads.pop(peaks.size, None)
            if head is None:
                continue
            signed = head.size <= signed_from or (head.key in keys and head_holds(head, keys[head.key]))
            if head.root != peaks.root() or not signed:
                raise self._refused(
                    f"the head of size {head.size} does not fit the entries, or is not signed by its key"
                )
            self._checked = peaks
        if heads or peaks.size != self._checked.size:
            raise self._refused(f"its last signed head does not cover its {peaks.size} entries")

    def _entry(self, row: RowMapping) -> Entry:
        try:
            document = json.loads(row["content"])
        except ValueError:
            document = None
        if not isinstance(document, dict):
            raise self._refused(f"entry {row['position']} cannot be read")
        return Entry(**row, document=document)

    def _refused(self, what: str) -> HistoryRefused:
        return HistoryRefused(
            f"{self.where}: {what}; the store was changed, or is damaged, and central takes nothing of it from there on"
        )


class _Contents:
    """The waveforms and attachments that some entries name, each once and checked against its digest."""

    def __init__(self, where: str) -> None:
        self._where = where
        self.waveforms: dict[str, Mapping[str, Any]] = {}
        self.attachments: dict[str, Mapping[str, Any]] = {}
        self.weight = 0

    def add_named_in(self, connection: Connection, entry: Entry) -> None:
        """Read what an entry names."""
        try:
            waveforms = {w["digest"] for c in entry.document.get("captures", ()) for w in c["waveforms"]}
            attachments = {a["digest"] for a in entry.document.get("attachments", ())}
        except (KeyError, TypeError) as error:
            raise HistoryRefused(
                f"{self._where}: entry {entry.position} is no {entry.kind}: {type(error).__name__}: {error}"
            ) from None
        self._add(connection, WaveformRow, waveforms - set(self.waveforms), entry)
        self._add(connection, AttachmentRow, attachments - set(self.attachments), entry)

    def _add(
        self, connection: Connection, table: type[WaveformRow | AttachmentRow], named: set[str], entry: Entry
    ) -> None:
        columns = table.__table__.columns
        rows = [dict(row) for row in connection.execute(select(*columns).where(table.digest.in_(named))).mappings()]
        lost = named - {row["digest"] for row in rows if _digest(row) == row["digest"]}
        if lost:
            raise HistoryRefused(
                f"{self._where}: {len(lost)} waveforms or attachments of {entry.kind} {entry.subject} are missing or do not fit "
                "their digests; the store was changed, or is damaged, and central takes nothing of it from there on"
            )
        kept = self.waveforms if table is WaveformRow else self.attachments
        kept |= {row["digest"]: row for row in rows}
        self.weight += sum(len(row.get("packed", row.get("content", b""))) for row in rows)


def _digest(row: Mapping[str, Any]) -> str | None:
    """Tell the digest of a waveform or attachment from its content; none where it cannot be read."""
    if "content" in row:
        return digest_of(row["content"])
    try:
        return waveform_digest(unpack(row["packed"], row["samples"], row["dtype"], row["codec"]))
    except ValueError:
        return None


def _size(connection: Connection) -> int:
    return connection.scalar(select(func.max(HeadRow.size))) or 0


def _origin(connection: Connection) -> bytes:
    return connection.scalar(select(EntryRow.leaf).where(EntryRow.position == 0)) or b""


def _root(connection: Connection, size: int) -> bytes:
    return connection.scalar(select(HeadRow.root).where(HeadRow.size == size)) or b""


def _entries(connection: Connection, first: int, end: int | None) -> Iterator[RowMapping]:
    query = select(*EntryRow.__table__.columns).where(EntryRow.position >= first).order_by(EntryRow.position)
    if end is not None:
        query = query.where(EntryRow.position < end)
    yield from connection.execute(query, execution_options={"yield_per": 50}).mappings()


def _heads(connection: Connection, after: int, limit: int | None) -> list[tuple[Head, bytes]]:
    """Return heads of more than `after` entries, the smallest first, each with its peaks."""
    columns = (HeadRow.size, HeadRow.root, HeadRow.at_utc, HeadRow.key, HeadRow.signature, HeadRow.peaks)
    rows = connection.execute(select(*columns).where(HeadRow.size > after).order_by(HeadRow.size).limit(limit))
    return [(Head(*row[:5]), row[5]) for row in rows]
