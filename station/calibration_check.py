"""Instruments of a bench whose calibration is not shown to be valid on the day of a run."""

from datetime import date

from drivers.bench_file import BenchFile

MEASURES = ("scope",)
"""Roles that findings rest on: without a due date their calibration is not shown to be valid."""


def overdue(bench: BenchFile, today: date) -> list[str]:
    """Say of every overdue instrument what it is and since when, in one sentence each; a simulated bench has none."""
    if bench.simulated:
        return []
    found = []
    for role, entry in bench.entries().items():
        named = f"{role.replace('_', ' ')} ({entry.maker} {entry.model}, serial {entry.serial})"
        if entry.calibration_due is not None and entry.calibration_due < today:
            found.append(f"The calibration of the {named} was due on {entry.calibration_due.isoformat()}.")
        elif entry.calibration_due is None and role in MEASURES:
            found.append(f"The bench file states no calibration date of the {named}.")
    return found
