"""Captures from files become what a scope would have given: the converter's own steps, the interval, the right groups."""

import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from saved_files import describe, save_all, save_text, station

from safety.strict_yaml import YamlError
from station.captures_file import Captures
from station.exit_codes import BadInput
from station.saved_captures import SavedCaptures, as_waveform, load

TIMES = np.arange(200) * 1e-5
WAVE = np.round(10 * np.sin(np.arange(200) / 9)) / 4


def loaded(path: Path) -> SavedCaptures:
    return load(Captures.read(path), path.parent)


@given(
    bits=st.sampled_from([6, 8, 10, 12]),
    scale=st.floats(1e-4, 50),
    offset=st.floats(-300, 300),
    digits=st.sampled_from([6, 9, 17]),
    seed=st.integers(0, 1000),
)
@settings(max_examples=80, deadline=None)
def test_the_converters_steps_are_found_again_through_the_rounding_of_the_file(
    bits: int, scale: float, offset: float, digits: int, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    codes = rng.integers(0, 2**bits, 5000)
    codes[:2] = 0, 2**bits - 1
    step = scale / 2**bits
    # Rounding must stay small beside a step, or nobody can tell which step a sample was.
    offset = offset if abs(offset) < step * 10 ** (digits - 2) else 0.0
    volts = np.array([float(f"{v:.{digits}g}") for v in codes * step + offset])
    found = as_waveform("emf", volts)
    np.testing.assert_allclose(found.scale_v, step, rtol=1e-3)
    assert np.ptp(found.counts.astype(int)) == 2**bits - 1
    np.testing.assert_array_equal(found.counts.astype(int) - found.counts.min(), codes)


@given(seed=st.integers(0, 1000), size=st.floats(1e-3, 1e3))
@settings(max_examples=30, deadline=None)
def test_computed_samples_lose_less_than_a_step_of_sixteen_bits(seed: int, size: float) -> None:
    volts = size * np.random.default_rng(seed).standard_normal(3000)
    found = as_waveform("emf", volts)
    assert np.max(np.abs(found.volts() - volts)) <= np.ptp(volts) / 65000


def test_a_dead_wire_is_a_flat_waveform() -> None:
    found = as_waveform("H2", np.full(100, 0.17))
    assert set(found.volts()) == {0.17}


@pytest.mark.parametrize("form", ["table", "turned table", "fields", "archive"])
def test_every_form_of_numpy_file_gives_the_same_capture(form: str, tmp_path: Path) -> None:
    path = tmp_path / ("capture.npz" if form == "archive" else "capture.npy")
    if form == "archive":
        np.savez(path, t=TIMES, emf=WAVE)
    elif form == "fields":
        np.save(path, np.array(list(zip(TIMES, WAVE, strict=True)), dtype=[("t", float), ("emf", float)]))
    else:
        table = np.column_stack([TIMES, WAVE])
        np.save(path, table if form == "table" else table.T)
    named = form in ("archive", "fields")
    file = {"file": path.name, "direction": "CW", "winding_pair": "U-V"}
    described = describe(tmp_path, [file], signals={"emf": "emf" if named else 2}, time="t" if named else 1)
    (taken,) = loaded(described).taken
    assert taken.capture.interval_s == pytest.approx(1e-5, rel=1e-12)
    np.testing.assert_allclose(taken.volts()["emf"], WAVE, atol=1e-9)


def test_factor_and_unit_turn_numbers_into_volts_at_the_winding(tmp_path: Path) -> None:
    np.savez(tmp_path / "a.npz", emf=WAVE * 1000)
    file = {"file": "a.npz", "direction": "CW", "winding_pair": "U-V"}
    signals = {"emf": {"column": "emf", "factor": -100, "unit": "mV"}}
    (taken,) = loaded(describe(tmp_path, [file], signals=signals, time=None, interval="10 us")).taken
    np.testing.assert_allclose(taken.volts()["emf"], -100 * WAVE, atol=1e-6)


def test_text_and_archive_of_the_same_capture_give_the_same_counts(tmp_path: Path) -> None:
    record = station()[0]
    files = [save_text(record, tmp_path / "a.csv"), *save_all([record], tmp_path)]
    first, second = loaded(describe(tmp_path, files)).taken
    for text, exact in zip(first.capture.waveforms, second.capture.waveforms, strict=True):
        np.testing.assert_array_equal(text.counts, exact.counts)
        assert text.scale_v == pytest.approx(exact.scale_v, rel=1e-4)


def test_captures_of_one_speed_belong_together_and_others_do_not(tmp_path: Path) -> None:
    saved = loaded(describe(tmp_path, save_all(station(), tmp_path)))
    speeds = {t.taken.speed_target_rpm for t in saved.timed}
    assert len(speeds) == 2
    assert max(speeds) / min(speeds) == pytest.approx(3, rel=0.05)


def test_a_scope_of_many_channels_gives_sensors_and_encoder_from_one_file(tmp_path: Path) -> None:
    square = np.where(np.sin(np.arange(200) / 3) > 0, 5.0, 0.0)
    np.savez(tmp_path / "a.npz", emf=WAVE, H1=square, H2=square, H3=square, A=square, B=square, Z=square)
    file = {"file": "a.npz", "direction": "CCW", "winding_pair": "V-W"}
    signals = {name: name for name in ("emf", "H1", "H2", "H3", "A", "B", "Z")}
    described = describe(tmp_path, [file], signals=signals, time=None, interval="10 us", encoder_lines=16)
    groups = {t.group: [w.signal for w in t.capture.waveforms] for t in loaded(described).taken}
    assert groups == {
        "encoder": ["emf", "A", "B", "Z"],
        "sensors": ["emf", "H1", "H2", "H3"],
        "encoder-sensor": ["emf", "H1", "H2", "H3", "A"],
    }


@pytest.mark.parametrize(
    ("columns", "more", "said"),
    [
        ({"emf": WAVE}, {"signals": {"emf": "volts"}}, "has no column volts for emf; allowed: 1 to 1, or emf"),
        ({"emf": WAVE}, {"signals": {"emf": 3}}, "has no column 3 for emf; allowed: 1 to 1"),
        ({"emf": WAVE[:20]}, {}, "holds 20 samples; allowed: 64 at least"),
        ({"emf": np.append(WAVE, np.nan)}, {}, "sample 201: not a finite number"),
        ({"emf": WAVE + 1j}, {}, "emf holds no real numbers|a column holds no real numbers"),
        ({"emf": WAVE.reshape(2, 100)}, {}, "is no NumPy file of samples: emf has the shape"),
        ({"emf": WAVE, "t": np.zeros(200)}, {"time": "t", "interval": None}, "the column of times does not rise"),
        (
            {"emf": WAVE, "t": np.append(TIMES[:100], TIMES[100:] + 3e-5)},
            {"time": "t", "interval": None},
            "times are not evenly spaced",
        ),
    ],
)
def test_a_file_that_is_not_as_described_is_refused(
    columns: dict[str, np.ndarray], more: dict[str, object], said: str, tmp_path: Path
) -> None:
    np.savez(tmp_path / "a.npz", **columns)
    file = {"file": "a.npz", "direction": "CW", "winding_pair": "U-V"}
    described = describe(tmp_path, [file], **({"signals": {"emf": "emf"}, "time": None, "interval": "10 us"} | more))
    with pytest.raises(BadInput, match=said) as error:
        loaded(described)
    assert "a.npz" in str(error.value)


@pytest.mark.parametrize("content", [b"", b"no archive", b"PK\x03\x04 cut"])
def test_damaged_numpy_files_are_refused(content: bytes, tmp_path: Path) -> None:
    (tmp_path / "a.npz").write_bytes(content)
    file = {"file": "a.npz", "direction": "CW", "winding_pair": "U-V"}
    with pytest.raises(BadInput, match=r"a\.npz (is no NumPy file|cannot be read)"):
        loaded(describe(tmp_path, [file], signals={"emf": "emf"}))


CW = {"file": "a.npz", "direction": "CW", "winding_pair": "U-V"}


@pytest.mark.parametrize(
    ("files", "more", "said"),
    [
        ([CW], {"pole_pairs": None}, "neither motor_type nor pole_pairs; allowed: one of motor_type and pole_pairs"),
        ([CW], {"motor_type": "ostrel-mt41"}, "motor_type beside pole_pairs"),
        ([CW], {"time": None}, "neither time nor interval; allowed: a column of times, or the interval"),
        ([CW], {"interval": "10 us"}, "time beside interval"),
        ([CW], {"interval": "10"}, "'10' has no unit|no unit"),
        ([CW | {"direction": "left"}], {}, "allowed: CW or CCW"),
        ([CW | {"winding_pair": "U-W"}], {}, "allowed: U-V, V-W or W-U"),
        ([CW, CW], {}, "a.npz comes twice; allowed: each file once"),
        ([CW], {"signals": {"H1": 2}}, "no column for emf; allowed: emf among the signals"),
        ([CW], {"signals": {"emf": {"column": 1, "factor": 0}}}, "factor 0; allowed: another number"),
        ([CW], {"readings": {"weight": "3 kg"}}, "unknown reading 'weight'"),
        ([CW], {"readings": {"winding_temperature": "20 V"}}, "a quantity in degC"),
        ([CW], {"motor": 4}, "unknown key 'motor'"),
        ([], {}, "an empty list; allowed: one or more items"),
    ],
)
def test_wrong_descriptions_say_what_is_wrong_and_where(
    files: list[dict[str, str]], more: dict[str, object], said: str, tmp_path: Path
) -> None:
    path = describe(tmp_path, files, **more)
    with pytest.raises(YamlError, match=said) as error:
        Captures.read(path)
    assert re.search(r"captures\.yaml:\d+:\d+:", str(error.value))
