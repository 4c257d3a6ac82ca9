"""How findings are judged in this run: the rule, and the limits of the motor type."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from analysis.conformity import CONFORMING, NONCONFORMING, NOT_MEASURED, Limits, Rule
from analysis.estimate import Estimate
from station.finding_names import FINDINGS
from station.findings import Detail, Finding, judged
from station.motor_type import MotorType


@dataclass(frozen=True, slots=True)
class Decision:
    """The decision rule with the limits by finding name."""

    rule: Rule
    limits: Mapping[str, Limits]

    def finding(
        self, name: str, estimate: Estimate, label: str | None = None, detail: Sequence[Detail] = ()
    ) -> Finding:
        """Judge an estimate under its stable name."""
        kind = FINDINGS[name]
        made = judged(name, label or kind.label, kind.group, estimate, self.limits.get(name), self.rule)
        return replace(made, detail=tuple(detail)) if detail else made

    def statement(self, name: str, text: str) -> Finding:
        """Make a finding in words that informs and decides nothing."""
        kind = FINDINGS[name]
        return Finding(name, kind.label, kind.group, Estimate(None, kind.unit), text=text)

    def checked(self, name: str, estimate: Estimate, *, fails: str, detail: Sequence[Detail] = ()) -> Finding:
        """Make a finding with a value that a test of its own, and no limit of the type, finds right or wrong."""
        kind = FINDINGS[name]
        conformity = NONCONFORMING if fails else CONFORMING
        return Finding(
            name, kind.label, kind.group, estimate, conformity=conformity, reason=fails, detail=tuple(detail)
        )

    def verdict(self, name: str, text: str | None, *, fails: str = "", lacking: str = "") -> Finding:
        """Make a finding in words: it fails, is not measured, or conforms, each with its reason.

        Parameters
        ----------
        text
            What was found; None where nothing was.
        fails, lacking
            Why it is nonconforming, or why it could not be measured; empty otherwise.
        """
        kind = FINDINGS[name]
        conformity = NOT_MEASURED if lacking else NONCONFORMING if fails else CONFORMING
        reason = lacking or fails
        none = Estimate(None, kind.unit, reason=reason)
        return Finding(name, kind.label, kind.group, none, conformity=conformity, reason=reason, text=text)


def decision_for(motor_type: MotorType, rule: Rule) -> Decision:
    """Take the limits of a motor type and the site's rule."""
    limits = {n: Limits(v.lower, v.upper, v.source) for n, v in motor_type.limits().items()}
    return Decision(rule, limits)
