"""`polemark run`: one sequence on one motor."""

import json
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import click

from db.store import Store
from drivers.bench import Bench
from drivers.bench_process import simulated_bench
from station.asking import Asker, PreparedAnswers, TerminalAsker, demand_terminal
from station.data_folder import DataFolder
from station.exit_codes import BadInput, ExitCode
from station.find_files import FileKind, find_file
from station.planned_steps import PlannedStep
from station.policy import read_policy
from station.run_checks import Asked, cleared
from station.run_execution import RunRequest, RunResult, execute, worst_line
from station.run_preparation import prepare, read_answers
from station.signals import stop_switch
from station.simulated_hands import SimulatedHands
from station.wording import meant


@dataclass(frozen=True, slots=True)
class RunOptions:
    """The command line of a run."""

    sequence: str
    serial: str
    type_name: str
    job: str
    bench: Path | None
    technician: str | None
    answers: Path | None
    training: bool
    data: Path | None
    as_json: bool
    password_file: Path | None = None
    retest_reason: str | None = None
    reset_by: str | None = None


def run_command(options: RunOptions) -> int:
    """Run, tell what came of it, and return the exit code."""
    for what, value in (("--motor", options.serial), ("--job", options.job)):
        if not value.strip():
            raise BadInput(f"{what} is empty; allowed: a serial or job number")
    with bench_file(options.bench, quiet=options.as_json) as path:
        prepared = prepare(options.sequence, options.type_name, path)
        answers = read_answers(options.answers, prepared.sequence, simulated=prepared.bench.simulated)
        if answers is None and prepared.sequence.questions():
            demand_terminal()
        folder = DataFolder.at(options.data)
        policy = read_policy(folder.path)
        request = RunRequest(
            prepared,
            options.serial,
            options.job,
            options.technician,
            options.training,
            policy.rule,
            reset_by=options.reset_by,
        )
        asked = Asked(options.retest_reason, options.password_file)
        with folder.open_store() as store:
            request = replace(request, clearance=cleared(request, store, policy, asked))
            with Bench.open(prepared.bench) as bench:
                _mount(bench, options.serial)
                hands = None if bench.simulation is None else SimulatedHands(bench.simulation)
                asker: Asker = TerminalAsker(hands) if answers is None else PreparedAnswers(answers, hands)
                return _run(options, request, bench, store, folder, asker)


def _run(options: RunOptions, request: RunRequest, bench: Bench, store: Store, folder: DataFolder, asker: Asker) -> int:
    with stop_switch() as stop:
        result = execute(request, bench, store, folder, asker, _shown(quiet=options.as_json), stop)
    if options.as_json:
        click.echo(json.dumps(dict(result.document), indent=2, ensure_ascii=False))
    else:
        _tell(result)
    return exit_code(result.document)


@contextmanager
def bench_file(path: Path | None, *, quiet: bool) -> Iterator[Path]:
    """Yield the bench file given, or start a simulated bench and yield its file."""
    if path is not None:
        yield path
        return
    if not quiet:
        click.echo("No --bench given: starting a simulated bench. Everything it leaves is marked SIMULATED.")
    template = find_file(FileKind.BENCH, "simulated")
    with (
        tempfile.TemporaryDirectory(prefix="polemark-") as folder,
        simulated_bench(template, Path(folder) / "bench.yaml") as bench,
    ):
        yield bench.bench_path


def exit_code(document: Any) -> ExitCode:
    """Return the exit code that a record's outcome and findings lead to."""
    if document["outcome"] == "stopped":
        return ExitCode.BENCH
    judged = [f["conformity"] for f in document["findings"] if f["conformity"] is not None]
    return ExitCode.DONE if all(c == "conforming" for c in judged) else ExitCode.NOT_CONFORMING


def _mount(bench: Bench, serial: str) -> None:
    """Put the motor on a simulated bench; on a real one a person has done so."""
    if bench.simulation is None:
        return
    serials = bench.simulation.serials()
    if serial not in serials:
        raise BadInput(f"the simulated bench has no motor '{serial}'; allowed: {meant(serial, serials)}")
    # A motor that stands on the bench stays as the last run left it, so that one stage follows the other.
    if bench.simulation.mounted() != serial:
        bench.simulation.mount(serial)


def _shown(*, quiet: bool) -> Callable[[PlannedStep], None]:
    def show(step: PlannedStep) -> None:
        if not quiet:
            context = step.context
            where = [
                context.direction,
                f"{context.speed_rpm:.0f} rpm" if context.speed_rpm else None,
                context.winding_pair,
            ]
            click.echo(f"  {step.kind:8} {step.name} {' '.join(w for w in where if w)}".rstrip())

    return show


def _tell(result: RunResult) -> None:
    document = result.document
    click.echo(f"\nRecord {result.number} {result.digest}")
    click.echo(f"Outcome: {document['outcome']}" + (f" ({document['stop_reason']})" if document["stop_reason"] else ""))
    for finding in document["findings"]:
        if finding["conformity"] not in (None, "conforming"):
            value = "" if finding["value"] is None else f" {finding['value']:.4g} {finding['unit']}"
            reason = f" ({finding['reason']})" if finding["reason"] else ""
            click.echo(f"  {finding['conformity']:14} {finding['label']}{value}{reason}")
    proposal = document["disposition"]
    shown = proposal["proposed"] or f"none; on a real bench: {proposal['would_be']}"
    click.echo(f"Worst finding: {worst_line(document)}")
    click.echo(f"Proposed disposition: {shown} ({proposal['reason']})")
    click.echo(f"Sheet: {result.sheet}")
