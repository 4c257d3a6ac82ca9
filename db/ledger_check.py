"""Reading the whole ledger again: every entry, every signed head, and every row that is told from an entry."""

import json
from collections.abc import Iterator, Mapping
from typing import Any

from sqlalchemy import Connection, RowMapping, Select, select

from db.canonical import canonical_bytes
from db.ledger import facts_of
from db.merkle import Peaks, leaf_hash
from db.record_rows import finding_rows, record_row
from db.run_start import SERIES
from db.signing import Head, KeyUse, head_holds
from db.tables import AttachmentRow, EntryRow, FindingRow, HeadRow, KeyRow, RecordRow, RunRow, WaveformRow
from db.waveform_codec import unpack, waveform_digest


def ledger_problems(connection: Connection) -> Iterator[str]:
    """Say what is wrong with the ledger, one sentence each; nothing where it is whole.

    The entries are read one after another, so that a store of any size can be checked.
    """
    keys = {row["name"]: row for row in _all(connection, select(KeyRow.name, KeyRow.use, KeyRow.public))}
    heads = {row["size"]: row for row in _all(connection, select(*HeadRow.__table__.columns))}
    told: set[str] = set()
    peaks = Peaks()
    for entry in _all(connection, select(*EntryRow.__table__.columns).order_by(EntryRow.position)):
        if entry["position"] != peaks.size:
            yield f"entry {peaks.size} is missing: entry {entry['position']} comes next"
            return
        peaks = peaks.added(leaf_hash(entry["content"]))
        document, problems = _read(entry)
        yield from problems
        use = KeyUse.for_kind(_kind_of(document))
        if entry["kind"] == "key":
            told.add(entry["subject"])
            yield from _key_problems(document, keys.get(entry["subject"]))
        if peaks.size in heads:
            yield from _head_problems(heads.pop(peaks.size), peaks, keys, use)
        elif entry["kind"] != "key":
            # A key is entered in the transaction of the first entry that it signs, so it alone has no head.
            yield f"entry {entry['position']} has no signed head"
    yield from (f"the head of size {size} covers more than the {peaks.size} entries that are there" for size in heads)
    yield from (f"the key {name} was never entered" for name in keys if name not in told)


def record_problems(connection: Connection) -> Iterator[str]:
    """Say which rows of runs, records and findings do not say what the entries say, and which waveforms are lost."""
    runs = {row["position"]: row for row in _all(connection, select(*RunRow.__table__.columns))}
    records = {row["position"]: row for row in _all(connection, select(*RecordRow.__table__.columns))}
    entries = select(EntryRow.position, EntryRow.kind, EntryRow.content).order_by(EntryRow.position)
    named: set[str] = set()
    for entry in _all(connection, entries.where(EntryRow.kind.in_(("started", "record")))):
        position = entry["position"]
        try:
            document = json.loads(entry["content"])
            if entry["kind"] == "started":
                yield from _run_problems(document, runs.pop(position, None))
            else:
                yield from _row_problems(connection, document, records.pop(position, None), position)
                named |= {w["digest"] for c in document["captures"] for w in c["waveforms"]}
                named |= {a["digest"] for a in document.get("attachments", ())}
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            yield f"entry {position} is no {entry['kind']}: {type(error).__name__}: {error}"
    yield from (f"run {row['number']} has no entry" for row in runs.values())
    yield from (f"record {row['number']} has no entry" for row in records.values())
    yield from _content_problems(connection, named)


def _read(entry: RowMapping) -> tuple[Mapping[str, Any], list[str]]:
    """Return an entry's document, and what is wrong with its row."""
    try:
        document = json.loads(entry["content"])
        facts = facts_of(document)
        whole = canonical_bytes(document) == entry["content"]
    except (ValueError, AttributeError) as error:
        return {}, [f"entry {entry['position']} cannot be read: {error}"]
    problems = []
    if entry["leaf"] != leaf_hash(entry["content"]) or not whole:
        problems.append(f"entry {entry['position']} ({entry['kind']} {entry['subject']}) does not fit its digest")
    if (entry["kind"], entry["subject"], entry["at_utc"]) != (facts.kind, facts.subject, facts.at_utc):
        problems.append(
            f"entry {entry['position']} says {entry['kind']} {entry['subject']} beside a document of {facts.kind} {facts.subject}"
        )
    return document, problems


def _kind_of(document: Mapping[str, Any]) -> str:
    """Return the run's kind that an entry belongs to; notes tell it by the number's series."""
    series = str(document.get("number", "")).partition("-")[0]
    of_run = document.get("format") in ("polemark-void-1", "polemark-amendment-1")
    return next((k for k, s in SERIES.items() if of_run and s == series), str(document.get("kind", "production")))


def _key_problems(document: Mapping[str, Any], row: RowMapping | None) -> Iterator[str]:
    if row is None or (row["use"], row["public"].hex()) != (document.get("use"), document.get("public")):
        yield f"the key {document.get('key')} is not the one that was entered"


def _head_problems(row: RowMapping, peaks: Peaks, keys: Mapping[str, RowMapping], use: KeyUse) -> Iterator[str]:
    head = Head(row["size"], row["root"], row["at_utc"], row["key"], row["signature"])
    key = keys.get(row["key"])
    if row["root"] != peaks.root() or row["peaks"] != peaks.raw:
        yield f"the head of size {row['size']} does not fit the entries"
    if key is None or not head_holds(head, key["public"]):
        yield f"the head of size {row['size']} is not signed by its key"
    elif key["use"] != use:
        yield f"the head of size {row['size']} is signed by the key for {key['use']}, due is the one for {use}"


def _run_problems(document: Mapping[str, Any], row: RowMapping | None) -> Iterator[str]:
    columns = ("number", "kind", "stage", "job", "motor_serial", "motor_type", "station")
    if row is None or any(row[c] != document[c] for c in columns):
        yield f"the run {document['number']} is not listed as it was begun"


def _row_problems(
    connection: Connection, document: Mapping[str, Any], row: RowMapping | None, position: int
) -> Iterator[str]:
    number = document["number"]
    due = record_row(document) | {"position": position}
    if row is None or dict(row) != due:
        yield f"the record {number} is not listed as it is stored"
    found = _all(
        connection,
        select(*FindingRow.__table__.columns).where(FindingRow.record == position).order_by(FindingRow.ordinal),
    )
    if [dict(f) for f in found] != [f | {"record": position} for f in finding_rows(document)]:
        yield f"the findings of record {number} are not listed as they are stored"


def _content_problems(connection: Connection, named: set[str]) -> Iterator[str]:
    there = set()
    for row in _all(connection, select(*WaveformRow.__table__.columns)):
        there.add(row["digest"])
        try:
            fits = waveform_digest(unpack(row["packed"], row["samples"], row["dtype"], row["codec"])) == row["digest"]
        except ValueError:
            fits = False
        if not fits:
            yield f"the waveform {row['digest']} does not fit its digest"
    there |= set(connection.scalars(select(AttachmentRow.digest)))
    yield from (f"the waveform or attachment {digest} is missing" for digest in sorted(named - there))


def _all(connection: Connection, query: Select[*tuple[Any, ...]]) -> Iterator[RowMapping]:
    """Read rows by name, a few at a time."""
    yield from connection.execution_options(yield_per=50).execute(query).mappings()
