"""Check a sequence whole against motor type, adapter and bench, before anything is energised, and make its plan."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from pydantic import ValidationError

from drivers.bench_file import BenchFile
from safety.strict_yaml import Document, Problem, YamlError, read_file
from station.adapter_file import Adapter
from station.ask_model import Ask
from station.file_problems import in_file_order
from station.fitting_rules import fitting_problems
from station.motor_type import MotorType
from station.planned_steps import LeftOut, Place, PlannedStep, walk, with_captures_ahead
from station.planner import Planner
from station.sequence_model import Sequence, Stage, Step
from station.step_names import named
from station.step_rules import StepRules


@dataclass(frozen=True, slots=True)
class CheckedSequence:
    """A sequence that fits its motor type, adapter and bench, with its plan.

    `text` and `digest` are those of the file. Steps are in the order they are done: loops unrolled, repeats kept as
    one step with steps of its own. `left_out` names steps that this motor type has no use for.
    """

    name: str
    title: str
    stage: Stage
    revision: str
    serves: str
    text: str
    digest: str
    document: Document
    steps: tuple[PlannedStep, ...]
    left_out: tuple[LeftOut, ...]

    def all_steps(self) -> tuple[PlannedStep, ...]:
        """Every planned step once, those inside repeats too."""
        return tuple(walk(self.steps))

    def questions(self) -> Mapping[str, Ask]:
        """Every question by the name of its step, in the order asked; one asked again in a loop comes once."""
        return MappingProxyType({s.name: s.action for s in self.all_steps() if isinstance(s.action, Ask)})


def check(sequence: Sequence, motor_type: MotorType, adapter: Adapter, bench: BenchFile) -> CheckedSequence:
    """Check a sequence against what it is to run on and make its plan.

    Raises
    ------
    YamlError
        Something does not fit; all problems in one go, each with file, line and column.
    """
    problems = fitting_problems(sequence, motor_type, adapter, bench)
    names, name_problems = named(sequence)
    problems += name_problems
    rules = StepRules(sequence.document, motor_type, bench, sequence.serves)
    planner = Planner(sequence, motor_type, names, rules)
    steps = planner.plan()
    problems += planner.problems
    if problems:
        raise YamlError(in_file_order(problems))
    return CheckedSequence(
        name=sequence.name,
        title=sequence.title,
        stage=sequence.stage,
        revision=sequence.revision,
        serves=sequence.serves,
        text=sequence.text,
        digest=sequence.digest,
        document=sequence.document,
        steps=with_captures_ahead(steps),
        left_out=tuple(planner.left_out),
    )


def read_checked(path: Path, motor_type: MotorType, adapter: Adapter, bench: BenchFile) -> CheckedSequence:
    """Read and check a sequence file.

    A file whose form is wrong is still looked through: every step that can be understood by itself is held against
    type and bench, so that one reading shows as much as can be known.

    Raises
    ------
    YamlError
        The file or its fit is wrong; all problems in one go.
    """
    document = read_file(path)
    try:
        sequence = Sequence.of(document)
    except YamlError as error:
        raise YamlError(in_file_order([*error.problems, *_known_anyway(document, motor_type, bench)])) from None
    return check(sequence, motor_type, adapter, bench)


def _known_anyway(document: Document, motor_type: MotorType, bench: BenchFile) -> list[Problem]:
    """Find problems of single steps in a file that as a whole is no sequence."""
    if not isinstance(document.data, dict):
        return []
    serves = "windings-only" if document.data.get("serves") == "windings-only" else "feedback"
    rules = StepRules(document, motor_type, bench, serves)
    problems: list[Problem] = []
    todo: list[tuple[Place, object]] = [(("steps",), document.data.get("steps"))]
    while todo:
        place, steps = todo.pop()
        for index, item in enumerate(steps if isinstance(steps, list) else []):
            here = (*place, index)
            if not isinstance(item, dict):
                continue
            todo.append(((*here, "steps"), item.get("steps")))
            alone = {key: value for key, value in item.items() if key != "steps"} | (
                {"steps": [{"rest": {}}]} if "steps" in item else {}
            )
            try:
                step = Step.model_validate(alone)
            except ValidationError:
                continue
            problems += rules.alone(step, here)
    return problems
