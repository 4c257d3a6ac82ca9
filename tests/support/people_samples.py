"""People with passwords, records for them to sign, and a bench that nobody answers for."""

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sample_record
from store_samples import NOW, started, store_record

from db.people import People
from db.store import Store

TEMPLATE = Path(__file__).resolve().parents[2] / "sequences" / "benches" / "simulated.yaml"
PASSWORDS = {"Mara Example": "maintained by Mara", "Tom Example": "tested by Tom", "Quinn Example": "weighed by Quinn"}
ROLES = {"Mara Example": "maintainer", "Tom Example": "technician", "Quinn Example": "quality"}


def secret(folder: Path, text: str) -> Path:
    """Write a password file that nobody else can read."""
    path = folder / f"{abs(hash(text))}.secret"
    path.touch(mode=0o600)
    path.write_text(f"{text}\n", encoding="utf-8")
    return path


def as_person(folder: Path, name: str, option: str = "--as") -> list[str | Path]:
    """Return the options by which a person proves to be there."""
    return [option, name, "--password-file", secret(folder, PASSWORDS[name])]


def add_people(store: Store) -> People:
    """Add a maintainer, a technician and a quality engineer."""
    people, now = People(store), datetime(2026, 3, 1, tzinfo=UTC)
    for name, role in ROLES.items():
        people.add(name, [role], PASSWORDS[name], None if role == "maintainer" else "Mara Example", now)
    return people


def silent_bench(folder: Path, **changes: str) -> Path:
    """Write the file of a bench that nobody answers for: what is refused before the bench is opened never notices.

    Parameters
    ----------
    changes
        Texts of the file to be replaced, old by new.
    """
    text = TEMPLATE.read_text(encoding="utf-8")
    # The discard service (RFC 863), which nothing here runs.
    text = re.sub(r"::\{\w+\}::", "::9::", text)
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    path = folder / "silent-bench.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def stored_as_left(store: Store, **changes: Any) -> str:
    """Store a conforming production proof as left and return its number; `changes` replace parts of the record."""
    findings = [f | {"compared": None} for f in sample_record.as_left()["findings"]]
    known: dict[str, Any] = {
        "findings": findings, "correction": None,
        "disposition": {"proposed": "release", "would_be": "release", "reason": "all findings conform"},
    }  # fmt: skip
    start = started(
        stage=changes.pop("stage", "as-left"), kind=changes.pop("kind", "production"),
        started_utc=changes.pop("started_utc", NOW),
    )  # fmt: skip
    if start.kind != "production":
        known["disposition"] |= {"proposed": None}
    return store_record(store, start, **(known | changes)).number
