"""Calling `polemark` in the test's own process, through its own entry."""

import contextlib
import io
import subprocess
from pathlib import Path

from station.cli import main


def polemark(*args: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the command; what it does not expect fails the test."""
    said, errors, code = io.StringIO(), io.StringIO(), 0
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(errors):
        try:
            main([*map(str, args)])
        except SystemExit as end:
            code = int(end.code or 0)
    assert "Traceback" not in errors.getvalue(), errors.getvalue()
    return subprocess.CompletedProcess(args, code, said.getvalue(), errors.getvalue())


def one_sentence(done: subprocess.CompletedProcess[str]) -> str:
    """Return what a failed command said, after checking that it said it on one line."""
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1, done.stderr
    return lines[0]
