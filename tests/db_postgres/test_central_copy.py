"""Copying to the central store: everything, in order, once; by several stations and processes at a time."""

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from central_samples import ROOT, assert_copied_whole, copy, counts, fill, polemark
from store_samples import NOW, started

from db import central_source
from db.central_copy import copy_parcel
from db.central_queries import records, stations
from db.central_source import Source
from db.central_store import Central
from db.store import Store


def test_everything_of_a_station_comes_to_central_as_it_is_and_a_second_copy_adds_nothing(
    url: str, tmp_path: Path
) -> None:
    fill(tmp_path, "station-1")
    # Two keys, a job, a motor, six runs with their records, a void and an amendment.
    assert copy(tmp_path, url, "station-1") == 2 + 2 + 12 + 2
    assert_copied_whole(tmp_path, url, "station-1")
    before = counts(url)
    assert copy(tmp_path, url, "station-1") == 0
    assert counts(url) == before


def test_what_is_added_later_goes_on_where_copying_ended(url: str, tmp_path: Path) -> None:
    for seed in (1, 2, 3):
        fill(tmp_path, "station-1", runs=2, seed=seed)
        copy(tmp_path, url, "station-1")
        assert_copied_whole(tmp_path, url, "station-1")


@pytest.mark.parametrize(("heads", "size"), [(1, 8_000_000), (3, 8_000_000), (100, 0), (100, 600)])
def test_a_backlog_of_many_parcels_comes_whole_wherever_they_end(
    url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, heads: int, size: int
) -> None:
    monkeypatch.setattr(central_source, "PARCEL_HEADS", heads)
    monkeypatch.setattr(central_source, "PARCEL_BYTES", size)
    fill(tmp_path, "station-1")
    with Store.open(tmp_path / "records.db") as store, Central.open(url) as central:
        source, parcels = Source(store, "station-1"), 1
        while copy_parcel(source, central).waiting:
            parcels += 1
    assert parcels > 3
    assert_copied_whole(tmp_path, url, "station-1")


def test_equal_samples_and_files_of_several_records_are_stored_once_a_station(url: str, tmp_path: Path) -> None:
    for name in ("one", "two"):
        fill(tmp_path / name, name, runs=2, seed=7)
        copy(tmp_path / name, url, name)
        fill(tmp_path / name, name, runs=2, seed=7)
        copy(tmp_path / name, url, name)
        assert_copied_whole(tmp_path / name, url, name)
    assert counts(url)["central_waveforms"] == 2 * 4


def test_stations_that_copy_at_once_while_they_work_lose_and_double_nothing(url: str, tmp_path: Path) -> None:
    # The database is new, so they also migrate it at once.
    names = ("station-1", "station-2", "station-3")
    for seed, name in enumerate(names):
        fill(tmp_path / name, name, seed=seed)
    copying = [
        polemark("copy", "--to", url, "--follow", "--interval", "0.1", "--data", tmp_path / name) for name in names
    ]
    for seed, name in enumerate(names, start=10):
        fill(tmp_path / name, name, seed=seed)
    finish(url, copying, dict.fromkeys(names, 2 * 16 + 2))
    for name in names:
        assert_copied_whole(tmp_path / name, url, name)


