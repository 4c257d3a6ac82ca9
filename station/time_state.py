"""Whether the machine's clock is held by a time source, as the kernel knows it, and how far off it may be."""

import ctypes
import sys
from collections.abc import Mapping
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import Any

NOT_KNOWN: Mapping[str, Any] = MappingProxyType({"state": "not known", "offset_s": None, "most_off_s": None})
TIME_ERROR = 5
STA_UNSYNC, STA_NANO = 0x0040, 0x2000
LEAST_BACKWARD = timedelta(seconds=1)
"""Two programs on one machine may note a moment in the other order by less than this."""


class _Timex(ctypes.Structure):
    """The kernel's struct timex, as adjtimex(2) fills it."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("constant", ctypes.c_long),
        ("precision", ctypes.c_long),
        ("tolerance", ctypes.c_long),
        ("time", ctypes.c_long * 2),
        ("tick", ctypes.c_long),
        ("rest", ctypes.c_long * 24),
    )


def time_state() -> Mapping[str, Any]:
    """Return `state` (`synchronised`, `not synchronised`, `not known`), `offset_s` and `most_off_s` of the clock [s].

    Notes
    -----
    adjtimex(2) with no modes only reads; offset in microseconds, or nanoseconds where the status says so.
    """
    if not sys.platform.startswith("linux"):
        return NOT_KNOWN
    found = _Timex()
    try:
        answer = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(found))
    except (OSError, AttributeError):
        return NOT_KNOWN
    if answer < 0:
        return NOT_KNOWN
    if answer == TIME_ERROR or found.status & STA_UNSYNC:
        return {"state": "not synchronised", "offset_s": None, "most_off_s": None}
    unit = 1e-9 if found.status & STA_NANO else 1e-6
    return {"state": "synchronised", "offset_s": found.offset * unit, "most_off_s": found.maxerror * 1e-6}


def backward_note(last_utc: datetime | None, now_utc: datetime) -> str | None:
    """Say that the clock stands before the ledger's last entry; None where it does not."""
    if last_utc is None or now_utc > last_utc - LEAST_BACKWARD:
        return None
    back_s = (last_utc - now_utc).total_seconds()
    return (
        f"The clock went backward: the run began {back_s:.0f} s before the time of the ledger's last entry, "
        f"{last_utc:%Y-%m-%dT%H:%M:%SZ}."
    )
