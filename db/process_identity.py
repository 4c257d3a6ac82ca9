"""Tells whether the process that began a run still lives: process id together with its start time, since ids come again."""

import os
from pathlib import Path


def this_process() -> str:
    """Return the identity of this process."""
    pid = os.getpid()
    return f"{pid}:{_started(pid)}"


def is_alive(process: str) -> bool:
    """Tell whether the process of this identity lives on this machine."""
    pid, _, started = process.partition(":")
    return pid.isdigit() and started != "" and _started(int(pid)) == started


def _started(pid: int) -> str:
    """Start time in clock ticks since boot with the boot's own id; empty for no such process."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace")
        boot = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""
    # The command's name may hold spaces and brackets; what follows its last bracket is fixed.
    fields = stat.rpartition(")")[2].split()
    return "" if fields[0] == "Z" else f"{fields[19]}@{boot}"
