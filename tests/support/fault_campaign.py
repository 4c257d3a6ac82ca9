"""Counts whether the station is safe under faults: `make faults [RUNS=300] [SEED=..] [JOBS=..]`.

Each run has a fault of its own at a random moment: all that the simulated bench knows, the station killed, stopped or
interrupted, each link spoilt in every way, hands where they should not be, and two at once. What came of it is judged
by `fault_checker.py` from the bench's own log. Ends with 1 if any run was unsafe.
"""

import argparse
import multiprocessing
import os
import random
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from fault_cases import Case, deck
from fault_seat import seat
from fault_trial import Result, Trial

FACTOR = 2.0
"""Bench seconds per real second: slow enough that a busy machine keeps the bench's deadlines."""


def carry_out(cases: Sequence[Case], folder: Path, factor: float, seed: int) -> list[Result]:
    """Carry out cases one after the other on one seat."""
    made = []
    with seat(folder, factor, seed) as place:
        for case in cases:
            made.append(Trial(place, case).carry_out())
    return made


def campaign(cases: Sequence[Case], jobs: int, factor: float, seed: int, folder: Path) -> list[Result]:
    """Carry out cases in so many processes."""
    shares = [cases[i::jobs] for i in range(jobs) if cases[i::jobs]]
    with ProcessPoolExecutor(len(shares), mp_context=multiprocessing.get_context("spawn")) as pool:
        waiting = [
            pool.submit(carry_out, share, folder / f"seat-{i}", factor, seed + i) for i, share in enumerate(shares)
        ]
        return [result for future in waiting for result in future.result()]


def table(results: Sequence[Result]) -> list[str]:
    """Return a line a fault: how often it was tried, how often that was safe, the longest time and its deadline."""
    lines = [f"{'fault':58} {'tried':>5} {'safe':>5} {'worst':>8} {'deadline':>9}"]
    for name in sorted({r.name for r in results}):
        tried = [r for r in results if r.name == name]
        timed = [r for r in tried if r.worst_s is not None]
        worst = max(timed, key=lambda r: (r.worst_s or 0.0) / r.deadline_s, default=None)
        shown = "-" if worst is None or worst.worst_s is None else f"{1000 * worst.worst_s:.0f} ms"
        deadline = "-" if worst is None else f"{1000 * worst.deadline_s:.0f} ms"
        lines.append(f"{name[:58]:58} {len(tried):5} {sum(r.safe for r in tried):5} {shown:>8} {deadline:>9}")
    return lines


def summary(results: Sequence[Result], seed: int, factor: float, took_s: float) -> list[str]:
    """Say what all came to."""
    safe, spurious = sum(r.safe for r in results), sum(r.spurious for r in results)
    unsafe = [f"  unsafe: {r.name} ({r.moment}): {problem}" for r in results for problem in r.problems]
    timed = [r for r in results if r.worst_s is not None]
    return [
        *unsafe,
        f"{safe} of {len(results)} runs safe, {len(timed)} of them with the drive on when the fault showed; seed {seed}, "
        f"bench time {factor:g} times real time, {os.cpu_count()} cores, {took_s:.0f} s",
        f"{spurious} further runs tripped without a fault, as a machine too busy makes them",
    ]


def main(arguments: Sequence[str]) -> int:
    """Run the campaign and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=300)
    parser.add_argument("--seed", type=int, default=None, help="which faults, when and where; printed if left out")
    parser.add_argument("--jobs", type=int, default=2 * (os.cpu_count() or 1))
    parser.add_argument("--factor", type=float, default=FACTOR)
    parser.add_argument("--only", default="", help="only cases whose name holds this")
    options = parser.parse_args(arguments)
    seed = random.SystemRandom().randrange(1 << 20) if options.seed is None else options.seed
    print(f"seed {seed}, {options.runs} runs, {options.jobs} at a time", flush=True)
    cases = [case for case in deck(options.runs, seed) if options.only in case.name]
    begun_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="polemark-faults-") as folder:
        results = campaign(cases, options.jobs, options.factor, seed, Path(folder))
    print("\n".join([*table(results), "", *summary(results, seed, options.factor, time.monotonic() - begun_s)]))
    return 0 if results and all(r.safe for r in results) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
