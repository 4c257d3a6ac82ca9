"""Copies a station until it is killed; run as a program it forks such copiers, which start at once.

Every line on standard input starts one. It says `pid N`, then `held N` after each parcel, and `done` when nothing waits.
"""

import os
import signal
import sys
from pathlib import Path

from db import central_source
from db.central_copy import copy_parcel
from db.central_store import Central
from db.store import Store


def say(line: str) -> None:
    os.write(1, (line + "\n").encode())


def copy_all(folder: Path, url: str, station: str) -> None:
    # The smallest parcels, so that there are many moments to be killed at.
    central_source.PARCEL_BYTES = 0
    with Store.open(folder / "records.db") as store, Central.open(url) as central:
        source = central_source.Source(store, station)
        while (progress := copy_parcel(source, central)).waiting:
            say(f"held {progress.held}")


if __name__ == "__main__":
    for _ in sys.stdin:
        pid = os.fork()
        if pid == 0:
            say(f"pid {os.getpid()}")
            copy_all(Path(sys.argv[1]), sys.argv[2], sys.argv[3])
            say("done")
            signal.pause()
        # The next one starts when this one has been killed.
        os.waitpid(pid, 0)
        say("ended")
