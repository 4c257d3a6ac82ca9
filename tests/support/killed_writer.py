"""Writes records until it is killed; run as a program it forks such writers, which start at once.

Every line on standard input starts one. It says `pid N`, then `begun NUMBER` and `stored NUMBER DIGEST` after each commit.
"""

import os
import sys
from pathlib import Path

from store_samples import document, started, waveform

from db.store import Store


def say(line: str) -> None:
    os.write(1, (line + "\n").encode())


def write_for_ever(location: str, keys: Path) -> None:
    with Store.open(location, keys=keys) as store:
        for seed in range(10_000):
            start, waves = started(), [waveform(seed, 20_000), waveform(seed + 20_000, 20_000, "int16")]
            begun = store.begin_run(start)
            say(f"begun {begun.number}")
            stored = store.add_record(begun.number, document(begun, start, waves), waves)
            say(f"stored {stored.number} {stored.digest}")


if __name__ == "__main__":
    for _ in sys.stdin:
        pid = os.fork()
        if pid == 0:
            say(f"pid {os.getpid()}")
            write_for_ever(sys.argv[1], Path(sys.argv[2]))
        # The next one starts when this one has been killed.
        os.waitpid(pid, 0)
        say("ended")
