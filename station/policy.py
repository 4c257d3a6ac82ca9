"""The site's rules, `policy.yaml` in the data folder; without the file the defaults hold."""

from pathlib import Path
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from analysis.conformity import ISO_14253_1, RULES, Rule, rule_named
from station.file_model import FileModel, OneOrMore
from station.file_problems import broken, refuse
from station.wording import listed

FILE_NAME = "policy.yaml"
Role = Literal["technician", "quality", "auditor", "maintainer"]


def _known_rule(value: object) -> object:
    if value not in RULES:
        refuse("policy", [broken((), f"unknown decision rule '{value}'", listed(list(RULES)))])
    return value


class Policy(FileModel):
    """What a site has decided for all its runs."""

    decision_rule: Annotated[str, BeforeValidator(_known_rule)] = ISO_14253_1.name
    """How values with their uncertainty are judged against limits; named on every sheet."""

    names: Literal["stated", "verified"] = "verified"
    """Once there are accounts: whether who runs a sequence proves it by password, or is taken at the word."""
    unapproved_files: Literal["mark", "refuse"] = "mark"
    """What becomes of a run whose sequence, motor type, adapter, bench or interlock table is not approved as it is."""
    overdue_calibration: Literal["flag", "refuse"] = "flag"
    """What becomes of a run with an instrument whose calibration is overdue: a deviation on its record, or no run."""
    releaser_may_be_tester: bool = False
    """Whether one person may test a motor and release it."""
    deciding_roles: OneOrMore[Role] = ("quality",)
    """Who may decide about a motor, sign its release and unlock it."""
    retests_without_rework: Annotated[int, Field(ge=1)] = 2
    """After so many retests of a stage without rework the motor is locked."""

    @property
    def rule(self) -> Rule:
        """The decision rule."""
        return rule_named(self.decision_rule)


def read_policy(folder: Path) -> Policy:
    """Read the policy of a data folder.

    Raises
    ------
    YamlError
        The file is there and wrong.
    """
    path = folder / FILE_NAME
    return Policy.read(path) if path.exists() else Policy()
