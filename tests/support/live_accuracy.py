"""How well the live aid follows a unit turned by hand: `python tests/support/live_accuracy.py [--seeds N]`.

For 30, 60, 120 and 300 rpm: root mean square error of what is shown with the unit at rest, lag while it is turned slowly
(2 deg_el/s) and briskly (20 deg_el/s), and time until a tap of 0.7 deg_el is shown to within 0.2 deg_el for good, median over the
seeds and the 90 % point.
"""

import argparse
import os
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from live_generator import SENSORS, Floats, LiveMotor, Motion, SeenEdge, clamped, draw_live, edges_between

from analysis.estimate import BudgetLine, Estimate, estimate
from analysis.live_offset import LiveOffset, LiveReading
from analysis.live_table import Known, LiveEdge, learn, without_known

SPEEDS_RPM = (30.0, 60.0, 120.0, 300.0)
TAP_DEG, SETTLED_DEG = 0.7, 0.2
SLOW_DEG_PER_S, BRISK_DEG_PER_S = 2.0, 20.0
LEARNT_TURNS = 2.5


@dataclass(frozen=True)
class Followed:
    """One motor at one speed: rms with the unit at rest [deg_el], lags and settling time [s], share of errors within 2 u."""

    settled_deg: float
    lag_s: float
    brisk_lag_s: float
    settling_s: float
    covered: float


def as_live(edges: Sequence[SeenEdge]) -> list[LiveEdge]:
    return [LiveEdge(e.time_s, e.sensor, e.cw_rise, e.at_deg, e.f_e_hz) for e in edges]


def _about(value: float, unit: str, u: float, rng: np.random.Generator) -> Estimate:
    return estimate(value + u * float(rng.standard_normal()), unit, [BudgetLine("clamped run", "B", u)])


def known_of(motor: LiveMotor, seed: int) -> dict[str, Known]:
    """Hysteresis and delay as a run with the unit clamped would give them: not quite the truth."""
    rng = np.random.default_rng([23, seed])
    return {
        s: Known(_about(motor.hysteresis_deg[s], "deg_el", 0.05, rng), _about(1e6 * motor.delay_s[s], "us", 5.0, rng))
        for s in SENSORS
    }


def follower(motor: LiveMotor, seed: int) -> LiveOffset:
    """Learn from a clamped unit, and know its offsets from a run in both directions."""
    known = known_of(motor, seed)
    rng = np.random.default_rng([24, seed])
    learnt = as_live(edges_between(motor, seed, 0.0, LEARNT_TURNS * 60 / motor.rpm))
    table = learn(without_known(learnt, known, motor.direction), motor.pole_pairs)
    places = {s: _about(motor.offset_deg[s], "deg_el", 0.02, rng) for s in SENSORS}
    return LiveOffset(table, known, motor.direction, clamped=places)


def shown(motor: LiveMotor, seed: int, unit: Motion, begin_s: float, at_s: Floats) -> list[LiveReading]:
    """What was shown at given times, edges being added as they come."""
    live = follower(motor, seed)
    waiting = as_live(edges_between(motor, seed, begin_s, float(at_s[-1]), unit))
    readings, k = [live.reading(begin_s)], 0
    for now in at_s.tolist():
        stood = k
        while k < len(waiting) and waiting[k].time_s <= now:
            live.add(waiting[k])
            k += 1
        readings.append(live.reading(now) if k > stood else readings[-1])
    return readings[1:]


def _values(readings: Sequence[LiveReading]) -> Floats:
    return np.array([np.nan if r.mean.value is None else r.mean.value for r in readings])


def followed(rpm: float, seed: int) -> Followed:
    """Rest, turn and tap one motor's unit."""
    motor = draw_live(seed, rpm)
    begin = LEARNT_TURNS * 60 / rpm
    first = begin + max(1.0, 20 / motor.f_e_hz / 6)
    rng = np.random.default_rng([25, seed])

    at = np.arange(first, first + 3.0, 0.01)
    readings = shown(motor, seed, clamped, begin, at)
    errors = _values(readings) - motor.mean_deg
    covered = np.mean([abs(e) <= 2 * (r.mean.u or 0) for e, r in zip(errors, readings, strict=True)])
    settled = float(np.sqrt(np.mean(errors**2)))

    def lag_s(deg_per_s: float) -> float:
        """Lag; what learning left wrong for good is no lag."""

        def ramp(t: Floats) -> Floats:
            return np.asarray(deg_per_s * np.maximum(0.0, t - first), dtype=np.float64)

        at = np.arange(first + 1.0, first + 4.0, 0.01)
        values = np.unwrap(_values(shown(motor, seed, ramp, begin, at)), period=360)
        return float(np.mean(motor.mean_deg + ramp(at) - values + np.mean(errors))) / deg_per_s

    tap = first + float(rng.uniform(0, 1 / motor.f_e_hz))
    at = np.arange(tap, tap + 2.0, 0.001)
    step = TAP_DEG * float(rng.choice([-1, 1]))
    values = _values(shown(motor, seed, lambda t: np.where(t >= tap, step, 0.0), begin, at))
    off = np.flatnonzero(np.abs(values - motor.mean_deg - step) > SETTLED_DEG)
    settling = float(at[off[-1]] - tap) if off.size else 0.0
    return Followed(settled, lag_s(SLOW_DEG_PER_S), lag_s(BRISK_DEG_PER_S), settling, float(covered))


@dataclass(frozen=True)
class Row:
    """Motors of one speed summed up: rms at rest [deg_el], mean lags, median and 90 % point of settling [s], coverage."""

    rms_deg: float
    lag_s: float
    brisk_lag_s: float
    settling_s: float
    late_s: float
    covered: float


def summed_up(found: Sequence[Followed]) -> Row:
    settling = [f.settling_s for f in found]
    return Row(
        float(np.sqrt(np.mean([f.settled_deg**2 for f in found]))),
        float(np.mean([f.lag_s for f in found])),
        float(np.mean([f.brisk_lag_s for f in found])),
        float(np.median(settling)),
        float(np.quantile(settling, 0.9)),
        float(np.mean([f.covered for f in found])),
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=100, help="motors a speed (default 100)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    args = parser.parse_args(arguments)
    print(
        "\nLive aid: 4 pole pairs, three sensors against U-V, one direction, phase noise 0.1 deg_el, 2 % false edges of 20 deg_el"
    )
    print(
        f"{'rpm':>5} {'n':>5} {'rms deg':>8} {'slow lag':>9} {'brisk':>6} {'tap ms':>7} {'90 %':>6} {'2 u covers':>10}"
    )
    with ProcessPoolExecutor(args.jobs) as pool:
        for rpm in SPEEDS_RPM:
            row = summed_up(list(pool.map(partial(followed, rpm), range(args.seeds))))
            print(
                f"{rpm:5.0f} {args.seeds:5d} {row.rms_deg:8.3f} {1e3 * row.lag_s:9.0f} {1e3 * row.brisk_lag_s:6.0f}"
                f" {1e3 * row.settling_s:7.0f} {1e3 * row.late_s:6.0f} {row.covered:10.1%}",
                flush=True,
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
