"""`polemark yield`: first-pass yield with n and interval, and how setting went."""

import json
from pathlib import Path

import click

from analysis.yield_figures import Trial, YieldFigure, first_pass, first_pass_by
from db.results import YieldRow
from db.store import Store
from station.data_folder import DataFolder
from station.exit_codes import ExitCode

KEYS = {"type": "motor_type", "week": "week", "station": "station"}
ALL = "all"


def yield_command(data: Path | None, *, by: str | None, simulated: bool | None, as_json: bool) -> int:
    """Print first-pass yield."""
    with DataFolder.at(data).open_store() as store:
        if as_json:
            figures = _figures(store, by, _with_simulated(store, simulated))
            click.echo(json.dumps([_plain(stage, key, f) for stage, key, f in figures], indent=2))
            return ExitCode.DONE
        for line in yield_lines(store, by=by, simulated=simulated):
            click.echo(line)
    return ExitCode.DONE


def yield_lines(store: Store, *, by: str | None, simulated: bool | None) -> list[str]:
    """First-pass yield as lines of text."""
    counted = _with_simulated(store, simulated)
    lines = [
        "First-pass yield: first complete run of each job; stopped and void runs do not count. 95 % Wilson interval."
    ]
    if counted:
        lines.append("SIMULATED and TRAINING runs are counted here.")
    lines += [_line(stage, key, figure) for stage, key, figure in _figures(store, by, counted)]
    return lines


def _with_simulated(store: Store, simulated: bool | None) -> bool:  # noqa: FBT001 - a choice of three
    """Count simulated runs when asked to, or when there is nothing else."""
    if simulated is not None:
        return simulated
    return not any(s.kind == "production" for s in store.find())


def _figures(store: Store, by: str | None, simulated: bool) -> list[tuple[str, str, YieldFigure]]:  # noqa: FBT001
    made = []
    for stage in ("setting", "as-left"):
        rows = store.yield_rows(stage=stage, include_simulated=simulated)
        keys = {_trial(row): ALL if by is None else str(getattr(row, KEYS[by])) for row in rows}
        figures = first_pass_by(list(keys), keys.__getitem__)
        made += [(stage, key, figure) for key, figure in (figures or {ALL: first_pass([])}).items()]
    return made


def _trial(row: YieldRow) -> Trial:
    return Trial(row.job, row.started_utc.isoformat(), row.conformity == "conforming", row.outcome == "complete")


def _line(stage: str, key: str, figure: YieldFigure) -> str:
    if figure.value is None:
        return f"  {stage:9} {key:20} no complete run, so no yield (n = 0)"
    span = f"{100 * (figure.lower or 0):.1f} to {100 * (figure.upper or 0):.1f} %"
    return f"  {stage:9} {key:20} {figure.passed} of {figure.n} = {100 * figure.value:.1f} %   ({span})"


def _plain(stage: str, key: str, figure: YieldFigure) -> dict[str, object]:
    return {
        "stage": stage, "key": key, "passed": figure.passed, "n": figure.n, "value": figure.value,
        "lower": figure.lower, "upper": figure.upper, "interval": "Wilson 95 %",
    }  # fmt: skip
