"""Whether the state as found is sound enough to be what setting aims for: the same sensors, one to one, on a sound motor."""

from collections.abc import Mapping

from analysis.comparison import sound_as_target
from station.decision import Decision
from station.findings import Finding

NEEDED_GROUPS = ("timing", "wiring", "encoder", "sensors", "windings", "checks")
DEFINED_BY_THE_STATE = ("offset_", "index_to_")
"""What the state as found would itself define, so that its own limit says nothing of it."""


def target_finding(findings: Mapping[str, Finding], decision: Decision) -> Finding:
    """Say whether the findings so far make the state fit to be a target; it informs and decides nothing."""
    needed = {
        f.label: f.conformity
        for f in findings.values()
        if f.group in NEEDED_GROUPS and f.conformity is not None and not f.name.startswith(DEFINED_BY_THE_STATE)
    }
    sound, wrong = sound_as_target(needed)
    return decision.statement("sound_as_target", "fit" if sound else f"not fit: {'; '.join(wrong)}")
