"""What a run leaves before it energises anything, and the record that stands for a run that died."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from db.column_types import time_text
from db.process_identity import Process

SERIES = {"production": "PM", "simulated": "SIM", "training": "TRN", "analysis": "ANA"}


@dataclass(frozen=True, slots=True)
class Started:
    """What is known when a run begins."""

    kind: str
    """`production`, `simulated`, `training`, or `analysis` of captures that were saved elsewhere."""
    station: str
    stage: str
    job: str
    motor_serial: str
    motor_type: str
    sequence_name: str
    sequence_digest: str
    bench: str
    started_utc: datetime
    facts: Mapping[str, Any] = field(default_factory=dict)
    """Whole parts of the record document that are known already (`job`, `motor`, `motor_type`, `sequence`, `bench`,
    `people`, ...), for the record of a run that dies."""


def started_document(started: Started, number: str, process: Process) -> dict[str, Any]:
    """Return the `started` entry of a run."""
    return {
        "format": "polemark-started-1",
        "number": number,
        "kind": started.kind,
        "station": started.station,
        "stage": started.stage,
        "job": started.job,
        "motor_serial": started.motor_serial,
        "motor_type": started.motor_type,
        "sequence_name": started.sequence_name,
        "sequence_digest": started.sequence_digest,
        "bench": started.bench,
        "started_utc": time_text(started.started_utc),
        "process": process.document(),
        "facts": dict(started.facts),
    }


def stopped_document(started: Mapping[str, Any], now_utc: datetime, note: str) -> dict[str, Any]:
    """Return the record of a run whose process ended without one, from its `started` entry.

    What the run had measured by then is lost, and the record says so; its end is when it was closed.
    """
    closed = time_text(now_utc)
    return _known(started) | {
        "format": "polemark-record-1",
        "number": started["number"],
        "kind": started["kind"],
        "stage": started["stage"],
        "outcome": "stopped",
        "stop_reason": f"the program ended before the run did: {note}",
        "started_utc": started["started_utc"],
        "ended_utc": closed,
        "deviations": [f"The run was closed at {closed}; when it ended is not known."],
        "not_tested": [{"what": "everything", "why": "what the run had measured was lost with the program"}],
        "disposition": {"proposed": None, "reason": "the run was stopped"},
    }


def _known(started: Mapping[str, Any]) -> dict[str, Any]:
    """Return the parts that the entry knows, over the empty form of all others."""
    empty: dict[str, Any] = {name: [] for name in _LISTS} | dict.fromkeys(_ABSENT)
    digested = ("name", "digest", "text")
    least = {
        "clock": "",
        "job": {"number": started["job"]} | _nulls("work_order", "customer", "received_on", "complaint", "condition"),
        "motor": {"serial": started["motor_serial"], "shop_tag": None, "nameplate": {}},
        "motor_type": _nulls("maker", "revision", *digested) | {"name": started["motor_type"], "facts": {}},
        "adapter": _nulls("code", "code_read", *digested),
        "sequence": _nulls("title", "revision", *digested)
        | {"name": started["sequence_name"], "digest": started["sequence_digest"]},
        "bench": _nulls("place", "mains_hz", "probe", *digested)
        | {"name": started["bench"], "station": started["station"], "simulated": started["kind"] == "simulated"},
        "software": {"name": "polemark", "version": None},
        "pictures": {"traces": [], "dial": {"edges": []}},
        "decision_rule": _nulls("name", "text"),
    }
    return empty | least | dict(started["facts"])


def _nulls(*names: str) -> dict[str, Any]:
    return dict.fromkeys(names)


_LISTS = (
    "people", "instruments", "hand_instruments", "temperatures", "answers", "steps", "captures", "findings", "speeds",
    "interlock_events", "cautions",
)  # fmt: skip
_ABSENT = ("zone", "pairings", "wiring", "correction", "as_found_record", "setting", "approved", "retest")
