"""`polemark analyse` finds in saved captures what a run would find, says that it is no record, and makes one if asked."""

import itertools
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from encoder_generator import EncoderPlan, encoder_record
from saved_files import columns, describe, entry, save_all, save_text, station
from signal_generator import PAIRS, SENSORS, Record, Setting, draw_station, wrapped

from db.store import Store
from station.captures_file import Captures
from station.cli import cli
from station.finding_names import FINDINGS

README = Path(__file__).resolve().parents[2] / "README.md"


def run(*args: str | Path) -> tuple[int, str]:
    """Run the command as the shell's entry does; what it refuses becomes its sentence."""
    from station.guarding import guarded

    runner = CliRunner()
    with runner.isolation() as streams:
        code = guarded(lambda: cli.main(["analyse", *map(str, args)], standalone_mode=False))
        said = streams[2].getvalue().decode() if len(streams) > 2 else streams[0].getvalue().decode()
    return code, said


@pytest.fixture(scope="module")
def records() -> list[Record]:
    return station()


@pytest.fixture(scope="module")
def folder(records: list[Record], tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("captures")
    describe(folder, save_all(records, folder))
    return folder


@pytest.fixture(scope="module")
def found(folder: Path) -> dict[str, Any]:
    code, said = run(folder / "captures.yaml", "--json")
    assert code in (0, 1), said
    made: dict[str, Any] = json.loads(said)
    return made


@pytest.mark.parametrize("sensor", SENSORS)
def test_offset_hysteresis_and_both_zeros_are_those_of_the_motor(
    sensor: str, found: dict[str, Any], records: list[Record]
) -> None:
    record = records[0]
    truths = {
        "offset": record.offset_waveform[sensor],
        "offset_other_zero": record.offset_fundamental[sensor],
        "hysteresis": record.hysteresis[sensor],
    }
    for name, truth in truths.items():
        finding = found["findings"][f"{name}_{sensor}"]
        assert abs(wrapped(finding["value"] - truth)) < 3 * finding["u"], name
        assert finding["unit"] == "deg_el"
        assert finding["budget"]


def test_one_direction_alone_would_have_been_wrong_by_the_hysteresis(
    found: dict[str, Any], records: list[Record]
) -> None:
    for sensor in SENSORS:
        claimed = found["findings"][f"one_direction_{sensor}"]["value"]
        offset = found["findings"][f"offset_{sensor}"]["value"]
        assert claimed - offset == pytest.approx(records[0].hysteresis[sensor], abs=0.6)


def test_the_difference_of_two_estimators_is_judged_and_the_largest_is_no_surer_than_one_capture(
    found: dict[str, Any],
) -> None:
    for sensor in SENSORS:
        left, apart = (found["findings"][f"{name}_{sensor}"] for name in ("unexplained", "zeros_apart"))
        assert left["conformity"] == "conforming"
        assert abs(left["value"]) < 1
        # The scatter of single captures: four of them lie within a few of it.
        assert apart["u"] > 0.002
        assert apart["conformity"] is None


def test_every_finding_has_a_known_name_and_a_value_or_a_reason(found: dict[str, Any]) -> None:
    assert set(found["findings"]) <= set(FINDINGS)
    for name, finding in found["findings"].items():
        assert finding["name"] == name
        assert finding["value"] is not None or finding["text"] or finding["reason"], name


def test_six_sectors_make_a_whole_cycle(found: dict[str, Any]) -> None:
    widths = [f["value"] for n, f in found["findings"].items() if n.startswith("sector_") and n[7:].isdigit()]
    assert len(widths) == 6
    assert sum(widths) == pytest.approx(360, abs=1e-9)


def test_the_same_captures_give_the_same_bytes(folder: Path, found: dict[str, Any]) -> None:
    code, again = run(folder / "captures.yaml", "--json")
    assert json.loads(again) == found
    assert code == 0


def test_the_page_says_that_it_is_no_record(folder: Path, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    code, said = run(folder / "captures.yaml", "--page", page)
    assert code == 0
    text = page.read_text(encoding="utf-8")
    assert "ANALYSIS, NOT A RECORD" in text
    assert "Signature" not in text
    assert "capture-00.npz" in text
    assert f"Page: {page}" in said


def test_named_captures_alone_are_read_and_what_they_cannot_show_is_not_measured(folder: Path) -> None:
    code, said = run(folder / "capture-00.npz", folder / "capture-03.npz", "--json")
    made = json.loads(said)
    assert [c["file"] for c in made["captures"]] == ["capture-00.npz", "capture-03.npz"]
    assert made["findings"]["hysteresis_H1"]["value"] is None
    assert made["findings"]["hysteresis_H1"]["reason"] == "hysteresis and delay need two speeds"
    assert made["findings"]["wiring"]["conformity"] == "not measured"
    assert code == 1


def test_a_scope_of_two_channels_measures_one_sensor_after_the_other(tmp_path: Path) -> None:
    files: list[dict[str, object]] = []
    for place, record in enumerate(r for r in station(5) if r.pair == "U-V"):
        for sensor in SENSORS:
            name = f"{place}-{sensor}.npz"
            np.savez(tmp_path / name, time=columns(record)["time"], emf=record.emf_v, level=record.sensors_v[sensor])
            files.append({**entry(name, record), "signals": {"emf": "emf", sensor: "level"}})
    code, said = run(describe(tmp_path, files), "--json")
    made = json.loads(said)
    truth = station(5)[0]
    offset = made["findings"]["offset_H1"]
    assert abs(offset["value"] - truth.offset_waveform["H1"]) < 3 * offset["u"]
    assert len([n for n in made["findings"] if n.startswith("sector_") and n[7:].isdigit()]) == 6
    assert code == 1, "two pairs were not captured, so the wiring is not measured"


def test_text_of_a_scope_that_writes_decimal_commas_is_measured(tmp_path: Path) -> None:
    record = station(7)[-1]
    path = describe(tmp_path, [save_text(record, tmp_path / "a.csv")])
    code, said = run(path, "--json")
    (capture,) = json.loads(said)["captures"]
    assert capture["refusal"] == ""
    assert capture["speed_rpm"] == pytest.approx(60 * record.f_e_hz / 4, rel=1e-3)
    assert code == 1


def test_clipping_is_seen_where_the_full_scale_is_stated(tmp_path: Path) -> None:
    record = station(8)[0]
    np.savez(tmp_path / "a.npz", **(columns(record) | {"emf": np.clip(record.emf_v, -0.8, 0.8)}))
    signals = {"emf": {"column": "emf", "full_scale": "1.6 V"}, "H1": "H1", "H2": "H2", "H3": "H3"}
    _, said = run(describe(tmp_path, [entry("a.npz", record)], signals=signals), "--json")
    made = json.loads(said)
    assert made["captures"][0]["refusal"] == "the EMF is clipped by the scope's range"
    assert made["findings"]["offset_H1"]["value"] is None


def test_a_channel_of_the_encoder_captured_with_a_sensor_gives_its_offset_by_position(tmp_path: Path) -> None:
    how = Setting(offset_deg=3.0, fill=0.6, interval_s=2e-5, cycles=12.0, encoder_lines=256)
    taken = [r for r in draw_station("sync", 4, how) if r.pair == "U-V"]
    files = []
    for place, record in enumerate(taken):
        np.savez(tmp_path / f"{place}.npz", **columns(record), A=record.encoder_v["A"])
        files.append(entry(f"{place}.npz", record))
    signals = {name: name for name in ("emf", "H1", "H2", "H3", "A")}
    _, said = run(describe(tmp_path, files, signals=signals, encoder_lines=256), "--json")
    findings = json.loads(said)["findings"]
    for sensor in SENSORS:
        by_position = findings[f"offset_by_position_{sensor}"]
        assert abs(by_position["value"] - taken[0].offset_waveform[sensor]) < 3 * by_position["u"]


def test_encoder_counts_need_no_bench(tmp_path: Path) -> None:
    made = encoder_record(EncoderPlan(lines=512, rpm=300, turns=3.2, dropped_a=(100,)))
    names = {"A": made.a, "B": made.b, "Z": made.z}
    volts = {n: c.astype(float) * made.scale_v for n, c in names.items()}
    turn = 300 / 60 * made.interval_s * np.arange(made.a.size)
    np.savez(tmp_path / "a.npz", emf=10 * np.sin(2 * np.pi * 4 * turn), **volts)
    file = {"file": "a.npz", "direction": "CW", "winding_pair": "U-V"}
    signals = {name: name for name in ("emf", "A", "B", "Z")}
    path = describe(
        tmp_path, [file], signals=signals, time=None, interval=f"{made.interval_s:.12g} s", encoder_lines=512
    )
    _, said = run(path, "--json")
    findings = json.loads(said)["findings"]
    assert findings["counts_per_rev_x4"]["value"] == 2044
    assert findings["edges_per_rev_A"]["value"] == 1022
    assert findings["edges_per_rev_B"]["value"] == 1024
    assert findings["pole_pairs_found"]["value"] == 4
    without = describe(tmp_path, [file], signals=signals, time=None, interval=f"{made.interval_s:.12g} s")
    code, sentence = run(without)
    assert code == 2
    assert "A, B and Z were captured and encoder_lines is not stated" in sentence


def test_readings_are_referred_to_their_temperature_and_stand_as_read_without_one(folder: Path, tmp_path: Path) -> None:
    files = [
        dict(f) for f in Captures.read(folder / "captures.yaml").model_dump(mode="json", exclude_none=True)["files"]
    ]
    for f in files:
        f["file"] = str(folder / str(f["file"]))
        f.pop("signals", None)
    ohms = {f"winding_resistance_{p.replace('-', '')}": "2.0 ohm" for p in PAIRS}
    more = {"pole_pairs": None, "motor_type": "ostrel-mt41"}
    _, said = run(describe(tmp_path, files, readings={**ohms, "winding_temperature": "30 degC"}, **more), "--json")
    findings = json.loads(said)["findings"]
    # R20 = R30 / (1 + 0.00393 x 10): a coefficient at 20 degC, copper (IEC 60228 and handbooks).
    assert findings["winding_resistance_UV"]["value"] == pytest.approx(2.0 / 1.0393, rel=1e-6)
    assert findings["winding_resistance_read_UV"]["value"] == 2.0
    _, said = run(describe(tmp_path, files, readings=ohms, **more), "--json")
    findings = json.loads(said)["findings"]
    assert findings["winding_resistance_UV"]["conformity"] == "not measured"
    assert findings["winding_resistance_UV"]["reason"] == "no temperature was measured"
    assert findings["winding_resistance_read_UV"]["value"] == 2.0


def test_with_motor_job_and_stage_it_becomes_a_record_that_no_yield_counts(folder: Path, tmp_path: Path) -> None:
    path = folder / "typed.yaml"
    path.write_text((folder / "captures.yaml").read_text().replace("pole_pairs: 4", "motor_type: ostrel-mt41"))
    data = tmp_path / "data"
    code, said = run(path, "--motor", "M-1", "--job", "J-1", "--stage", "as-left", "--data", data)
    assert code in (0, 1)
    assert "Record ANA-000001, sheet:" in said
    with Store.open(data / "records.db") as store:
        record = store.record("ANA-000001").document
        assert record["disposition"]["proposed"] not in ("release", "release under concession")
        assert len(record["captures"]) == 12
        assert len(store.waveforms("ANA-000001")) == 48
        assert store.yield_rows(stage="as-left", include_simulated=True) == []
    assert "SAVED CAPTURES" in (data / "sheets" / "ANA-000001.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["--motor", "M-1"], "--job, --stage not given; allowed: --motor, --job and --stage together"),
        (["--technician", "A. Name"], "--technician without a record"),
        (["--motor", "M-1", "--job", "J-1", "--stage", "as-left"], "a record needs motor_type"),
    ],
)
def test_half_a_record_is_refused(args: list[str], said: str, folder: Path, tmp_path: Path) -> None:
    code, sentence = run(folder / "captures.yaml", *args, "--data", tmp_path)
    assert code == 2
    assert said in sentence
    assert not (tmp_path / "records.db").exists()


def test_a_capture_without_description_is_refused(folder: Path, tmp_path: Path) -> None:
    code, sentence = run(tmp_path / "scope.csv")
    assert (code, "has no description" in sentence) == (2, True)
    code, sentence = run(folder / "captures.yaml", folder / "capture-99.npz")
    assert code == 2
    assert "is not described in" in sentence
    code, sentence = run(folder / "captures.yaml", folder / "other.yaml")
    assert (code, "2 descriptions given" in sentence) == (2, True)


def test_the_sites_rule_judges_the_captures(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "policy.yaml").write_text("decision_rule: simple acceptance\n")
    _, said = run(folder / "captures.yaml", "--json", "--data", tmp_path)
    assert json.loads(said)["decision_rule"]["name"] == "simple acceptance"
    (tmp_path / "policy.yaml").write_text("decision_rule: hope\n")
    code, sentence = run(folder / "captures.yaml", "--data", tmp_path)
    assert code == 2
    assert "policy.yaml:1:" in sentence
    assert "unknown decision rule 'hope'; allowed: guard band of ISO 14253-1" in sentence


def test_the_example_of_the_readme_is_a_sound_description() -> None:
    lines = README.read_text(encoding="utf-8").splitlines()
    first = next(i for i, line in enumerate(lines) if line.startswith("    captures: "))
    example = "\n".join(itertools.takewhile(str.strip, (line[4:] for line in lines[first:])))
    assert [f.direction for f in Captures.read_string(example, "README.md").files] == ["CW", "CCW"]


def test_shorted_turns_are_named_by_amplitudes_and_by_the_angles_of_the_fundamentals(tmp_path: Path) -> None:
    """A phase of 90 % turns its two pairs by 1.74 deg_el towards each other: phasor arithmetic of a star."""
    phases = np.array([0.9, 1.0, 1.0])
    theta = 2 * np.pi * 4 * 10 * np.arange(60_000) * 1e-5
    files = []
    for sign, direction in ((1, "CW"), (-1, "CCW")):
        for pair, (first, second) in {"U-V": (0, 1), "V-W": (1, 2), "W-U": (2, 0)}.items():
            each = [phases[k] * np.sin(sign * theta - np.radians(120 * k)) for k in range(3)]
            # A star's third harmonic cancels between two sound phases; beside a weak one a tenth of it stays.
            third = [phases[k] * 0.05 * np.sin(3 * sign * theta + 0.3) for k in range(3)]
            emf = 40 * sign * (each[first] + third[first] - each[second] - third[second])
            square = {f"H{k + 1}": 5.0 * (np.sin(sign * theta + np.radians(30 - 120 * k)) > 0) for k in range(3)}
            name = f"{direction}-{pair}.npz"
            np.savez(tmp_path / name, emf=np.round(emf, 1), **square)
            files.append({"file": name, "direction": direction, "winding_pair": pair})
    signals = {name: name for name in ("emf", "H1", "H2", "H3")}
    _, said = run(describe(tmp_path, files, signals=signals, time=None, interval="10 us"), "--json")
    findings = json.loads(said)["findings"]
    assert findings["winding_signature"]["text"].startswith("phase U is 10")
    assert "shorted turns" in findings["winding_signature"]["text"]
    angles = [findings[f"pair_angle_{pair}"]["value"] for pair in ("UV", "VW", "WU")]
    assert angles == pytest.approx([121.74, 121.74, 116.52], abs=0.1)
