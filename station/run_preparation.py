"""Reading and checking everything a run needs, before a bench is opened."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from drivers.bench_file import BenchFile, read_bench
from station.adapter_file import Adapter
from station.answers_file import AnswersFile, GivenAnswer
from station.checked_sequence import CheckedSequence, read_checked
from station.find_files import FileKind, find_file
from station.motor_type import MotorType

NO_ANSWERS: Mapping[str, GivenAnswer] = {}


@dataclass(frozen=True, slots=True)
class Prepared:
    """A checked sequence with what it runs on."""

    sequence: CheckedSequence
    motor_type: MotorType
    adapter: Adapter
    bench: BenchFile


def prepare(sequence: str, type_name: str, bench_path: Path) -> Prepared:
    """Read sequence, motor type, adapter and bench, and check that they fit.

    Raises
    ------
    BadInput, YamlError
        A name is unknown or a file is wrong; every problem with its place.
    """
    bench = read_bench(bench_path)
    type_path = find_file(FileKind.MOTOR_TYPE, type_name)
    motor_type = MotorType.read(type_path)
    adapter = Adapter.read(find_file(FileKind.ADAPTER, motor_type.adapter, beside=type_path))
    checked = read_checked(find_file(FileKind.SEQUENCE, sequence), motor_type, adapter, bench)
    return Prepared(checked, motor_type, adapter, bench)


def read_answers(path: Path | None, sequence: CheckedSequence, *, simulated: bool) -> Mapping[str, GivenAnswer] | None:
    """Read the answers of an unattended run; None without a file.

    Raises
    ------
    YamlError
        An answer is missing or unusable.
    """
    if path is None:
        return None
    return AnswersFile.read(path).for_questions(sequence.questions(), confirms=simulated)
