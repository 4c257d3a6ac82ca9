"""`polemark demo`: an invented rebuild line on the simulated bench, from receipt to the proof as left."""

import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from db.store import Store
from drivers.bench import Bench
from drivers.bench_process import simulated_bench
from station.answers_file import GivenAnswer
from station.ask_model import Ask
from station.asking import PreparedAnswers
from station.data_folder import DataFolder
from station.demo_line import DemoMotor, read_line
from station.exit_codes import BadInput, ExitCode
from station.find_files import SHIPPED, FileKind, find_file
from station.planned_steps import PlannedStep
from station.run_execution import RunRequest, RunResult, execute, worst_line
from station.run_preparation import prepare
from station.signals import StopSwitch, stop_switch
from station.simulated_hands import SimulatedHands
from station.wording import meant
from station.yield_command import yield_lines

STAGES = ("as-found", "setting", "as-left")
DEMO_FOLDER = Path("demo-data")
TECHNICIAN = "Robin Example"


@dataclass(frozen=True, slots=True)
class Done:
    """One run of the line."""

    motor: DemoMotor
    stage: str
    result: RunResult


def run_demo(data: Path | None, motors: Path | None, only: Sequence[str]) -> int:
    """Run the line and tell what came of it."""
    line_path = motors or SHIPPED / "demo_line.yaml"
    line = _chosen(read_line(line_path), only)
    folder = DataFolder.at(data or DEMO_FOLDER)
    begun = time.monotonic()
    click.echo(f"Simulated bench, invented motors: {len(line)} motors of {len({m.type_name for m in line})} types.")
    template = find_file(FileKind.BENCH, "simulated")
    with (
        folder.open_store() as store,
        tempfile.TemporaryDirectory(prefix="polemark-") as scratch,
        simulated_bench(template, Path(scratch) / "bench.yaml", motors=line_path) as started,
        stop_switch() as stop,
    ):
        done = _run_line(line, started.bench_path, store, folder, stop)
        click.echo("\n" + "\n".join(_table(done)))
        click.echo("")
        for text in yield_lines(store, by=None, simulated=True):
            click.echo(text)
    click.echo(
        f"\n{len(done)} runs in {time.monotonic() - begun:.0f} s. Everything above is SIMULATED and counts nowhere."
    )
    click.echo(f"Records: {folder.database}    sheets: {folder.path / 'sheets'}")
    # As it was called: after `make demo` the command is not on the path.
    called = sys.argv[0] if Path(sys.argv[0]).name == "polemark" else "polemark"
    click.echo(f"Next: {called} records --data {folder.path} --motor {line[0].serial}")
    return ExitCode.BENCH if stop.requested else ExitCode.DONE


def _chosen(line: Sequence[DemoMotor], only: Sequence[str]) -> list[DemoMotor]:
    known = {m.serial: m for m in line}
    for serial in only:
        if serial not in known:
            raise BadInput(f"the line has no motor '{serial}'; allowed: {meant(serial, known)}")
    return [m for m in line if not only or m.serial in only]


def _run_line(
    line: Sequence[DemoMotor], bench_path: Path, store: Store, folder: DataFolder, stop: StopSwitch
) -> list[Done]:
    plans = {(m.type_name, s): prepare(s, m.type_name, bench_path) for m in line for s in STAGES}
    done: list[Done] = []
    with Bench.open(next(iter(plans.values())).bench) as bench:
        if bench.simulation is None:
            raise BadInput("the demo runs on a simulated bench only")
        hands = SimulatedHands(bench.simulation)
        for place, motor in enumerate(line, start=1):
            store.add_job(motor.job_facts, motor.serial, datetime.now(UTC))
            bench.simulation.mount(motor.serial)
            for stage in STAGES:
                if stop.requested:
                    return done
                prepared = plans[motor.type_name, stage]
                answers = _answers(prepared.sequence.questions(), bench.simulation.state())
                request = RunRequest(prepared, motor.serial, motor.job, TECHNICIAN)
                click.echo(f"[{place:2}/{len(line)}] {motor.serial:11} {stage:9} ", nl=False)
                begun = time.monotonic()
                result = execute(request, bench, store, folder, PreparedAnswers(answers, hands), _quiet, stop)
                done.append(Done(motor, stage, result))
                click.echo(
                    f"{time.monotonic() - begun:4.1f} s  {_proposal(result.document)}: {worst_line(result.document)}"
                )
                if not _goes_on(result.document):
                    break
    return done


def _goes_on(document: Mapping[str, Any]) -> bool:
    """Tell whether a motor goes on: one in doubt waits for the quality engineer; one whose run was stopped waits for rework."""
    return bool(document["outcome"] == "complete" and document["disposition"]["would_be"] != "quarantine")


def _answers(questions: Mapping[str, Ask], state: Mapping[str, Any]) -> dict[str, GivenAnswer]:
    """Return what the simulated technician answers: readings come from the simulated motor, the rest is invented."""
    return {name: _answer(ask, state) for name, ask in questions.items()}


def _answer(ask: Ask, state: Mapping[str, Any]) -> GivenAnswer:
    line_ohm = float(state["line_resistance_ohm"])
    readings = {
        "ambient_temperature": (21.6, "thermometer TH-07"),
        "winding_temperature": (22.1, "thermometer TH-07"),
        "winding_resistance_UV": (line_ohm * 1.0082, "milliohmmeter MO-03"),
        "winding_resistance_VW": (line_ohm * 1.0095, "milliohmmeter MO-03"),
        "winding_resistance_WU": (line_ohm * 1.0071, "milliohmmeter MO-03"),
        "insulation_resistance": (840.0, "insulation tester IT-02"),
        "lock_torque": (1.2, "torque driver TD-11"),
    }
    texts = {"condition": "dirty", "unit_serial": "FU-2291", "unit_lot": "L-26-31", "screw_locker_lot": "SL-0417"}
    if ask.answer == "confirm":
        return GivenAnswer(True)  # noqa: FBT003 - the value of a confirmation
    if ask.answer == "reading":
        value, instrument = readings[str(ask.records)]
        return GivenAnswer(value, instrument if ask.hand_instrument != "none" else None)
    if ask.answer == "choice":
        wanted = texts.get(str(ask.records), ask.choices[0])
        return GivenAnswer(wanted if wanted in ask.choices else ask.choices[0])
    return GivenAnswer(texts.get(str(ask.records), "as seen"))


def _quiet(step: PlannedStep) -> None:
    del step


def _proposal(document: Mapping[str, Any]) -> str:
    proposal = document["disposition"]
    shown = str(proposal["proposed"] or f"({proposal['would_be']})")
    return f"{document['outcome']}, {shown}" if document["outcome"] == "stopped" else shown


def _table(done: Sequence[Done]) -> list[str]:
    rows = [("motor", "stage", "proposed", "worst finding", "sheet")]
    rows += [
        (d.motor.serial, d.stage, _proposal(d.result.document), worst_line(d.result.document)[:72], str(d.result.sheet))
        for d in done
    ]
    widths = [max(len(row[i]) for row in rows) for i in range(4)]
    lines = ["  ".join([*(cell.ljust(w) for cell, w in zip(row, widths, strict=False)), row[4]]) for row in rows]
    note = "(release): a simulated run can never be released; on a real bench the same findings would propose it."
    return [lines[0], "-" * len(lines[0]), *lines[1:], note]
