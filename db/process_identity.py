"""Tells whether the process that began a run still lives: process ids come again, so the start time is kept with them."""

import os
import platform
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self


@dataclass(frozen=True, slots=True)
class Process:
    """One process on one machine between two of its boots."""

    machine: str
    boot: str
    pid: int
    started_ticks: str
    """Clock ticks from boot to its start, as the kernel says; empty where there is no such process."""

    @classmethod
    def of(cls, pid: int) -> Self:
        """Describe a process of this machine."""
        return cls(platform.node(), _boot(), pid, _started_ticks(pid))

    @classmethod
    def of_document(cls, document: Mapping[str, Any]) -> Self:
        """Read what `document` wrote."""
        return cls(document["machine"], document["boot"], document["pid"], document["started_ticks"])

    def document(self) -> dict[str, Any]:
        """Return it as a `started` entry keeps it."""
        return {"machine": self.machine, "boot": self.boot, "pid": self.pid, "started_ticks": self.started_ticks}


def this_process() -> Process:
    """Describe the process that asks."""
    return Process.of(os.getpid())


def is_alive(process: Process) -> bool:
    """Tell whether a process may still live; one of another machine cannot be looked at, so it may."""
    if process.machine != platform.node():
        return True
    return (
        process.boot == _boot() and process.started_ticks != "" and process.started_ticks == _started_ticks(process.pid)
    )


def _boot() -> str:
    return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()


def _started_ticks(pid: int) -> str:
    try:
        stat = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
    # Field numbers from proc(5). The command's name may hold spaces and brackets; what follows its last bracket is fixed.
    state, *fields = stat.rpartition(")")[2].split()
    return "" if state in "ZX" else fields[18]
