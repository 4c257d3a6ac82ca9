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

    def note(self, line: str) -> None:
        verb, number, *digest = line.split()
        if verb == "begun":
            self.begun.append(number)
        else:
            self.stored[number] = digest[0]


class Killing:
    def __init__(self, process: "subprocess.Popen[str]", rng: random.Random) -> None:
        self.process, self.rng = process, rng

    def one_writer(self, told: Acknowledged) -> None:
        """Start a writer, let it commit a few times, and kill it somewhere in what it does next.

        How long to wait is taken from the writer itself, so that a busy machine meets the same moments.
        """
        assert self.process.stdin is not None
        self.process.stdin.write("go\n")
        self.process.stdin.flush()
        pid, since = int(self._line().removeprefix("pid ")), time.monotonic()
        commits = self.rng.randrange(6)
        for _ in range(commits):
            told.note(self._line())
        time.sleep(
            self.rng.uniform(0.0, 1.5) * (time.monotonic() - since) / commits if commits else self.rng.uniform(0.0, 0.1)
        )
        os.kill(pid, signal.SIGKILL)
        while (line := self._line()) != "ended":
            told.note(line)

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
