"""Starts the simulated bench as a process of its own and hands out the bench file that leads to it."""

import json
import os
import select
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from drivers.errors import BenchFault

START_DEADLINE_S = 20.0
STOP_DEADLINE_S = 3.0
MOST_SAID_BYTES = 2000


@dataclass(frozen=True, slots=True)
class SimulatedBench:
    """A running simulated bench."""

    bench_path: Path
    pid: int


@contextmanager
def simulated_bench(
    template: Path,
    out_path: Path,
    *,
    motors: Path | None = None,
    faults: Sequence[str] = (),
    clock: str = "stepped",
    factor: float = 1.0,
    seed: int = 0,
    log: Path | None = None,
) -> Iterator[SimulatedBench]:
    """Start a simulated bench and stop it at the end; it also ends by itself when this process does.

    Parameters
    ----------
    template
        Bench file whose resources hold `{role}` where the port goes.
    out_path
        Where the bench file with the ports is written.
    log
        File that the bench writes its own log to.

    Raises
    ------
    BenchFault
        The process did not start; the message holds what it said.
    """
    command = [
        sys.executable,
        "-m",
        "drivers.simulated",
        "--clock",
        clock,
        "--factor",
        f"{factor:g}",
        "--seed",
        str(seed),
    ]
    if motors is not None:
        command += ["--motors", str(motors)]
    if log is not None:
        command += ["--log", str(log)]
    for fault in faults:
        command += ["--fault", fault]
    # Its own session: Ctrl-C at the terminal is for the station, which then still needs the bench to bring it to rest.
    # What it says goes to a file: a pipe that nobody reads would stop it once it is full.
    with tempfile.TemporaryFile() as said:
        process = subprocess.Popen(  # noqa: S603 - our own module, arguments as a list
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=said, start_new_session=True
        )
        try:
            ports = _ports(process, said)
            out_path.write_text(_with_ports(template, ports, clock, factor), encoding="utf-8")
            yield SimulatedBench(out_path, process.pid)
        finally:
            _stop(process)


def _ports(process: "subprocess.Popen[bytes]", said: IO[bytes]) -> dict[str, int]:
    if process.stdout is None:
        raise BenchFault("simulated bench", "start", "no output")
    ready, _, _ = select.select([process.stdout], [], [], START_DEADLINE_S)
    line = process.stdout.readline() if ready else b""
    try:
        return {str(role): int(port) for role, port in json.loads(line)["ports"].items()}
    except (ValueError, KeyError, TypeError):
        process.kill()
        process.wait()
        said.seek(0)
        words = (
            said.read(MOST_SAID_BYTES).decode("utf-8", "replace").strip() or f"no answer within {START_DEADLINE_S:g} s"
        )
        raise BenchFault("simulated bench", "start", words) from None


def _with_ports(template: Path, ports: dict[str, int], clock: str, factor: float) -> str:
    text = template.read_text(encoding="utf-8")
    for role, port in ports.items():
        text = text.replace("{" + role + "}", str(port))
    return text.replace("clock: stepped", f"clock: {clock}\nclock_factor: {factor:g}")


def _stop(process: "subprocess.Popen[bytes]") -> None:
    if process.stdin is not None:
        process.stdin.close()
    try:
        process.wait(STOP_DEADLINE_S)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, 9)
        process.wait()
    if process.stdout is not None:
        process.stdout.close()
