"""The checks between reading a run's files and opening the bench: nothing is energised before all of them hold."""

from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

from db.approvals import approvals
from db.retests import earlier_runs
from db.store import Store
from station.approval_check import files_of, unapproved
from station.calibration_check import overdue
from station.clearance import Clearance, Retest
from station.exit_codes import BadInput
from station.password_entry import password_of
from station.people_check import people_status
from station.policy import Policy
from station.retest_rule import retest_of
from station.run_execution import RunRequest


@dataclass(frozen=True, slots=True)
class Asked:
    """What the command line says for these checks."""

    retest_reason: str | None = None
    password_file: Path | None = None


def cleared(request: RunRequest, store: Store, policy: Policy, asked: Asked) -> Clearance:
    """Check everything that can refuse a run, the password last, and return what the record says of it.

    Raises
    ------
    BadInput, NotAllowed
        The run is refused; the message says why.
    """
    today = local_today()
    retest = _retest(request, store, policy, asked.retest_reason)
    files = approvals(store)
    missing = unapproved(files_of(request.prepared), files) if files or policy.unapproved_files == "refuse" else []
    _refuse(
        missing, policy.unapproved_files, "approve it (`polemark approve`), or `unapproved_files: mark` in policy.yaml"
    )
    due = overdue(request.prepared.bench, today)
    _refuse(due, policy.overdue_calibration, "a valid calibration, or `overdue_calibration: flag` in policy.yaml")
    status = people_status(
        store, policy, request.technician, request.prepared.sequence.name, today,
        lambda name: password_of(name, asked.password_file), training=request.training,
    )  # fmt: skip
    return Clearance(status, not missing if files else None, (*missing, *due), retest)


def local_today() -> date:
    """Return today's date in the station's zone."""
    return datetime.now(UTC).astimezone().date()


def _retest(request: RunRequest, store: Store, policy: Policy, reason: str | None) -> Retest | None:
    """Apply the retest rule within the run's kind; practice and station checks may be repeated as one likes."""
    if request.prepared.sequence.stage == "station-check":
        return None
    if request.training:
        if reason is not None:
            raise BadInput("a training run is no retest; allowed: no --retest-reason")
        return None
    earlier = earlier_runs(store, request.job, request.serial, request.kind)
    motor = f"motor {request.serial} of job {request.job}"
    return retest_of(request.prepared.sequence.stage, earlier, reason, policy.retests_without_rework, motor)


def _refuse(found: list[str], rule: str, allowed: str) -> None:
    if found and rule == "refuse":
        raise BadInput(f"{' '.join(found)} The policy refuses such a run; allowed: {allowed}")
