"""What was checked before a run begins: who runs it, with which files, and whether it is a retest."""

from dataclasses import dataclass

STATED = "stated, not verified"
VERIFIED = "verified"


@dataclass(frozen=True, slots=True)
class Retest:
    """Why a motor goes through a stage again, and after which first run."""

    reason: str
    first: str
    """Number of the first complete record of the stage."""
    ordinal: int
    """1 for the first retest."""


@dataclass(frozen=True, slots=True)
class Clearance:
    """What the record says of the checks before the run."""

    people_status: str = STATED
    approved: bool | None = None
    """Whether every file is approved as it is; None where nothing was ever approved."""
    deviations: tuple[str, ...] = ()
    retest: Retest | None = None

    def retest_document(self) -> dict[str, str | int] | None:
        """Return the retest as it stands in the record."""
        if self.retest is None:
            return None
        return {"reason": self.retest.reason, "first": self.retest.first, "ordinal": self.retest.ordinal}


NOTHING_CHECKED = Clearance()
"""Of a run that nobody answers for, such as the demo's."""
