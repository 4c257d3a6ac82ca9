"""The rows of query tables that belong to a record, told from its document."""

from collections.abc import Mapping
from typing import Any

from db.column_types import time_of
from db.record_rules import worst_finding

_COLUMNS = ("name", "value", "unit", "u", "lower", "upper", "conformity")


def record_row(document: Mapping[str, Any]) -> dict[str, Any]:
    """Return the row of `records` but for its position."""
    worst = worst_finding(document["findings"])
    return {
        "number": document["number"],
        "outcome": document["outcome"],
        "conformity": None if worst is None else worst["conformity"],
        "worst": "" if worst is None else worst["label"],
        "disposition": document["disposition"]["proposed"],
        "ended_utc": time_of(document["ended_utc"]),
    }


def finding_rows(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the rows of `findings` but for the record's position, in the record's order."""
    findings = document["findings"]
    return [{"ordinal": i, **{c: f[c] for c in _COLUMNS}} for i, f in enumerate(findings)]
