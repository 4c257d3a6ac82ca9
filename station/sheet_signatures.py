"""The signature block of a sheet: who signed what, and the empty lines for a pen where nobody has."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from db.record_rules import MEANINGS

Entry = Mapping[str, Any]

DECIDED = "I made the decision marked above and may make it."
ORDER = ("tested", "reviewed", "decided", "released")
ALWAYS = ("tested", "reviewed", "decided")


@dataclass(frozen=True, slots=True)
class SignatureRow:
    """One line of the block; the statement is the one that was signed, `stated` names who tested where nobody has."""

    meaning: str
    statement: str
    stated: str
    name: str
    at_utc: str | None
    how: str


def signature_rows(record: Entry, signatures: Sequence[Entry], decisions: Sequence[Entry]) -> list[SignatureRow]:
    """Return a line for every signature and for the decision that holds, and an empty one where none is."""
    given = [(s["meaning"], s) for s in signatures] + [("decided", d) for d in decisions[-1:]]
    rows = []
    for meaning in ORDER:
        signed = [entry for of, entry in given if of == meaning]
        rows += [_signed(meaning, entry) for entry in signed]
        if not signed and meaning in ALWAYS:
            rows.append(_open(meaning, record))
    return rows


def _signed(meaning: str, entry: Entry) -> SignatureRow:
    how = f"by password, as {', '.join(entry['roles'])}"
    return SignatureRow(meaning.capitalize(), entry.get("statement", DECIDED), "", entry["by"], entry["at_utc"], how)


def _open(meaning: str, record: Entry) -> SignatureRow:
    testers = [f"{p['status']}: {p['name']}" for p in record["people"] if p["role"] == "technician"]
    stated = ", ".join(testers) if meaning == "tested" else ""
    return SignatureRow(meaning.capitalize(), MEANINGS.get(meaning, DECIDED), stated, "", None, "")
