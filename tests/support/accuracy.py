"""How right the timing of sensors is, on captures with known truth: `python tests/support/accuracy.py [--seeds N]`.

For every level of the draw: root mean square and largest error by both definitions of the zero, their ratio to the
Cramer-Rao bound where only noise and the sample grid stand in the way, coverage of the stated U = 2 u, failures (an error
above 1 degree or above 5 u) and refusals. Then stations of 12 captures, and with `--records N` records from the whole
stated domain.
"""

import argparse
import os
import sys
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from signal_generator import LEVELS, OWN_PAIR, SENSORS, Record, Setting, draw, draw_anywhere, draw_station, wrapped

from analysis.estimate import Estimate
from analysis.refusals import TimingSettings
from analysis.separation import AtSpeed, separate
from analysis.timing import CaptureTiming, capture_timing

FAILURE_DEG, FAILURE_U = 1.0, 5.0


@dataclass(frozen=True)
class Error:
    """One figure against its truth: what it is, error, stated u, bound; or why there is none."""

    what: str
    error: float
    u: float
    bound: float
    refused: str = ""
    truth: float = 0.0

    @property
    def failed(self) -> bool:
        far = self.what in ("waveform", "fundamental", "offset") and abs(self.error) > FAILURE_DEG
        return bool(self.refused) or far or abs(self.error) > FAILURE_U * self.u


@dataclass(frozen=True)
class Row:
    """Errors of one kind summed up."""

    count: int
    rms: float
    largest: float
    to_bound: float
    coverage: float
    failures: int
    refusals: int


def timed(record: Record) -> CaptureTiming:
    """Time a record as a station would, all stated of it that a bench file states."""
    return capture_timing(
        record.emf_v,
        record.sensors_v,
        record.interval_s,
        record.direction,
        record.pole_pairs,
        settings=TimingSettings(full_scale_v=record.full_scale_v, mains_hz=record.mains_hz),
    )


def _error(what: str, estimate: Estimate, truth: float, bound: float) -> Error:
    if estimate.value is None or estimate.u is None:
        return Error(what, 0.0, 0.0, bound, estimate.reason, truth)
    return Error(what, wrapped(estimate.value - truth), estimate.u, bound, truth=truth)


def errors_of(record: Record, sensors: Sequence[str]) -> list[Error]:
    """Errors of the named sensors of one record, by both definitions, and of their duty [share of a cycle]."""
    timing = timed(record)
    found = []
    for name in sensors:
        sensor, truth = timing.sensors[name], record.truth[name]
        duty = sensor.duty
        found += [
            _error("waveform", sensor.y_waveform, truth.waveform, record.offset_bound_deg),
            _error("fundamental", sensor.y_fundamental, truth.fundamental, record.offset_bound_deg),
            Error("duty", 0, 0, 0, duty.reason)
            if duty.value is None
            else Error("duty", (duty.value - truth.duty) / 100, (duty.u or 0) / 100, 0.0),
        ]
    return found


def sum_up(errors: Iterable[Error]) -> Row:
    """Sum up errors of one kind."""
    every = list(errors)
    given = [e for e in every if not e.refused]
    if not given:
        return Row(len(every), 0.0, 0.0, 0.0, 0.0, 0, len(every))
    size = np.array([e.error for e in given])
    u = np.array([e.u for e in given])
    rms = float(np.sqrt(np.mean(size**2)))
    bound = float(np.sqrt(np.mean([e.bound**2 for e in given])))
    return Row(
        count=len(every),
        rms=rms,
        largest=float(np.max(np.abs(size))),
        to_bound=rms / bound if bound else float("nan"),
        coverage=float(np.mean(np.abs(size) <= 2 * u)),
        failures=sum(e.failed for e in given),
        refusals=len(every) - len(given),
    )


def level_errors(level: str, seed: int, offset_deg: float = 10.0) -> list[Error]:
    """Errors of the captured pair's own sensor."""
    record = draw(level, seed, Setting(offset_deg=offset_deg))
    return errors_of(record, [record.own])


def station_errors(level: str, offset_deg: float, seed: int) -> list[Error]:
    """Errors of the separated terms of all three sensors of one station of 12 captures."""
    records = draw_station(level, seed, Setting(offset_deg=offset_deg, fill=0.6))
    timings = [timed(record) for record in records]
    found = []
    for name in SENSORS:
        own = [(r, t) for r, t in zip(records, timings, strict=True) if r.pair == OWN_PAIR[name]]
        low, high = (_at_speed(own[k : k + 2], name) for k in (0, 2))
        terms, record = separate(low, high), own[0][0]
        found += [
            _error("offset", terms.offset, record.offset_waveform[name], 0.0),
            _error("hysteresis", terms.hysteresis, record.hysteresis[name], 0.0),
            _error("delay [us]", terms.delay, record.delay_s[name] * 1e6, 0.0),
        ]
    return found


