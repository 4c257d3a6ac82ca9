"""`polemark bench check` and `polemark bench simulate`."""

import json
import time
from collections.abc import Sequence
from pathlib import Path

import click

from drivers.bench import Bench
from drivers.bench_file import read_bench
from drivers.bench_process import simulated_bench
from station.exit_codes import ExitCode
from station.find_files import FileKind, find_file
from station.run_command import bench_file
from station.signals import stop_switch

LOOK_S = 0.2


def check_command(path: Path | None, *, as_json: bool) -> int:
    """Open every instrument, compare identities and read everything that can be read without energising."""
    with bench_file(path, quiet=as_json) as found, Bench.open(read_bench(found)) as bench:
        identities = bench.identities()
        checks = bench.check()
    if as_json:
        told = [{"what": c.what, "ok": c.ok, "detail": c.detail} for c in checks]
        click.echo(json.dumps({"instruments": [i.role for i in identities], "checks": told}, indent=2))
    else:
        for i in identities:
            due = "no calibration stated" if i.calibration_due is None else f"calibration due {i.calibration_due}"
            click.echo(f"  {i.role:14} {i.maker} {i.model}, serial {i.serial}, firmware {i.firmware}, {due}")
        for check in checks:
            click.echo(f"  {'as it should be' if check.ok else 'WRONG':16} {check.what}: {check.detail}")
    return ExitCode.DONE if all(c.ok for c in checks) else ExitCode.BENCH


def simulate_command(motors: Path | None, faults: Sequence[str], clock: str, factor: float, out: Path) -> int:
    """Keep a simulated bench running until Ctrl-C."""
    template = find_file(FileKind.BENCH, "simulated")
    with (
        stop_switch() as stop,
        simulated_bench(template, out, motors=motors, faults=faults, clock=clock, factor=factor) as bench,
    ):
        click.echo(f"Simulated bench runs, clock {clock}. Use it from another terminal:")
        click.echo(f"  polemark run as-found --bench {bench.bench_path} --motor SERIAL --type TYPE --job JOB")
        click.echo("Ctrl-C ends it.")
        while not stop.requested:
            time.sleep(LOOK_S)
    out.unlink(missing_ok=True)
    return ExitCode.DONE
