"""What an entry says, in words: who did what, and what took part in a record."""

from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any

from db.audit_reading import Entry
from station.audit_store import shown
from station.audit_words_people import what_of_people

NOT_STATED = "not stated"


def who_and_what(entry: Entry) -> tuple[str, str]:
    """Return who an entry names, and what it is about in one line; a person without an account is stated, not verified."""
    try:
        return _who(entry), _what(entry)
    except (KeyError, TypeError, AttributeError):
        # Its digest fits, and the ledger has not been asked: `audit verify` does.
        return NOT_STATED, f"{entry.kind} {entry.subject}, not of the form of such an entry"


def _who(entry: Entry) -> str:
    said = entry.document
    match entry.kind:
        case "started":
            return people(said.get("facts", {}).get("people", ()))
        case "record":
            return people(said.get("people", ()))
        case _ if "by" in said:
            return str(said["by"])
        case _:
            return NOT_STATED


def people(said: Any) -> str:
    """Return people with their roles."""
    return ", ".join(f"{p['name']} ({p['role']})" for p in said) or NOT_STATED


def _what(entry: Entry) -> str:
    said = entry.document
    match entry.kind:
        case "key":
            return f"signing key for {said['use']} entered: {said['key']}"
        case "job":
            return f"job {said['number']} entered: motor {said['motor_serial']}, customer {said.get('customer') or NOT_STATED}"
        case "motor":
            return f"motor {said['serial']} entered: type {said['motor_type']}"
        case "started":
            return f"{said['number']} started: {said['stage']} of motor {said['motor_serial']}, job {said['job']}, {said['station']}"
        case "record":
            return f"{said['number']} recorded: {said['outcome']}, {_proposes(said)}"
        case "void":
            return f"{said['number']} marked void: {said['why']}"
        case "amendment":
            return (
                f"{said['number']} amended: {said['what']} from {said['before']!r} to {said['after']!r}: {said['why']}"
            )
        case _:
            return what_of_people(entry.kind, said) or f"{entry.kind} {entry.subject}"


def _proposes(record: Mapping[str, Any]) -> str:
    proposed = record["disposition"]["proposed"]
    return f"proposes {proposed}" if proposed else f"proposes nothing ({record['disposition']['reason']})"


def instrument_rows(record: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Return every instrument of a record, hand instruments too, with its calibration on the day of the run."""
    day = date.fromisoformat(str(record["ended_utc"])[:10])
    for found in record["instruments"]:
        name = f"{found['maker']} {found['model']}"
        yield _row(found["role"], name, found, day)
    for found in record["hand_instruments"]:
        yield _row("hand instrument", found["name"], found, day)


def _row(role: str, name: str, found: Mapping[str, Any], day: date) -> dict[str, Any]:
    due = found.get("calibration_due")
    return {
        "role": role,
        "name": name,
        "serial": found.get("serial"),
        "certificate": found.get("certificate"),
        "calibration_due": due,
        "overdue_on_the_day": _is_before(due, day),
    }


def _is_before(due: str | None, day: date) -> bool | None:
    """Tell whether a date lies before a day; None where none is stated, or what is stated is no date."""
    try:
        return None if due is None else date.fromisoformat(due) < day
    except ValueError:
        return None


def calibration_words(row: Mapping[str, Any]) -> str:
    """Return an instrument's calibration in words."""
    if row["calibration_due"] is None:
        return "calibration due not stated"
    return f"calibration due {row['calibration_due']}" + (", OVERDUE on the day" if row["overdue_on_the_day"] else "")


def instrument_line(row: Mapping[str, Any]) -> str:
    """Return an instrument in one line."""
    certificate = f", certificate {row['certificate']}" if row["certificate"] else ""
    serial = f"serial {row['serial']}" if row["serial"] else "serial not stated"
    return shown(f"{row['role']}: {row['name']}, {serial}, {calibration_words(row)}{certificate}")
