"""How findings are judged in this run: the rule, and the limits of the motor type."""

from collections.abc import Mapping
from dataclasses import dataclass

from analysis.conformity import ISO_14253_1, Limits, Rule
from analysis.estimate import Estimate
from station.finding_names import FINDINGS
from station.findings import Finding, judged
from station.motor_type import MotorType


@dataclass(frozen=True, slots=True)
class Decision:
    """The decision rule with the limits by finding name."""

    rule: Rule
    limits: Mapping[str, Limits]

    def finding(self, name: str, estimate: Estimate, label: str | None = None) -> Finding:
        """Judge an estimate under its stable name."""
        kind = FINDINGS[name]
        return judged(name, label or kind.label, kind.group, estimate, self.limits.get(name), self.rule)


def decision_for(motor_type: MotorType) -> Decision:
    """Take the limits of a motor type and the default rule, the guard band of ISO 14253-1."""
    limits = {n: Limits(v.lower, v.upper, v.source) for n, v in motor_type.limits().items()}
    return Decision(ISO_14253_1, limits)
