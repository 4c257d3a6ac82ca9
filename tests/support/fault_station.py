"""Starts station processes quickly: everything is imported once, and each `polemark` command is a fork of this process.

Reads one line of JSON a command on standard input, `{"args": [...], "said": FILE}`, and answers each with the process
number as `{"pid": N}` and, when the process has ended, `{"pid": N, "exit": CODE}` (negative: by that signal).
"""

import contextlib
import importlib
import io
import json
import os
import select
import sys
from pathlib import Path
from typing import NoReturn

POLL_S = 0.02


NEEDED = (
    "alembic.command", "alembic.autogenerate", "alembic.ddl.sqlite", "pyvisa", "pyvisa_py.tcpip", "scipy.special",
    "db.store", "drivers.bench", "station.run_command", "station.sheet", "station.steps", "station.validate_command",
)  # fmt: skip


def import_all() -> None:
    """Import what a run needs, and check a sequence once, which warms what reads files; nothing here starts a thread."""
    for name in NEEDED:
        importlib.import_module(name)
    from station.validate_command import validate_command

    with contextlib.redirect_stdout(io.StringIO()):
        validate_command("as-found", None, None, as_json=True)


def run_here(args: list[str], said: Path) -> NoReturn:
    """Be the station: the command's own entry point, with its words in a file."""
    os.setsid()
    null = os.open(os.devnull, os.O_RDONLY)
    words = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    for old, new in ((null, 0), (words, 1), (words, 2)):
        os.dup2(old, new)
    from station.cli import main

    code = 70
    try:
        main(args)
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 70
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def tell(**message: int) -> None:
    sys.stdout.write(json.dumps(message) + "\n")
    sys.stdout.flush()


def serve() -> None:
    """Fork for each line, and report who has ended."""
    import_all()
    living: set[int] = set()
    tell(ready=os.getpid())
    unread = b""
    while True:
        if select.select([0], [], [], POLL_S)[0]:
            received = os.read(0, 1 << 16)
            if not received:
                return
            *lines, unread = (unread + received).split(b"\n")
            for line in lines:
                command = json.loads(line)
                pid = os.fork()
                if pid == 0:
                    run_here(command["args"], Path(command["said"]))
                living.add(pid)
                tell(pid=pid)
        for pid in list(living):
            ended, status = os.waitpid(pid, os.WNOHANG)
            if ended:
                living.discard(pid)
                tell(pid=pid, exit=os.waitstatus_to_exitcode(status))


if __name__ == "__main__":
    serve()
