"""Ratios within one run, printed: `python tests/support/benchmarks.py [--seeds N]`. Absolute times mean nothing here.

The baselines are what a user would do without this project: scipy's curve_fit of a sine to the EMF alone (four
parameters, start from the FFT), numpy's diff for edges, plain sqlite3 for the bytes of a record.
"""

import argparse
import os
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from encoder_generator import EncoderPlan, encoder_record
from scipy.optimize import curve_fit
from signal_generator import Record, draw, wrapped
from store_samples import started, store_record, waveform

from analysis.edges import find_edges
from analysis.encoder import analyse_encoder
from analysis.refusals import TimingSettings
from analysis.timing import capture_timing
from db.store import Store
from drivers.scope import Waveform

LARGEST_OFFSET_DEG = 3.0


def timed(act: Callable[[], Any], repeats: int = 5) -> tuple[float, Any]:
    """Best time of some [s], and what came of it."""
    best, made = float("inf"), None
    for _ in range(repeats):
        begun = time.perf_counter()
        made = act()
        best = min(best, time.perf_counter() - begun)
    return best, made


def sine_fit_offset(record: Record) -> float:
    """Offset of the pair's own sensor by a four-parameter sine fit of the EMF and thresholded edges [deg]."""
    emf, dt = record.emf_v, record.interval_s
    t = np.arange(emf.size) * dt
    spectrum = np.abs(np.fft.rfft(emf - emf.mean()))
    w = 2 * np.pi * float(np.argmax(spectrum)) / (emf.size * dt)

    def sine(x: Any, amplitude: float, omega: float, phase: float, offset: float) -> Any:
        return amplitude * np.sin(omega * x + phase) + offset

    (amplitude, omega, phase, _), _ = curve_fit(sine, t, emf, p0=[np.ptp(emf) / 2, w, 0.0, emf.mean()], maxfev=4000)
    if amplitude < 0:
        phase += np.pi
    edges = find_edges(record.sensors_v[record.own], dt)
    chi = np.degrees(omega * edges.times_s + phase)
    rises = edges.rising if record.direction > 0 else ~edges.rising
    v = record.direction * chi - np.where(rises, 0.0, 180.0)
    return float(np.degrees(np.angle(np.mean(np.exp(1j * np.radians(v))))))


def own_offset(record: Record) -> float:
    """The same by the primary estimator, all three sensors timed; nan where it refuses."""
    settings = TimingSettings(record.full_scale_v, record.mains_hz, cross_check=False)
    timing = capture_timing(
        record.emf_v, record.sensors_v, record.interval_s, record.direction, record.pole_pairs, settings=settings
    )
    value = timing.sensors[record.own].y_waveform.value
    return float("nan") if value is None else value


def timing_ratios(seeds: int) -> None:
    """Primary estimator against the sine fit, on `full` records of small offsets."""
    records = [
        r for r in (draw("full", s) for s in range(4 * seeds)) if abs(r.truth[r.own].waveform) < LARGEST_OFFSET_DEG
    ]
    own_s = fit_s = 0.0
    own_errors, fit_errors = [], []
    for record in records[:seeds]:
        seconds, value = timed(lambda r=record: own_offset(r), 3)
        own_s += seconds
        own_errors.append(wrapped(value - record.truth[record.own].waveform))
        seconds, value = timed(lambda r=record: sine_fit_offset(r), 1)
        fit_s += seconds
        fit_errors.append(wrapped(value - record.truth[record.own].fundamental))
    own, fit = (float(np.sqrt(np.nanmean(np.square(e)))) for e in (own_errors, fit_errors))
    print(f"timing, {len(own_errors)} full records: rms {own:.3f} deg against {fit:.3f} deg of the sine fit")
    print(f"  sine fit over primary: error {fit / own:.1f} times, time {fit_s / own_s:.1f} times")


def encoder_ratios() -> None:
    """Whole encoder analysis against numpy's diff of thresholded samples."""
    made = encoder_record(EncoderPlan(samples_per_count=24.0, turns=4.2))
    a, b, z = (Waveform(name, c, made.scale_v, 0.0) for name, c in (("A", made.a), ("B", made.b), ("Z", made.z)))

    def baseline() -> int:
        found = 0
        for c in (made.a, made.b, made.z):
            threshold = (int(c.max()) + int(c.min())) / 2
            found += np.flatnonzero(np.diff((c > threshold).astype(np.int8))).size
        return found

    base_s, _ = timed(baseline, 9)
    whole_s, figures = timed(lambda: analyse_encoder(a, b, z, made.interval_s, 2048), 9)
    print(
        f"encoder, 3 x {made.a.size // 1000} k samples: whole analysis over np.diff of int8 {whole_s / base_s:.2f} times"
    )
    print(f"  counts a turn {figures.counts_per_rev_x4.value:.0f}")


def store_ratio() -> None:
    """Commit of a record against plain sqlite3 writing the same number of bytes with the same safety."""
    with tempfile.TemporaryDirectory() as folder:
        waveforms = [waveform(seed, 100_000) for seed in range(24)]
        with Store.open(Path(folder) / "records.db") as store:
            ours_s, _ = timed(lambda: store_record(store, started(), waveforms), 7)
        size = sum(w.counts.nbytes for w in waveforms)
        plain = sqlite3.connect(Path(folder) / "plain.db", isolation_level=None)
        plain.execute("PRAGMA journal_mode = WAL")
        plain.execute("PRAGMA synchronous = FULL")
        plain.execute("CREATE TABLE t (content BLOB)")
        plain_s, _ = timed(lambda: plain.execute("INSERT INTO t VALUES (?)", (os.urandom(size),)), 7)
        plain.close()
    print(f"store: start and record with {size // 1000} kB of samples over plain sqlite3 {ours_s / plain_s:.1f} times")


def main() -> None:
    """Print every ratio."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=60)
    timing_ratios(parser.parse_args().seeds)
    encoder_ratios()
    store_ratio()


if __name__ == "__main__":
    main()
