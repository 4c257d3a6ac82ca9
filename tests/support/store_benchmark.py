"""What a record's safety costs, in one run: `python tests/support/store_benchmark.py`.

A begun run with its record and 24 waveforms, against plain sqlite3 writing the same number of bytes with the same
settings for safety (write-ahead log, full sync). A ratio; absolute times mean nothing here.
"""

import os
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from store_samples import started, store_record, waveform

from db.store import Store

WAVEFORMS, SAMPLES, REPEATS = 24, 100_000, 7


def best_s(act: Callable[[], object]) -> float:
    """Best time of some [s]."""
    best = float("inf")
    for _ in range(REPEATS):
        begun = time.perf_counter()
        act()
        best = min(best, time.perf_counter() - begun)
    return best


def main() -> None:
    """Print the ratio."""
    waveforms = [waveform(seed, SAMPLES) for seed in range(WAVEFORMS)]
    size = sum(w.counts.nbytes for w in waveforms)
    with tempfile.TemporaryDirectory() as folder:
        with Store.open(Path(folder) / "records.db") as store:
            ours_s = best_s(lambda: store_record(store, started(), waveforms))
        plain = sqlite3.connect(Path(folder) / "plain.db", isolation_level=None)
        for pragma in ("journal_mode = WAL", "synchronous = FULL"):
            plain.execute(f"PRAGMA {pragma}")
        plain.execute("CREATE TABLE t (content BLOB)")
        plain_s = best_s(lambda: plain.execute("INSERT INTO t VALUES (?)", (os.urandom(size),)))
        plain.close()
    print(
        f"store: begun run and record with {size // 1000} kB of samples over plain sqlite3 {ours_s / plain_s:.1f} times"
    )


if __name__ == "__main__":
    main()
