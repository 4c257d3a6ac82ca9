"""Kills writers of a store at random moments and says what they had been told was stored."""

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import killed_writer

ROOT = Path(killed_writer.__file__).parents[2]


@dataclass
class Acknowledged:
    begun: list[str] = field(default_factory=list)
    stored: dict[str, str] = field(default_factory=dict)


class Killing:
    def __init__(self, process: "subprocess.Popen[str]", rng: random.Random) -> None:
        self.process, self.rng = process, rng

    def one_writer(self, told: Acknowledged) -> None:
        """Start a writer and kill it between its first moment and about a dozen commits later."""
        assert self.process.stdin is not None
        self.process.stdin.write("go\n")
        self.process.stdin.flush()
        pid = int(self._line().removeprefix("pid "))
        time.sleep(self.rng.uniform(0.0, 0.25))
        os.kill(pid, signal.SIGKILL)
        while (line := self._line()) != "ended":
            verb, number, *digest = line.split()
            if verb == "begun":
                told.begun.append(number)
            else:
                told.stored[number] = digest[0]

    def _line(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline().rstrip("\n")


@contextmanager
def killing(location: str, keys: Path, seed: int) -> Iterator[Killing]:
    environment = os.environ | {"PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests/support'}"}
    process = subprocess.Popen(
        [sys.executable, killed_writer.__file__, location, str(keys)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment,
    )  # fmt: skip
    try:
        yield Killing(process, random.Random(seed))  # noqa: S311
    finally:
        process.kill()
        process.communicate()
