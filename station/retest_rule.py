"""The rule for running a stage again: with a reason, counted, and not for ever without rework."""

from collections.abc import Sequence

from db.retests import EarlierRun
from station.clearance import Retest
from station.exit_codes import BadInput
from station.wording import listed

REWORK = "rework done"
REASONS = ("connection", "fixture", REWORK)


def retest_of(stage: str, earlier: Sequence[EarlierRun], reason: str | None, allowed: int, motor: str) -> Retest | None:
    """Tell whether a run is a retest; none for the first of its stage.

    Parameters
    ----------
    earlier
        The complete runs of the motor within the job that are not void, the oldest first.
    allowed
        How many retests without rework a stage may have before the motor is locked.
    motor
        The motor and its job in words.

    Raises
    ------
    BadInput
        The motor is locked, the reason is missing, or there is nothing to run again.
    """
    for name in dict.fromkeys(run.stage for run in earlier):
        if _without_rework([run for run in earlier if run.stage == name]) >= allowed:
            raise BadInput(
                f"{motor} is locked: {name} was run again {allowed} times without rework; allowed: nothing until a person "
                "of role quality has unlocked it (`polemark unlock`)"
            )
    same = [run for run in earlier if run.stage == stage]
    if not same:
        if reason is not None:
            raise BadInput(
                f"{motor} has no complete run of {stage} yet, so this is no retest; allowed: no --retest-reason"
            )
        return None
    if reason is None:
        raise BadInput(
            f"{motor} has been through {stage} already (record {same[0].number}); allowed: --retest-reason with one of "
            f"{listed(repr(r) for r in REASONS)}"
        )
    return Retest(reason, same[0].number, len(same))


def _without_rework(runs: Sequence[EarlierRun]) -> int:
    """Count the retests since the last rework or unlocking."""
    count = 0
    for run in runs:
        if run.reason == REWORK or run.before_unlock:
            count = 0
        elif run.reason is not None:
            count += 1
    return count
