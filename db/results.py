"""What the store answers with."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from db.waveform_codec import Counts


@dataclass(frozen=True, slots=True)
class StoredEntry:
    """One entry of the ledger, checked against its digest."""

    kind: str
    position: int
    digest: str
    document: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class StoredRecord:
    """A record as it is stored, with what was added to it since.

    Whole numbers of the document come back as int, whatever they were stored from: RFC 8785 writes 4.0 as 4.
    """

    number: str
    digest: str
    position: int
    document: Mapping[str, Any]
    void: bool
    amendments: Sequence[Mapping[str, Any]]
    """What was said of it later, voids too: `kind` (`amendment` or `void`), `by`, `why`, `at_utc`, and for an amendment
    `what`, `before`, `after`."""
    signatures: Sequence[Mapping[str, Any]] = ()
    """Who signed it, in that order: `by`, `meaning`, `roles`, `at_utc`."""
    decisions: Sequence[Mapping[str, Any]] = ()
    """What was decided about its motor, the last of which holds: `by`, `disposition`, `why`, `concession`, `at_utc`."""


@dataclass(frozen=True, slots=True)
class Summary:
    """One line of a list of records."""

    number: str
    kind: str
    stage: str
    job: str
    motor_serial: str
    motor_type: str
    station: str
    started_utc: datetime
    ended_utc: datetime
    outcome: str
    conformity: str | None
    worst: str
    disposition: str | None
    void: bool


@dataclass(frozen=True, slots=True)
class YieldRow:
    """What yield counts: one record that is not void, the oldest first."""

    number: str
    kind: str
    job: str
    motor_serial: str
    motor_type: str
    station: str
    week: str
    """Year and week of the start by ISO 8601, `2026-W07`."""
    outcome: str
    conformity: str | None
    disposition: str | None
    started_utc: datetime


@dataclass(frozen=True, slots=True, eq=False)
class StoredWaveform:
    """One waveform of a record, shape (n,), with what the record says of it; volts = counts * scale_v + offset_v."""

    digest: str
    capture: int
    channel: int
    signal: str
    interval_s: float
    scale_v: float
    offset_v: float
    counts: Counts
