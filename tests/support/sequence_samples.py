"""Texts and files that tests of sequences, motor types and answers start from."""

from functools import cache
from pathlib import Path

from drivers.bench_file import BenchFile, parse_bench
from safety.strict_yaml import read_file
from station.adapter_file import Adapter
from station.checked_sequence import CheckedSequence, check
from station.find_files import FileKind, find_file, shipped_names
from station.motor_type import MotorType
from station.sequence_model import Sequence

SEQUENCES = tuple(shipped_names(FileKind.SEQUENCE))
TYPES = tuple(shipped_names(FileKind.MOTOR_TYPE))
MARK = "<<>>"

HEAD = """\
sequence: sample
title: A sample
stage: as-left
revision: "1"
steps:
"""
UP = """\
  - energise: {output: sensor supply}
  - spin: {direction: CW, speed: 60 rpm, first: true}
"""
"""The shortest way to a turning shaft, for a type without brake."""


def marked(text: str) -> tuple[str, int, int]:
    """Take the mark out of a text and return the text with line and column (from 1) of where it stood."""
    before, found, after = text.partition(MARK)
    assert found, "the sample has no mark"
    return before + after, before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1


@cache
def bench_file() -> BenchFile:
    """The shipped simulated bench, which need not run for this."""
    return parse_bench(read_file(find_file(FileKind.BENCH, "simulated")))


@cache
def motor_type(name: str = "ostrel-mt41") -> MotorType:
    """A shipped motor type."""
    return MotorType.read(find_file(FileKind.MOTOR_TYPE, name))


@cache
def adapter(name: str = "ostrel-mt41") -> Adapter:
    """The adapter of a shipped motor type."""
    return Adapter.read(find_file(FileKind.ADAPTER, motor_type(name).adapter))


def checked_text(text: str, type_name: str = "ostrel-mt41") -> CheckedSequence:
    """Check a sequence text against a shipped type and the simulated bench."""
    sequence = Sequence.read_string(text, "sample.yaml")
    return check(sequence, motor_type(type_name), adapter(type_name), bench_file())


def shipped_text(name: str) -> str:
    """The text of a shipped sequence."""
    return Path(find_file(FileKind.SEQUENCE, name)).read_text(encoding="utf-8")


RESOLVER_TYPE = """\
motor_type: sample-r1
maker: Sample
type: R1
revision: "1"
pole_pairs: 3
emf: {constant: 0.4 V*s/rad, value: peak, across: phase}
rated: {speed: 3000 rpm, current: 4 A}
winding: {resistance: 2 ohm, at: 20 degC, coefficient: 0.00393 1/K}
feedback: resolver
brake: none
thermal_sensor: none
adapter: ostrel-mt4
"""
"""A type whose feedback is not covered."""
