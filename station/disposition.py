"""What a run proposes to do with the motor; a person decides."""

from collections.abc import Sequence
from dataclasses import dataclass

from station.findings import Finding, worst

# Findings that a feedback unit cannot cause and setting cannot mend: the motor waits for the quality engineer.
NOT_OF_THE_FEEDBACK = ("windings", "mechanics")


GOES_ON = {
    "as-found": "nothing stands against setting the feedback unit and proving it as left",
    "setting": "set and locked within its limits; to be proved as left",
    "as-left": "nothing was judged, so nothing is proved",
}


@dataclass(frozen=True, slots=True)
class Proposal:
    """A proposed disposition.

    `proposed` is None where none may be proposed: a simulated or training run can never propose a release, and
    says in `would_be` what the same findings would propose on a real bench.
    """

    proposed: str | None
    would_be: str
    reason: str

    def document(self) -> dict[str, str | None]:
        """Return the proposal as it stands in the record."""
        return {"proposed": self.proposed, "would_be": self.would_be, "reason": self.reason}


def propose(stage: str, outcome: str, findings: Sequence[Finding], kind: str, stop_reason: str | None) -> Proposal:
    """Propose from the worst finding.

    As found there is only `rework` (the feedback unit gets its job done) or `quarantine` (windings or mechanics are
    in doubt). A stopped run proves nothing, so it proposes `rework` at best.
    """
    if stage == "station-check":
        return Proposal(None, "none", "a station check judges the station, it disposes of no motor")
    decides = worst(findings)
    beyond_feedback = [f for f in findings if f.conformity == "nonconforming" and f.group in NOT_OF_THE_FEEDBACK]
    if beyond_feedback:
        would_be, reason = "quarantine", f"{beyond_feedback[0].label}: {beyond_feedback[0].conformity}"
    elif outcome == "stopped":
        would_be, reason = "rework", f"the run was stopped: {stop_reason}"
    elif stage == "as-left" and decides is not None and decides.conformity == "conforming":
        would_be, reason = "release", "all findings conform"
    elif decides is not None and decides.conformity != "conforming":
        would_be, reason = "rework", f"{decides.label}: {decides.conformity}"
    else:
        would_be, reason = "rework", GOES_ON.get(stage, "")
    if would_be == "release" and kind != "production":
        return Proposal(None, would_be, f"{kind} run: it can never be released; {reason}")
    return Proposal(would_be, would_be, reason)
