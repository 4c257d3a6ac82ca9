"""How fast a backlog goes to central, in one run: `python tests/support/central_benchmark.py`; needs the PostgreSQL server.

A station's backlog of records with 24 waveforms each, then two stations' at once, each copied by a process of its own into a
server on this machine that keeps the safety settings of a real one (its log is synced at every commit). The checks of ledger
and samples are in the time, the start of the processes is not. The figures say what this machine does, and no more.
"""

import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import private_postgres
from store_samples import started, store_record, waveform

from db.central_store import Central
from db.store import Store

RECORDS, WAVEFORMS, SAMPLES = 40, 24, 20_000
COPY = """
import sys, time
sys.path.insert(0, {support!r})
from pathlib import Path
from central_samples import copy
print("ready", flush=True)
sys.stdin.readline()
begun = time.perf_counter()
copy(Path({folder!r}), {url!r}, {station!r})
print(time.perf_counter() - begun)
"""


def backlog(folder: Path, station: str) -> int:
    """Fill a station's store; return its size in bytes."""
    folder.mkdir()
    with Store.open(folder / "records.db") as store:
        for i in range(RECORDS):
            waves = [waveform(i * WAVEFORMS + k, SAMPLES) for k in range(WAVEFORMS)]
            store_record(store, started(station=station), waves)
    return (folder / "records.db").stat().st_size


def copied_s(url: str, folders: dict[str, Path]) -> float:
    """Copy stations at once; return how long the last one took [s]."""
    support = str(Path(__file__).parent)
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", COPY.format(support=support, folder=str(folder), url=url, station=station)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )
        for station, folder in folders.items()
    ]  # fmt: skip
    for process in processes:
        assert process.stdout is not None
        process.stdout.readline()
    for process in processes:
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()
    return max(float(process.communicate()[0]) for process in processes)


def main() -> None:
    """Print the figures."""
    private_postgres.SETTINGS = "-c listen_addresses=''"
    with private_postgres.private_cluster() as cluster, tempfile.TemporaryDirectory() as place:
        folders = {f"station-{i}": Path(place) / str(i) for i in range(3)}
        size = max(backlog(folder, station) for station, folder in folders.items())
        url = cluster.new_database("central")
        Central.open(url).close()
        alone_s = copied_s(url, {"station-0": folders["station-0"]})
        both_s = copied_s(url, {name: folders[name] for name in ("station-1", "station-2")})
    print(
        f"central: {RECORDS / alone_s:.0f} records/s of one station ({size / RECORDS / 1000:.0f} kB each), "
        f"{2 * RECORDS / both_s:.0f} records/s of two at once"
    )


if __name__ == "__main__":
    try:
        main()
    except private_postgres.ServerMissing as missing:
        sys.exit(str(missing))
