"""What a run proposes to do with the motor, for every kind of worst finding."""

import pytest

from analysis.estimate import Estimate
from station.disposition import propose
from station.findings import Finding

STAGES = ("as-found", "setting", "as-left")
KINDS = ("production", "simulated", "training")
CONFORMITIES = ("conforming", "nonconforming", "undecided", "not measured", None)
GROUPS = ("timing", "windings", "encoder", "sensors", "mechanics", "wiring", "checks")


def finding(group: str, conformity: str | None, label: str = "a finding") -> Finding:
    return Finding(f"{group}_{conformity}", label, group, Estimate(1.0, "V", 0.1), conformity=conformity)


@pytest.mark.parametrize(
    ("stage", "group", "conformity", "wanted"),
    [
        ("as-left", "timing", "conforming", "release"),
        ("as-left", "timing", "nonconforming", "rework"),
        ("as-left", "timing", "undecided", "rework"),
        ("as-left", "timing", "not measured", "rework"),
        ("as-left", "windings", "nonconforming", "quarantine"),
        ("as-left", "mechanics", "nonconforming", "quarantine"),
        ("as-left", "windings", "undecided", "rework"),
        ("as-left", "encoder", "nonconforming", "rework"),
        ("as-left", "sensors", "nonconforming", "rework"),
        ("as-left", "wiring", "nonconforming", "rework"),
        ("as-found", "timing", "conforming", "rework"),
        ("as-found", "timing", "nonconforming", "rework"),
        ("as-found", "windings", "nonconforming", "quarantine"),
        ("setting", "timing", "conforming", "rework"),
        ("setting", "mechanics", "nonconforming", "quarantine"),
    ],
)
def test_a_complete_production_run_proposes_what_its_worst_finding_says(
    stage: str, group: str, conformity: str, wanted: str
) -> None:
    proposal = propose(
        stage, "complete", [finding("checks", "conforming"), finding(group, conformity)], "production", None
    )
    assert (proposal.proposed, proposal.would_be) == (wanted, wanted)
    assert proposal.reason


def test_an_informing_finding_without_conformity_does_not_stand_against_a_release() -> None:
    findings = [finding("timing", "conforming"), finding("mechanics", None)]
    assert propose("as-left", "complete", findings, "production", None).proposed == "release"


@pytest.mark.parametrize("findings", [[], [finding("mechanics", None)]], ids=["none", "informing only"])
def test_a_run_that_judged_nothing_releases_nothing(findings: list[Finding]) -> None:
    assert propose("as-left", "complete", findings, "production", None).proposed == "rework"


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("stage", STAGES)
def test_a_stopped_run_never_releases_and_says_why_it_stopped(stage: str, kind: str) -> None:
    proposal = propose(stage, "stopped", [finding("timing", "conforming")], kind, "drive-end guard: opened")
    assert proposal.proposed == "rework"
    assert "drive-end guard: opened" in proposal.reason


def test_a_stopped_run_that_already_saw_a_bad_winding_quarantines() -> None:
    proposal = propose("as-found", "stopped", [finding("windings", "nonconforming", "balance")], "production", "stop")
    assert proposal.proposed == "quarantine"
    assert "balance" in proposal.reason


@pytest.mark.parametrize("kind", ["simulated", "training"])
def test_a_simulated_or_training_run_that_would_release_proposes_nothing_and_says_so(kind: str) -> None:
    proposal = propose("as-left", "complete", [finding("timing", "conforming")], kind, None)
    assert (proposal.proposed, proposal.would_be) == (None, "release")
    assert kind in proposal.reason
    assert proposal.document() == {"proposed": None, "would_be": "release", "reason": proposal.reason}


@pytest.mark.parametrize("kind", ["simulated", "training"])
@pytest.mark.parametrize("outcome", ["complete", "stopped"])
@pytest.mark.parametrize("stage", STAGES)
def test_nothing_but_a_production_run_ever_proposes_a_release(stage: str, outcome: str, kind: str) -> None:
    for group in GROUPS:
        for conformity in CONFORMITIES:
            proposal = propose(stage, outcome, [finding(group, conformity)], kind, "stopped by hand")
            assert proposal.proposed not in ("release", "release under concession"), (group, conformity)


def test_a_release_needs_every_judged_finding_to_conform() -> None:
    for group in GROUPS:
        for conformity in ("nonconforming", "undecided", "not measured"):
            findings = [finding("timing", "conforming"), finding(group, conformity), finding("encoder", "conforming")]
            for ordered in (findings, findings[::-1]):
                assert propose("as-left", "complete", ordered, "production", None).would_be != "release"


@pytest.mark.parametrize("conformity", ["conforming", "nonconforming"])
def test_a_station_check_disposes_of_no_motor(conformity: str) -> None:
    proposal = propose("station-check", "complete", [finding("windings", conformity)], "production", None)
    assert proposal.proposed is None
    assert "disposes of no motor" in proposal.reason
