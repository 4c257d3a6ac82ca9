"""What entries about people, signatures, decisions and approvals say, in words."""

from collections.abc import Callable, Mapping
from typing import Any

Said = Mapping[str, Any]


def what_of_people(kind: str, said: Said) -> str:
    """Return what such an entry is about in one line; nothing for an entry of another kind."""
    return _WORDS[kind](said) if kind in _WORDS else ""


def _decision(said: Said) -> str:
    given = said["concession"]
    concession = f" Concession by {given['by']} for {given['for_what']}." if given else ""
    return f"{said['number']} decided: {said['disposition']}: {said['why']}{concession}"


def _approval(said: Said) -> str:
    note = f": {said['note']}" if said["note"] else ""
    return f"{said['file_kind']} {said['name']} approved, {said['digest']}{note}"


_WORDS: Mapping[str, Callable[[Said], str]] = {
    "signature": lambda said: f"{said['number']} signed as {said['meaning']}: {said['statement']}",
    "decision": _decision,
    "person": lambda said: f"account of {said['name']} {said['change']}: {', '.join(said['roles'])}",
    "permission": lambda said: f"{said['name']} may run {said['sequence']} until {said['until']}",
    "password": lambda said: f"password of {said['name']} changed",
    "refusal": lambda said: f"{said['name']} refused, to {said['what']}: {said['why']}",
    "approval": _approval,
    "unlock": lambda said: f"motor {said['motor_serial']} of job {said['job']} unlocked: {said['why']}",
}
