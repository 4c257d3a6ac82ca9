"""A record's findings come out of its stored waveforms as they were, and what comes out otherwise is said."""

import json
from pathlib import Path

import pytest
from command_line import polemark
from saved_files import describe, save_all, station
from short_runs import OPEN_COLLECTOR, TURNING, short_runs

from analysis import timing_budget

RUN = (
    TURNING
    + """\
  - over: {direction: [CW, CCW]}
    steps:
      - spin: {speed: 120 rpm}
      - capture: {signals: encoder, winding_pair: U-V, turns: 2.2, interval: 8 us}
      - over: {speed: [200 rpm, 600 rpm]}
        steps:
          - spin: {}
          - capture: {signals: sensors, winding_pair: U-V, cycles: 12, interval: 20 us}
  - rest: {}
  - measure: {quantities: [timing, wiring, windings, encoder, sensors, mechanics, correction]}
"""
)
NEED_MORE_THAN_WAVEFORMS = {"sensor_current", "drag_torque"}


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with one run on the simulated bench, and one analysis of saved captures."""
    folder = tmp_path_factory.mktemp("recompute")
    with short_runs(folder) as runs:
        runs.run(RUN, OPEN_COLLECTOR)
    described = describe(folder, save_all(station(), folder), pole_pairs=None, motor_type="ostrel-mt41")
    made = polemark(
        "analyse", described, "--motor", "M-1", "--job", "J-9", "--stage", "as-found", "--data", folder / "data"
    )
    assert made.returncode in (0, 1), made.stderr
    return folder / "data"


@pytest.mark.parametrize(("number", "extra"), [("SIM-000001", NEED_MORE_THAN_WAVEFORMS), ("ANA-000001", set())])
def test_every_finding_of_the_waveforms_comes_out_as_it_was(number: str, extra: set[str], data: Path) -> None:
    done = polemark("audit", "recompute", number, "--data", data, "--json")
    told = json.loads(done.stdout)
    assert (done.returncode, told["differences"]) == (0, [])
    assert set(told["not_from_waveforms"]) == extra
    assert {"offset_H1", "hysteresis_H2", "closure", "emf_constant", "sector_101"} <= set(told["equal"])


def test_another_mathematics_is_named_finding_by_finding(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(timing_budget, "CONVERTER_STEPS", 1.0)
    done = polemark("audit", "recompute", "ANA-000001", "--data", data)
    assert done.returncode == 1
    assert "offset_H1: u was " in done.stdout
    assert "made by version" in done.stdout
    assert "0 differ" not in done.stdout


def test_a_record_that_is_not_there_is_named(data: Path) -> None:
    done = polemark("audit", "recompute", "SIM-000099", "--data", data)
    assert done.returncode == 4
    assert "SIM-000099" in done.stderr
