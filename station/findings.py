"""Findings: a measured quantity, its limits with their source, and its conformity."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from analysis.conformity import Limits, Rule, coverage_factor, expanded_u, judge
from analysis.estimate import Estimate

# From the worst to the best: the order in which a result is summed up.
SEVERITY = ("nonconforming", "undecided", "not measured", "conforming")


@dataclass(frozen=True, slots=True)
class Detail:
    """One figure behind a finding: what it is, its value, and its unit."""

    what: str
    value: float | None
    unit: str

    def document(self) -> dict[str, Any]:
        """Return the figure as it stands in the record."""
        return {"what": self.what, "value": finite(self.value), "unit": self.unit}


@dataclass(frozen=True, slots=True)
class Finding:
    """One line of a record's results.

    `conformity` is None for a figure that carries no limit by design (it informs, it decides nothing).
    """

    name: str
    label: str
    group: str
    estimate: Estimate
    limits: Limits | None = None
    conformity: str | None = None
    probability: float | None = None
    reason: str = ""
    rule: str = ""
    text: str | None = None
    maker_value: float | None = None
    maker_unit: str | None = None
    compared: Mapping[str, Any] | None = None
    detail: tuple[Detail, ...] = ()

    def document(self) -> dict[str, Any]:
        """Return the finding as it stands in the record."""
        estimate, limits = self.estimate, self.limits
        return {
            "name": self.name,
            "label": self.label,
            "group": self.group,
            "value": finite(estimate.value),
            "text": self.text,
            "unit": estimate.unit,
            "u": finite(estimate.u),
            "dof": finite(estimate.dof),
            "coverage_factor": None if estimate.u is None else coverage_factor(estimate.dof),
            "expanded_u": finite(expanded_u(estimate)),
            "lower": None if limits is None else limits.lower,
            "upper": None if limits is None else limits.upper,
            "limit_source": "" if limits is None else limits.source,
            "conformity": self.conformity,
            "probability": finite(self.probability),
            "rule": self.rule,
            "reason": self.reason,
            "budget": [
                {"source": line.source, "kind": line.kind, "u": finite(line.u), "dof": finite(line.dof)}
                for line in estimate.budget
            ],
            "maker_value": finite(self.maker_value),
            "maker_unit": self.maker_unit,
            "compared": None if self.compared is None else dict(self.compared),
            "detail": [d.document() for d in self.detail],
        }


def finite(value: float | None) -> float | None:
    """Return a plain finite float, or None: JSON has no infinity, and an infinite dof means `not limited`."""
    return None if value is None or not math.isfinite(value) else float(value)


def judged(name: str, label: str, group: str, estimate: Estimate, limits: Limits | None, rule: Rule) -> Finding:
    """Make a finding and judge it; without limits it informs only, unless it could not be measured at all."""
    if limits is None:
        return Finding(name, label, group, estimate, reason=estimate.reason)
    judgement = judge(estimate, limits, rule)
    return Finding(
        name, label, group, estimate, limits, judgement.conformity, judgement.probability, judgement.reason, rule.name
    )


def worst(findings: Iterable[Finding]) -> Finding | None:
    """Return the finding that decides the outcome: the first of the worst conformity, or None if none is judged."""
    ranked = [f for f in findings if f.conformity is not None]
    return min(ranked, key=lambda f: SEVERITY.index(f.conformity or ""), default=None)