def _at_speed(pair: list[tuple[Record, CaptureTiming]], name: str) -> AtSpeed:
    (cw, timing_cw), (ccw, timing_ccw) = pair
    assert (cw.direction, ccw.direction) == (1, -1)
    f_e_hz = ((timing_cw.f_e_hz or 0.0) + (timing_ccw.f_e_hz or 0.0)) / 2
    return AtSpeed(f_e_hz, timing_cw.sensors[name].y_waveform, timing_ccw.sensors[name].y_waveform)


def anywhere_errors(seed: int) -> list[tuple[str, int, int, Error]]:
    """Errors of all three sensors of a record from the whole domain, with its level, pole pairs and seed."""
    level, record = draw_anywhere(seed)
    return [
        (level, record.pole_pairs, seed, e) for e in errors_of(record, SENSORS) if e.what in ("waveform", "fundamental")
    ]


def _each(pool: ProcessPoolExecutor | None, work: Callable[[int], list[Any]], seeds: range) -> list[Any]:
    results = map(work, seeds) if pool is None else pool.map(work, seeds, chunksize=8)
    return [item for found in results for item in found]


HEAD = f"{'':>8} {'':<12} {'n':>5} {'rms':>8} {'max':>8} {'/bound':>7} {'U covers':>8} {'failed':>6} {'refused':>7}"


