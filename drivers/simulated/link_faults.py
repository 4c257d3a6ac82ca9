"""What the faults of a link make of an instrument's reply."""

from collections.abc import MutableMapping
from dataclasses import dataclass

SLOW_S, LATE_S = 0.2, 3.0
GARBAGE = b"\x80\xff\x13?\x00\xfe\n"
OTHER_IDENTITY = b"other maker,other instrument,0,0"


@dataclass(frozen=True, slots=True)
class Reply:
    """The bytes to send, how much later than at once [s of real time], and whether the connection then closes."""

    raw: bytes
    late_s: float = 0.0
    then_close: bool = False


def spoil(answer: bytes, role: str, identity: str, faults: MutableMapping[str, bool]) -> Reply:
    """Return the reply as it goes out with the faults that are on; a late reply takes its fault with it."""
    if f"{role} silent" in faults:
        return Reply(b"")
    late_s = SLOW_S if f"{role} slow" in faults else 0.0
    if faults.pop(f"{role} late reply", False):
        late_s += LATE_S
    if f"{role} garbage" in faults:
        answer = GARBAGE
    elif f"{role} wrong identity" in faults:
        answer = answer.replace(identity.encode(), OTHER_IDENTITY)
    if role == "scope" and answer.startswith(b"#"):
        return _spoil_block(answer, late_s, faults)
    return Reply(answer, late_s)


def _spoil_block(answer: bytes, late_s: float, faults: MutableMapping[str, bool]) -> Reply:
    if "scope cut in mid block" in faults:
        return Reply(answer[: len(answer) // 2], late_s, then_close=True)
    if "scope short block" in faults:
        return Reply(answer[: len(answer) * 7 // 8] + b"\n", late_s)
    return Reply(answer, late_s)
