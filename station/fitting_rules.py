"""Whether sequence, motor type, adapter and bench belong together at all."""

from drivers.bench_file import BenchFile
from safety.strict_yaml import Problem
from station.adapter_file import Adapter
from station.motor_type import MotorType
from station.sequence_model import Sequence
from station.wording import listed


def fitting_problems(sequence: Sequence, motor_type: MotorType, adapter: Adapter, bench: BenchFile) -> list[Problem]:
    """Find what does not fit between the four files; each problem stands in the file that is to be changed."""
    problems: list[Problem] = []
    if sequence.serves == "feedback" and not motor_type.is_covered:
        place = ("serves",) if "serves" in sequence.model_fields_set else ("sequence",)
        what = f"{motor_type.title} has {motor_type.feedback} feedback, which this station does not cover"
        problems.append(
            sequence.document.problem(place, what, "a sequence that serves windings-only, such as windings-only")
        )
    if adapter.name != motor_type.adapter:
        what = f"{motor_type.title} needs adapter '{motor_type.adapter}', not '{adapter.name}'"
        problems.append(motor_type.document.problem(("adapter",), what, adapter.name))
    elif missing := adapter.missing_wires(motor_type):
        what = f"adapter '{adapter.name}' does not bring {listed(missing)}, which {motor_type.title} needs"
        problems.append(adapter.document.problem(("winding_plug",), what, "a pin for each wire that the type needs"))
    if motor_type.brake is not None and bench.brake_supply is None:
        what = f"{motor_type.title} has a brake and bench '{bench.name}' has no brake supply"
        problems.append(motor_type.document.problem(("brake",), what, "a bench with a brake supply"))
    return problems
