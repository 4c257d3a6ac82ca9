"""`polemark validate`: a sequence checked whole, without touching a bench."""

import json
from pathlib import Path

import click

from drivers.bench_file import BenchFile, parse_bench
from safety.strict_yaml import Problem, YamlError, read_file
from station.adapter_file import Adapter
from station.checked_sequence import read_checked
from station.exit_codes import ExitCode
from station.find_files import FileKind, find_file, shipped_names
from station.motor_type import MotorType


def validate_command(sequence: str, type_name: str | None, bench: Path | None, *, as_json: bool) -> int:
    """Check a sequence against one motor type, or against every shipped one."""
    path = find_file(FileKind.SEQUENCE, sequence)
    bench_file = _bench(bench)
    types = [type_name] if type_name is not None else shipped_names(FileKind.MOTOR_TYPE)
    problems: dict[Problem, list[str]] = {}
    for name in types:
        for problem in _problems(path, name, bench_file):
            problems.setdefault(problem, []).append(name)
    if as_json:
        click.echo(json.dumps([_plain(p, names) for p, names in problems.items()], indent=2, ensure_ascii=False))
    else:
        for problem in problems:
            click.echo(str(problem), err=True)
        if not problems:
            click.echo(f"{path}: sound, checked against {', '.join(types)} and bench {bench_file.name}")
    return ExitCode.BAD_INPUT if problems else ExitCode.DONE


def _bench(path: Path | None) -> BenchFile:
    return parse_bench(read_file(path or find_file(FileKind.BENCH, "simulated")))


def _problems(path: Path, type_name: str, bench: BenchFile) -> tuple[Problem, ...]:
    type_path = find_file(FileKind.MOTOR_TYPE, type_name)
    try:
        motor_type = MotorType.read(type_path)
        adapter = Adapter.read(find_file(FileKind.ADAPTER, motor_type.adapter, beside=type_path))
        read_checked(path, motor_type, adapter, bench)
    except YamlError as error:
        return error.problems
    return ()


def _plain(problem: Problem, names: list[str]) -> dict[str, object]:
    return {
        "file": problem.file, "line": problem.line, "column": problem.column, "what": problem.what,
        "allowed": problem.allowed, "motor_types": names,
    }  # fmt: skip
