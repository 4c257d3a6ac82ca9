"""What a record's safety costs, in one run: `python tests/support/store_benchmark.py`.

- A begun run with its record and 24 waveforms, against plain sqlite3 writing the same number of bytes with the same
  settings for safety (write-ahead log, full sync).
- A check of that whole store, against SHA-256 alone over the bytes that it proves.
- The records of one motor, and those of one day, among 100,000 runs, against the same among 1,000.

Ratios; absolute times mean nothing here.
"""

# ruff: noqa: S608 - the numbers in the statements are our own

import hashlib
import os
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from datetime import timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from store_samples import NOW, started, store_record, waveform
from tamper import check

from db.store import Store

WAVEFORMS, SAMPLES, REPEATS = 24, 100_000, 7
MANY, FEW = 100_000, 1_000


def best_s(act: Callable[[], object]) -> float:
    """Best time of some [s]."""
    best = float("inf")
    for _ in range(REPEATS):
        begun = time.perf_counter()
        act()
        best = min(best, time.perf_counter() - begun)
    return best


def filled(folder: Path, runs: int) -> Path:
    """Return a store with rows for queries alone: four runs a motor, 20 a day."""
    path = folder / f"{runs}.db"
    Store.open(path).close()
    with closing(sqlite3.connect(path)) as plain:
        plain.execute("PRAGMA synchronous = OFF")
        numbers = f"WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < {runs - 1}) "
        at = "strftime('%Y-%m-%dT00:00:00.000000Z', '2000-01-01', '+' || (i / 20) || ' days')"
        for rows in (
            f"INSERT INTO entries SELECT i, 'record', 'PM-' || i, {at}, x'00', x'00' FROM n",
            f"INSERT INTO runs SELECT i, 'PM-' || i, 'PM', i, 'production', 'as-left', 'J-' || i, 'S-' || (i / 4), 't', 's', {at} FROM n",
            f"INSERT INTO records SELECT i, 'PM-' || i, 'complete', 'conforming', '', 'release', {at} FROM n",
        ):
            plain.execute(numbers + rows)
        plain.commit()
    return path


def asked_s(path: Path) -> tuple[float, float]:
    """Best times [s] of the records of one motor and of one day."""
    day = NOW.replace(year=2000, month=1, day=20, hour=0, minute=0, second=0)
    with Store.open_to_read(path) as store:
        assert len(store.find(motor_serial="S-17")) == 4
        assert len(store.find(since=day, until=day + timedelta(days=1))) == 20
        return (
            best_s(lambda: store.find(motor_serial="S-17")),
            best_s(lambda: store.find(since=day, until=day + timedelta(days=1))),
        )


def main() -> None:
    """Print the ratios."""
    waveforms = [waveform(seed, SAMPLES) for seed in range(WAVEFORMS)]
    size = sum(w.counts.nbytes for w in waveforms)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "records.db"
        with Store.open(path) as store:
            ours_s = best_s(lambda: store_record(store, started(), waveforms))
        plain = sqlite3.connect(Path(folder) / "plain.db", isolation_level=None)
        for pragma in ("journal_mode = WAL", "synchronous = FULL"):
            plain.execute(f"PRAGMA {pragma}")
        plain.execute("CREATE TABLE t (content BLOB)")
        plain_s = best_s(lambda: plain.execute("INSERT INTO t VALUES (?)", (os.urandom(size),)))
        plain.close()
        with Store.open_to_read(path) as store:
            proved = b"".join(w.counts.tobytes() for w in store.waveforms("PM-000001"))
        with closing(sqlite3.connect(path)) as read:
            proved += b"".join(row[0] for row in read.execute("SELECT content FROM entries"))
        check_s, hash_s = best_s(lambda: check(path)), best_s(lambda: hashlib.sha256(proved).digest())
        many, few = (asked_s(filled(Path(folder), runs)) for runs in (MANY, FEW))
    print(
        f"check: a whole store with {len(proved) // 1000} kB of samples and entries over SHA-256 alone {check_s / hash_s:.1f} times"
    )
    for what, (slow_s, fast_s) in zip(("motor", "day"), zip(many, few, strict=True), strict=True):
        print(f"query: records of one {what} among {MANY} over among {FEW} {slow_s / fast_s:.1f} times")
    print(
        f"store: begun run and record with {size // 1000} kB of samples over plain sqlite3 {ours_s / plain_s:.1f} times"
    )


if __name__ == "__main__":
    main()
