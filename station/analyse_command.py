"""`polemark analyse`: the station's measurements on captures that any scope has saved."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from analysis.conformity import Rule
from station.analysis import Analysis, analyse, document
from station.captures_file import Captures
from station.data_folder import DataFolder
from station.decision import Decision, decision_for
from station.exit_codes import BadInput, ExitCode
from station.policy import read_policy
from station.saved_captures import SavedCaptures, load
from station.sheet import render_analysis
from station.wording import listed, meant

YAML = (".yaml", ".yml")
DESCRIPTION = "captures.yaml"
GOOD = "conforming"


@dataclass(frozen=True, slots=True)
class AnalyseOptions:
    """The command line of an analysis."""

    files: tuple[Path, ...]
    page: Path | None
    serial: str | None
    job: str | None
    stage: str | None
    technician: str | None
    data: Path | None
    as_json: bool


def analyse_command(options: AnalyseOptions) -> int:
    """Analyse, tell what was found, and return the exit code."""
    _demand_whole(options)
    folder = DataFolder.at(options.data)
    saved = _saved(options.files)
    found = analyse(saved, _decision(saved, read_policy(folder.path).rule))
    made = document(found)
    if options.page is not None:
        _write(options.page, render_analysis(made))
    if options.as_json:
        click.echo(json.dumps(made, indent=2, ensure_ascii=False))
    else:
        _tell(found, made, options.page)
    if options.serial is not None and options.job is not None and options.stage is not None:
        from station.analysis_record import store_analysis

        number, sheet = store_analysis(found, folder, options.serial, options.job, options.stage, options.technician)
        if not options.as_json:
            click.echo(f"Record {number}, sheet: {sheet}")
    return ExitCode.DONE if made["conformity"] in (None, GOOD) else ExitCode.NOT_CONFORMING


def _demand_whole(options: AnalyseOptions) -> None:
    given = {"--motor": options.serial, "--job": options.job, "--stage": options.stage}
    lacking = [name for name, value in given.items() if value is None or not value.strip()]
    if lacking and len(lacking) < len(given):
        raise BadInput(f"{listed(lacking)} not given; allowed: --motor, --job and --stage together, to make a record")
    if options.technician is not None and lacking:
        raise BadInput("--technician without a record; allowed: with --motor, --job and --stage")


def _decision(saved: SavedCaptures, rule: Rule) -> Decision:
    return Decision(rule, {}) if saved.motor_type is None else decision_for(saved.motor_type, rule)


def _saved(files: Sequence[Path]) -> SavedCaptures:
    """Read one description and the captures asked for: those named, else all that it describes."""
    descriptions = [f for f in files if f.suffix in YAML]
    captures = [f for f in files if f.suffix not in YAML]
    if len(descriptions) > 1:
        raise BadInput(f"{len(descriptions)} descriptions given; allowed: one, and captures that it describes")
    path = descriptions[0] if descriptions else captures[0].parent / DESCRIPTION
    if not descriptions and not path.is_file():
        raise BadInput(
            f"{captures[0]} has no description: {path} is not there; allowed: a YAML file among FILE that says which column is "
            "what, see README.md and `polemark schema captures`"
        )
    description = Captures.read(path)
    return load(description, path.parent, [_named(f, description, path) for f in captures])


def _named(file: Path, description: Captures, path: Path) -> str:
    known = {(path.parent / of.file).resolve(): of.file for of in description.files}
    if file.resolve() not in known:
        raise BadInput(f"{file} is not described in {path}; allowed: {meant(file.name, known.values())}")
    return known[file.resolve()]


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise BadInput(f"{path} cannot be written: {error.strerror}; allowed: a path in a writable folder") from None


def _tell(found: Analysis, made: dict[str, Any], page: Path | None) -> None:
    click.echo(f"{made['heading']}: {made['title']}")
    for capture in made["captures"]:
        speed = "" if capture["speed_rpm"] is None else f", {capture['speed_rpm']:.1f} rpm"
        refused = f": refused, {capture['refusal']}" if capture["refusal"] else ""
        click.echo(f"  {capture['file']}: {capture['winding_pair']}, {capture['direction']}{speed}{refused}")
    group = ""
    for f in found.gathered.findings.values():
        if f.group != group:
            group = f.group
            click.echo(f"\n{group}")
        value = "" if f.estimate.value is None else f"{f.estimate.value:.5g} {f.estimate.unit}".rstrip()
        u = "" if f.estimate.value is None or f.estimate.u is None else f" (u {f.estimate.u:.2g})"
        said = f.text or value + u or "not measured"
        why = f" ({f.reason})" if f.reason and f.reason != f.text else ""
        click.echo(f"  {f.label + ':':52} {said}{', ' + f.conformity if f.conformity else ''}{why}")
    if made["correction"]:
        from station.sheet_parts import turning_words

        click.echo(f"\n{turning_words(made)}")
    click.echo(f"\nWorst of what has limits: {made['conformity'] or 'nothing was judged'}")
    if page is not None:
        click.echo(f"Page: {page}")
