"""Comparing with the entries what is told from them: the rows that queries read, the waveforms and the attachments."""

import json
from collections.abc import Callable, Iterator, Mapping
from itertools import groupby
from typing import Any

from sqlalchemy import Connection, RowMapping, select

from db.canonical import digest_of
from db.check_reading import all_rows, same
from db.column_types import time_of
from db.record_rows import finding_rows, record_row
from db.run_start import SERIES
from db.tables import AttachmentRow, Base, EntryRow, FindingRow, JobRow, MotorRow, RecordRow, RunRow, WaveformRow
from db.waveform_codec import Counts, pack, unpack, waveform_digest

_NOUNS = {"started": "run"}
_LISTED: Mapping[str, type[Base]] = {"job": JobRow, "motor": MotorRow, "started": RunRow, "record": RecordRow}
_NUMBERS = ("value", "u", "lower", "upper")


class RowCheck:
    """Walks the entries beside the rows that are told from them.

    What is said goes to `problems`; what is said to `notes` puts nothing in doubt.
    """

    def __init__(self, connection: Connection, note: Callable[[str], object]) -> None:
        self._connection, self._note = connection, note
        self._named: dict[str, str] = {}

    def row_problems(self) -> Iterator[str]:
        """Say which rows do not say what the entries say."""
        listed = {
            kind: {row["position"]: row for row in all_rows(self._connection, select(table))}
            for kind, table in _LISTED.items()
        }
        findings = _Findings(self._connection)
        entries = select(EntryRow).where(EntryRow.kind.in_(_LISTED)).order_by(EntryRow.position)
        for entry in all_rows(self._connection, entries):
            row = listed[entry["kind"]].pop(entry["position"], None)
            yield from self._entry_problems(entry, row, findings)
        for kind, rows in listed.items():
            noun = _NOUNS.get(kind, kind)
            yield from (f"{noun} {_called(row)} is listed and has no entry" for row in rows.values())
        yield from findings.rest()

    def _entry_problems(self, entry: RowMapping, row: RowMapping | None, findings: "_Findings") -> Iterator[str]:
        kind, position = entry["kind"], entry["position"]
        try:
            document = json.loads(entry["content"])
            if row is None or not same(row, _due(kind, document) | {"position": position}):
                yield f"the {_NOUNS.get(kind, kind)} {entry['subject']} is not listed as it is stored (entry {position})"
            if kind == "record":
                if not findings.are_those_of(position, document):
                    yield f"the findings of record {document['number']} are not listed as they are stored"
                self._name_contents(document)
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
            yield f"entry {position} is no {kind}: {type(error).__name__}: {error}"

    def _name_contents(self, document: Mapping[str, Any]) -> None:
        for capture in document["captures"]:
            for waveform in capture["waveforms"]:
                self._named.setdefault(waveform["digest"], document["number"])
        for attachment in document.get("attachments", ()):
            self._named.setdefault(attachment["digest"], document["number"])

    def content_problems(self, advance: Callable[[int], object]) -> Iterator[str]:
        """Say which waveforms and attachments are damaged, missing, or named by no record; after `row_problems`."""
        there = set()
        for row in all_rows(self._connection, select(WaveformRow)):
            there.add(row["digest"])
            yield from self._waveform_problems(row)
            advance(1)
        for row in all_rows(self._connection, select(AttachmentRow)):
            there.add(row["digest"])
            if digest_of(row["content"]) != row["digest"]:
                yield f"the attachment {row['digest']} {self._of(row['digest'])} does not fit its digest"
        for digest in sorted(set(self._named) - there):
            yield f"the waveform or attachment {digest} {self._of(digest)} is missing"
        for digest in sorted(there - set(self._named)):
            yield f"the waveform or attachment {digest} belongs to no record"

    def _waveform_problems(self, row: RowMapping) -> Iterator[str]:
        digest = row["digest"]
        try:
            counts: Counts | None = unpack(row["packed"], row["samples"], row["dtype"], row["codec"])
        except ValueError:
            counts = None
        if counts is None or waveform_digest(counts) != digest:
            yield f"the waveform {digest} {self._of(digest)} does not fit its digest"
        elif pack(counts) != row["packed"]:
            # Compressed data have bits that mean nothing, and another release of the compressor may write otherwise.
            self._note(f"the waveform {digest} {self._of(digest)} is whole, and not packed as this program packs it")

    def _of(self, digest: str) -> str:
        return f"of record {self._named[digest]}" if digest in self._named else "of no record"


class _Findings:
    """The listed findings of one record after another, in the order of the records."""

    def __init__(self, connection: Connection) -> None:
        rows = all_rows(connection, select(FindingRow).order_by(FindingRow.record, FindingRow.ordinal))
        self._groups = ((record, list(found)) for record, found in groupby(rows, lambda row: row["record"]))
        self._next = next(self._groups, None)
        self._strange: list[int] = []

    def are_those_of(self, position: int, document: Mapping[str, Any]) -> bool:
        """Compare the findings listed for a record with those in it."""
        while self._next is not None and self._next[0] < position:
            self._strange.append(self._next[0])
            self._next = next(self._groups, None)
        found: list[RowMapping] = []
        if self._next is not None and self._next[0] == position:
            found, self._next = self._next[1], next(self._groups, None)
        due = [_finding(f) | {"record": position} for f in finding_rows(document)]
        return len(found) == len(due) and all(map(same, found, due))

    def rest(self) -> Iterator[str]:
        """Say which findings belong to no record."""
        left = [] if self._next is None else [self._next[0], *(record for record, _ in self._groups)]
        yield from (f"findings are listed for entry {p}, which is no record" for p in [*self._strange, *left])


def _due(kind: str, document: Mapping[str, Any]) -> dict[str, Any]:
    """Return the row, but for its position, that an entry has in the table of its kind."""
    if kind == "record":
        return record_row(document)
    if kind == "started":
        columns = ("number", "kind", "stage", "job", "motor_serial", "motor_type", "station")
        series, _, ordinal = document["number"].partition("-")
        if series != SERIES[document["kind"]]:
            raise ValueError(f"the number {document['number']} is not of the series for {document['kind']} runs")
        started_utc = time_of(document["started_utc"])
        return {c: document[c] for c in columns} | {
            "series": series, "ordinal": int(ordinal), "started_utc": started_utc,
        }  # fmt: skip
    optional = ("customer", "received_on") if kind == "job" else ("shop_tag",)
    needed = ("number", "motor_serial") if kind == "job" else ("serial", "motor_type")
    return {c: document[c] for c in needed} | {c: document.get(c) for c in optional}


def _finding(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return a finding with its numbers as a column of numbers gives them: RFC 8785 writes 4.0 as 4."""
    return {name: float(v) if name in _NUMBERS and v is not None else v for name, v in row.items()}


def _called(row: RowMapping) -> str:
    return str(row.get("number") or row.get("serial"))
