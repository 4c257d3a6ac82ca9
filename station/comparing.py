"""Comparing findings: with the job's as-found record, or with what the motor type asks for."""

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from analysis.comparison import compare as compare_estimates
from analysis.comparison import shared_systematic
from analysis.estimate import BudgetLine, Estimate
from station.decision import Decision
from station.exit_codes import RunStopped
from station.finding_names import FINDINGS
from station.findings import Finding
from station.run_facts import Gathered, RunFacts
from station.sequence_model import Compare

PAIRINGS = ("pairings",)
"""The pairings are timing too: where a sensor came to lie against every winding pair."""


def compare(action: Compare, facts: RunFacts, gathered: Gathered, decision: Decision) -> str:
    """Compare the findings of the groups named, and return a line for the step list.

    Raises
    ------
    RunStopped
        As found is asked for and the job has no usable as-found record.
    """
    groups = {*action.quantities, *(PAIRINGS if "timing" in action.quantities else ())}
    chosen = [f for f in gathered.findings.values() if f.group in groups]
    if action.against == "motor type":
        judged = [f for f in chosen if f.conformity is not None]
        bad = [f.label for f in judged if f.conformity != "conforming"]
        return f"{len(judged) - len(bad)} of {len(judged)} conform" + (f"; not: {', '.join(bad)}" if bad else "")
    if facts.as_found is None:
        raise RunStopped(
            f"job {facts.job['number']} has no complete as-found record to compare with; run as-found first"
        )
    before = {f["name"]: f for f in facts.as_found["findings"] if f["value"] is not None}
    done = 0
    for finding in chosen:
        old = before.get(finding.name)
        if old is not None and finding.estimate.value is not None:
            gathered.add(replace(finding, compared=_compared(finding, old, str(facts.as_found["number"]))))
            done += 1
    target = next((f for f in facts.as_found["findings"] if f["name"] == "sound_as_target"), None)
    if target is not None:
        said = f"state as found, record {facts.as_found['number']}: {FINDINGS['sound_as_target'].label}"
        gathered.add(replace(decision.statement("sound_as_target", str(target["text"])), label=said))
    return f"{done} findings beside record {facts.as_found['number']}"


def _compared(finding: Finding, old: Mapping[str, Any], number: str) -> dict[str, Any]:
    now, then = finding.estimate, _estimate_of(old)
    circular = FINDINGS[finding.name].unit == "deg_el"
    # One bench measured both, so what its instruments get wrong they got wrong the same way both times.
    change = compare_estimates(then, now, correlated=shared_systematic(then, now), circular=circular)
    return {
        "as_found_record": number,
        "value": float(old["value"]),
        "change": change.change.value,
        "u": change.change.u,
        "significance": change.significance,
    }


def _estimate_of(old: Mapping[str, Any]) -> Estimate:
    """Make the estimate again that a record's finding was; an infinite dof stands as null there."""
    lines = tuple(
        BudgetLine(line["source"], line["kind"], line["u"], math.inf if line["dof"] is None else line["dof"])
        for line in old["budget"]
    )
    dof = math.inf if old["dof"] is None else float(old["dof"])
    return Estimate(float(old["value"]), old["unit"], old["u"], dof, lines)