def _line(name: str, what: str, row: Row) -> str:
    to_bound = f"{row.to_bound:7.2f}" if name in ("clean", "harm") and row.to_bound == row.to_bound else " " * 7
    return (
        f"{name:>8} {what:<12} {row.count:5d} {row.rms:8.4f} {row.largest:8.4f} {to_bound} {row.coverage:8.1%}"
        f" {row.failures:6d} {row.refusals:7d}"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the tables; the exit code is 1 if anything failed or was refused."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=500, help="records a level (default 500)")
    parser.add_argument("--stations", type=int, default=40, help="stations of 12 captures (default 40)")
    parser.add_argument(
        "--records", type=int, default=0, help="records from the whole domain (default none; 10000 is the claim)"
    )
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    args = parser.parse_args(arguments)
    bad = 0
    with ProcessPoolExecutor(args.jobs) as pool:
        print(
            "Own pairing: 8 bits, 100 kSa/s, 20 cycles, 4 pole pairs, offsets to 10 deg_el [deg_el; duty: share of a cycle]"
        )
        print(HEAD)
        drawn: dict[tuple[str, float], list[Error]] = {}
        for level in LEVELS if args.seeds else ():
            errors = _each(pool, partial(level_errors, level), range(args.first, args.first + args.seeds))
            drawn[level, 10.0] = errors
            for what in ("waveform", "fundamental", "duty"):
                row = sum_up(e for e in errors if e.what == what)
                bad += (row.failures + row.refusals) * (what != "duty")
                print(_line(level, what, row), flush=True)
        for level in NEAR if args.seeds else ():
            work = partial(level_errors, level, offset_deg=1.0)
            drawn[level, 1.0] = _each(pool, work, range(args.first, args.first + args.seeds))
        for offset in (1.0, 10.0) if args.stations else ():
            errors = _each(pool, partial(station_errors, "full", offset), range(args.first, args.first + args.stations))
            drawn["stations", offset] = errors
            print(f"\nStations of 12 captures, level full, 200 and 600 rpm, offsets to {offset:g} deg_el\n{HEAD}")
            for what in ("offset", "hysteresis", "delay [us]"):
                print(_line("full", what, sum_up(e for e in errors if e.what == what)), flush=True)
        bad += _accepted(drawn)
        if args.records:
            bad += _whole_domain(_each(pool, anywhere_errors, range(args.first, args.first + args.records)))
    return 1 if bad else 0


NEAR = ("sync", "slot")
"""Levels whose figure to reach is stated for offsets to 1 deg_el: further off, ripple locked to the rotation decides."""
# Level, offsets to [deg_el], figure, greatest rms, greatest error; the unit is that of the figure.
TO_REACH: tuple[tuple[str, float, str, float, float | None], ...] = (
    ("clean", 10, "waveform", 0.01, 0.03), ("clean", 10, "fundamental", 0.01, 0.03),
    ("harm", 10, "waveform", 0.01, 0.03), ("harm", 10, "fundamental", 0.01, 0.03),
    ("asym", 10, "waveform", 0.02, None), ("asym", 10, "fundamental", 0.01, None),
    ("ripple", 10, "waveform", 0.02, 0.05), ("sync", 1, "waveform", 0.02, None),
    ("dirty", 10, "waveform", 0.03, 0.15),
    ("full", 10, "waveform", 0.06, 0.2), ("full", 10, "fundamental", 0.10, 0.3),
    ("slot", 1, "waveform", 0.06, 0.2), ("slot", 1, "fundamental", 0.10, 0.3),
    *((level, 10, "duty", 0.002, None) for level in LEVELS),
    ("stations", 1, "offset", 0.03, None), ("stations", 1, "hysteresis", 0.12, None),
    ("stations", 1, "delay [us]", 8.0, None), ("stations", 10, "offset", 0.03, None),
)  # fmt: skip
LEAST_COVERAGE = 0.93
LEAST_WITHIN = 0.95


def locked_ripple_allows(error: Error) -> bool:
    """Whether an error at level `sync` lies within 0.03 + 0.02 |y|: as far as ripple locked to the rotation can move it."""
    from_zero = abs(wrapped(2 * error.truth)) / 2
    return abs(error.error) <= 0.03 + 0.02 * from_zero


def _accepted(drawn: dict[tuple[str, float], list[Error]]) -> int:
    """Print every figure to reach beside what was reached, and return how many were missed."""
    print(
        f"\nFigures to reach\n{'':>9} {'offsets to':>10} {'':<12} {'rms':>8} {'at most':>8} {'max':>8} {'at most':>8}"
    )
    missed = 0
    for level, offset, what, most_rms, most in TO_REACH:
        if (level, offset) not in drawn:
            continue
        row = sum_up(e for e in drawn[level, offset] if e.what == what)
        met = row.rms <= most_rms and (most is None or row.largest <= most)
        missed += not met
        shown = "" if most is None else f"{row.largest:8.4f} {most:8.3f}"
        print(
            f"{level:>9} {offset:10g} {what:<12} {row.rms:8.4f} {most_rms:8.3f} {shown:17} {'met' if met else 'MISSED'}"
        )
    for level, offset in (("full", 10.0), ("slot", 10.0)):
        for what in ("waveform", "fundamental") if (level, offset) in drawn else ():
            covers = sum_up(e for e in drawn[level, offset] if e.what == what).coverage
            met = covers >= LEAST_COVERAGE
            missed += not met
            print(
                f"{level:>9} {offset:10g} {what:<12} stated U covers {covers:.1%}, at least 93 %  {'met' if met else 'MISSED'}"
            )
    sync = [e for e in drawn.get(("sync", 10.0), []) if e.what == "waveform" and not e.refused]
    if sync:
        within = sum(locked_ripple_allows(e) for e in sync)
        covered = sum(abs(e.error) <= 2 * e.u for e in sync)
        # Two orders of up to 3 % each can add up to 6 %, and nothing in one record tells them from the waveform.
        met = within >= LEAST_WITHIN * len(sync) and covered == len(sync)
        missed += not met
        print(
            f"     sync         10 waveform     {within} of {len(sync)} within 0.03 + 0.02 |y|, at least 95 %; "
            f"{covered} within the stated U, all  {'met' if met else 'MISSED'}"
        )
    return missed


def _whole_domain(found: list[tuple[str, int, int, Error]]) -> int:
    print(
        "\nThe whole domain, all three sensors: 1 to 8 pole pairs, 100 to 900 rpm, 6 to 60 cycles and a turn at least,"
    )
    print(f"20 to 100 kSa/s, 8 or 12 bits, 15 to 90 % fill by the highest peak, offsets to 30 deg_el\n{HEAD}")
    for what in ("waveform", "fundamental"):
        for level in LEVELS:
            print(_line(level, what, sum_up(e for lv, _, _, e in found if lv == level and e.what == what)))
        for poles in range(1, 9):
            print(_line(f"P={poles}", what, sum_up(e for _, p, _, e in found if p == poles and e.what == what)))
    failed = [(level, poles, seed, e) for level, poles, seed, e in found if e.failed]
    for level, poles, seed, e in failed[:40]:
        print(f"seed {seed}: {level}, P = {poles}, {e.what}: {e.refused or f'error {e.error:.3f}, u {e.u:.3f}'}")
    return len(failed)


if __name__ == "__main__":
    sys.exit(main())