def test_processes_that_copy_one_station_at_once_store_each_entry_once(url: str, tmp_path: Path) -> None:
    fill(tmp_path, "station-1", runs=20)
    program = f"import killed_copier; from pathlib import Path; killed_copier.copy_all(Path({str(tmp_path)!r}), {url!r}, 'station-1')"
    copying = [
        subprocess.Popen(
            [sys.executable, "-c", program], env={"PYTHONPATH": f"{ROOT}:{ROOT / 'tests/support'}"},
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for _ in range(3)
    ]  # fmt: skip
    answers = [process.communicate(timeout=120) for process in copying]
    assert [process.returncode for process in copying] == [0, 0, 0], answers
    assert_copied_whole(tmp_path, url, "station-1")


def test_stations_and_records_are_listed_over_all_stations(url: str, tmp_path: Path) -> None:
    for seed, name in ((1, "station-1"), (2, "station-2")):
        fill(tmp_path / name, name, seed=seed, runs=2)
        copy(tmp_path / name, url, name)
    with Store.open(tmp_path / "station-2" / "records.db") as store, Central.open(url) as central:
        head = store.head()
        assert head is not None
        one, two = stations(central)
        assert (one.station, one.entries, one.entries_there) == ("station-1", 9, 9)
        assert (two.root, two.head_utc, two.key) == (head.root, head.at_utc, head.key)
        assert [(s.station, s.number, s.void) for s in records(central)] == [
            ("station-1", "PM-000001", False), ("station-1", "PM-000002", True),
            ("station-2", "PM-000001", False), ("station-2", "PM-000002", True),
        ]  # fmt: skip
        assert records(central, station="station-2") == store.find()
        assert {s.station for s in records(central, job="J-1")} == {"station-1"}
        assert {s.station for s in records(central, motor_serial="NB4-20771")} == {"station-1", "station-2"}
        assert records(central, stage="setting") == []


def test_the_commands_list_what_was_copied_and_what_waits(url: str, tmp_path: Path) -> None:
    fill(tmp_path, "station-1", runs=2)
    assert ended("stations", "--at", url).stdout == "No stations: nothing was copied yet.\n"
    never = ended("stations", "--at", url, "--data", tmp_path).stdout.splitlines()
    assert [line.split() for line in never[1:]] == [["station-1", "0", "-", "never", "9", "behind"]]
    done = ended("copy", "--to", url, "--data", tmp_path)
    assert (done.stdout, done.returncode) == ("Station station-1: 9 entries copied; central holds 9.\n", 0)
    with Store.open(tmp_path / "records.db") as store:
        store.begin_run(started(station="station-1"))
        head = store.head()
    assert head is not None
    listed = json.loads(ended("stations", "--at", url, "--json").stdout)
    assert [(s["station"], s["entries"], s["waiting"], s["compared"]) for s in listed] == [("station-1", 9, 0, False)]
    compared = ended("stations", "--at", url, "--data", tmp_path).stdout
    assert "station-1" in compared
    assert "1 behind" in compared
    ended("copy", "--to", url, "--data", tmp_path)
    listed = json.loads(ended("stations", "--at", url, "--data", tmp_path, "--json").stdout)
    assert (listed[0]["root"], listed[0]["waiting"], listed[0]["compared"]) == (f"sha256:{head.root.hex()}", 0, True)
    shown = ended("records", "--at", url).stdout
    assert "2 records of 1 stations." in shown
    found = json.loads(ended("records", "--at", url, "--station", "station-1", "--stage", "as-found", "--json").stdout)
    assert [(r["station"], r["number"], r["outcome"]) for r in found] == [
        ("station-1", "PM-000001", "complete"), ("station-1", "PM-000002", "void"),
    ]  # fmt: skip
    assert ended("records", "--at", url, "--job", "J-9").stdout == "No records of job J-9.\n"


def test_a_store_without_runs_has_no_name_and_nothing_to_copy(url: str, tmp_path: Path) -> None:
    with Store.open(tmp_path / "records.db") as store:
        store.add_job({"number": "J-1"}, "S-1", NOW)
    done = ended("copy", "--to", url, "--data", tmp_path)
    assert (done.stdout, done.returncode) == ("Nothing to copy: the store has no run yet.\n", 0)
    assert "2 entries copied" in ended("copy", "--to", url, "--data", tmp_path, "--station", "bench 7").stdout
    assert_copied_whole(tmp_path, url, "bench 7")


def test_following_begins_with_the_first_run_of_a_new_station(url: str, tmp_path: Path) -> None:
    with Store.open(tmp_path / "records.db") as store:
        store.add_job({"number": "J-1"}, "S-1", NOW)
    Central.open(url).close()
    following = polemark("copy", "--to", url, "--follow", "--interval", "0.1", "--data", tmp_path)
    fill(tmp_path, "station-1", runs=1)
    finish(url, [following], {"station-1": 8})
    assert_copied_whole(tmp_path, url, "station-1")


def ended(*arguments: str | Path) -> "subprocess.CompletedProcess[str]":
    process = polemark(*arguments)
    out, errors = process.communicate(timeout=60)
    assert not errors, errors
    return subprocess.CompletedProcess(process.args, process.returncode, out, errors)


def finish(url: str, copying: list["subprocess.Popen[str]"], due: dict[str, int]) -> None:
    """Wait until central holds what is due, then end the copying processes as Ctrl-C does."""
    deadline = time.monotonic() + 120
    with Central.open(url) as central:
        while {s.station: s.entries for s in stations(central)} != due:
            assert all(process.poll() is None for process in copying), [p.communicate() for p in copying]
            assert time.monotonic() < deadline, "it did not all come"
            time.sleep(0.02)
    for process in copying:
        process.send_signal(signal.SIGINT)
    answers = [process.communicate(timeout=60) for process in copying]
    assert [process.returncode for process in copying] == [0] * len(copying), answers
