"""`polemark audit recompute`: a record's findings worked out again from its waveforms."""

import importlib.metadata
import json
from pathlib import Path

import click

from station.audit_store import store_to_read
from station.exit_codes import ExitCode
from station.recompute import recompute


def recompute_command(data: Path | None, number: str, *, json_wanted: bool) -> int:
    """Say whether the findings come out as they were stored; exit 1 where one does not."""
    here = importlib.metadata.version("polemark")
    with store_to_read(data) as store:
        found = recompute(store, number)
    if json_wanted:
        told = {
            "record": number,
            "made_by": found.made_by,
            "recomputed_by": here,
            "equal": list(found.equal),
            "differences": list(found.differences),
            "not_from_waveforms": list(found.not_from_waveforms),
        }
        click.echo(json.dumps(told, indent=2, ensure_ascii=False))
    else:
        for line in found.differences:
            click.echo(line)
        click.echo(
            f"{number}, made by version {found.made_by} and worked out again by {here}: {len(found.equal)} findings are as they "
            f"were, {len({d.partition(':')[0] for d in found.differences})} differ."
        )
        if found.not_from_waveforms:
            click.echo(f"Not to be had from waveforms: {', '.join(found.not_from_waveforms)}.")
    return ExitCode.NOT_CONFORMING if found.differences else ExitCode.DONE
