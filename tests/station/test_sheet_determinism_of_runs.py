"""The same bench with the same seed gives the same findings and waveforms; a sheet of a record is always the same bytes."""

import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from db.store import Store
from drivers.bench import Bench
from drivers.bench_process import simulated_bench
from station.asking import PreparedAnswers
from station.data_folder import DataFolder
from station.run_execution import RunRequest, execute
from station.run_preparation import prepare, read_answers
from station.sheet_command import sheet_html
from station.simulated_hands import SimulatedHands

ROOT = Path(__file__).resolve().parents[2]
TEMPLATE = ROOT / "sequences" / "benches" / "simulated.yaml"
SERIAL, KIND = "MT41-20311", "ostrel-mt41"
ANSWERS = "condition: sound\nambient temperature: {value: 22.4 degC, hand_instrument: TH-07}\n"
SAME = ("findings", "pairings", "pictures", "wiring", "correction", "speeds", "steps", "captures", "disposition")


def one_run(folder: Path, seed: int) -> Mapping[str, Any]:
    """Run as-found on a bench that has just been started with this seed."""
    folder.mkdir()
    answers_path = folder / "answers.yaml"
    answers_path.write_text(ANSWERS, encoding="utf-8")
    with simulated_bench(TEMPLATE, folder / "bench.yaml", seed=seed) as started:
        prepared = prepare("as-found", KIND, started.bench_path)
        answers = read_answers(answers_path, prepared.sequence, simulated=True)
        assert answers is not None
        data = DataFolder.at(folder / "data")
        with data.open_store() as store, Bench.open(prepared.bench) as bench:
            assert bench.simulation is not None
            bench.simulation.mount(SERIAL)
            asker = PreparedAnswers(answers, SimulatedHands(bench.simulation))
            request = RunRequest(prepared, SERIAL, "J-3", None)
            return execute(request, bench, store, data, asker, lambda step: None, lambda: False).document


def test_two_runs_with_the_same_seed_find_the_same_and_another_seed_something_else(tmp_path: Path) -> None:
    first, second, other = (one_run(tmp_path / name, seed) for name, seed in (("a", 7), ("b", 7), ("c", 8)))
    assert first["outcome"] == "complete"
    assert first["findings"]
    for part in SAME:
        assert first[part] == second[part], part
    # Noise is really there: with other noise no waveform comes out the same, yet what is decided does.
    digests = [{w["digest"] for c in made["captures"] for w in c["waveforms"]} for made in (first, other)]
    assert not digests[0] & digests[1]
    decided = [{f["name"]: f["conformity"] for f in made["findings"]} for made in (first, other)]
    assert decided[0] == decided[1]


def test_the_sheet_of_a_run_is_the_same_bytes_each_time_and_in_any_zone_and_locale(tmp_path: Path) -> None:
    number = str(one_run(tmp_path / "a", 0)["number"])
    data = DataFolder.at(tmp_path / "a" / "data")
    written = data.sheet_path(number).read_bytes()
    with Store.open(data.database) as store:
        assert sheet_html(store, number).encode() == written
        assert sheet_html(store, number).encode() == written
    out = tmp_path / "elsewhere.html"
    place = {"PYTHONPATH": str(ROOT), "TZ": "Pacific/Auckland", "LC_ALL": "C", "LANG": "C", "PYTHONHASHSEED": "77"}
    done = subprocess.run(
        [sys.executable, "-m", "station.cli", "sheet", number, "--data", str(data.path), "--out", str(out)],
        cwd=ROOT, env=os.environ | place, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert out.read_bytes() == written
