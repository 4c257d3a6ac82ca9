"""The site's rules, `policy.yaml` in the data folder; without the file the defaults hold."""

from pathlib import Path
from typing import Annotated

from pydantic import BeforeValidator

from analysis.conformity import ISO_14253_1, RULES, Rule, rule_named
from station.file_model import FileModel
from station.file_problems import broken, refuse
from station.wording import listed

FILE_NAME = "policy.yaml"


def _known_rule(value: object) -> object:
    if value not in RULES:
        refuse("policy", [broken((), f"unknown decision rule '{value}'", listed(list(RULES)))])
    return value


class Policy(FileModel):
    """What a site has decided for all its runs."""

    decision_rule: Annotated[str, BeforeValidator(_known_rule)] = ISO_14253_1.name
    """How values with their uncertainty are judged against limits; named on every sheet."""

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
