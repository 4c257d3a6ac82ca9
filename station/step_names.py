"""The names of a sequence's steps: those written, and those made from the kind."""

from collections.abc import Iterator
from itertools import count

from safety.strict_yaml import Problem
from station.planned_steps import Place
from station.sequence_model import Sequence, Step


def placed(steps: tuple[Step, ...], place: Place = ("steps",)) -> Iterator[tuple[Place, Step]]:
    """Go through all steps in the order of the file, with their places."""
    for index, step in enumerate(steps):
        here = (*place, index)
        yield here, step
        if step.steps is not None:
            yield from placed(step.steps, (*here, "steps"))


def named(sequence: Sequence) -> tuple[dict[Place, str], list[Problem]]:
    """Give every step its name by its place; names written twice are problems."""
    names: dict[Place, str] = {}
    problems: list[Problem] = []
    for place, step in placed(sequence.steps):
        if step.name is None:
            continue
        if step.name in names.values():
            what = f"a second step named '{step.name}'"
            problems.append(sequence.document.problem((*place, "name"), what, "a name of its own for each step"))
        names[place] = step.name
    taken = set(names.values())
    for place, step in placed(sequence.steps):
        if place not in names:
            names[place] = next(n for n in _made_from(step) if n not in taken)
            taken.add(names[place])
    return names, problems


def _made_from(step: Step) -> Iterator[str]:
    """Offer names for a step, the plainest first."""
    plain = step.kind
    if step.energise is not None:
        plain += f" {step.energise.output}"
    elif step.capture is not None:
        plain += f" {step.capture.signals}"
    elif step.compare is not None:
        plain += f" with {step.compare.against}"
    elif step.wait is not None:
        plain += f" for {step.wait.input or step.wait.finding}"
    yield plain
    yield from (f"{plain} {n}" for n in count(2))
