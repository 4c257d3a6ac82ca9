"""Yield with its sample size and interval.

A retest never changes the first-pass result, a stopped run is no failure, a motor tested twice within a job counts once,
and of nothing there is no yield.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

Z_95 = 1.959963984540054
COVERAGE = 0.95


@dataclass(frozen=True, slots=True)
class Trial:
    """One run that may count for yield: its job, when it started (sortable), whether it conformed, and was completed."""

    job: str
    started: str
    conforming: bool
    complete: bool = True


@dataclass(frozen=True, slots=True)
class YieldFigure:
    """So many of n, with the 95 % Wilson interval; `value`, `lower`, `upper` are None for n = 0."""

    passed: int
    n: int
    value: float | None
    lower: float | None
    upper: float | None


def wilson_interval(passed: int, n: int, z: float = Z_95) -> tuple[float, float]:
    """Wilson score interval of a proportion (Newcombe, Statistics in Medicine 17:857, 1998, method 3).

    Raises
    ------
    ValueError
        n is not positive, or more passed than were tried.
    """
    if n <= 0 or not 0 <= passed <= n:
        raise ValueError(f"a proportion needs 0 <= passed <= n and n > 0, got {passed} of {n}")
    centre = passed + z * z / 2
    half = z * math.sqrt(passed * (n - passed) / n + z * z / 4)
    # At both ends the exact bound is the end itself, which rounding would miss by a hair.
    lower = 0.0 if passed == 0 else (centre - half) / (n + z * z)
    upper = 1.0 if passed == n else (centre + half) / (n + z * z)
    return max(0.0, lower), min(1.0, upper)


def proportion(passed: int, n: int) -> YieldFigure:
    """So many of n with their interval."""
    if n == 0:
        return YieldFigure(0, 0, None, None, None)
    lower, upper = wilson_interval(passed, n)
    return YieldFigure(passed, n, passed / n, lower, upper)


def first_trials(trials: Iterable[Trial]) -> tuple[Trial, ...]:
    """Return the first complete trial of each job, in the order of their start."""
    first: dict[str, Trial] = {}
    for trial in sorted((t for t in trials if t.complete), key=lambda t: t.started):
        first.setdefault(trial.job, trial)
    return tuple(first.values())


def first_pass(trials: Iterable[Trial]) -> YieldFigure:
    """First-pass yield: the first complete trial of each job counts, a later one never changes it."""
    first = first_trials(trials)
    return proportion(sum(t.conforming for t in first), len(first))


def first_pass_by(trials: Sequence[Trial], key: Callable[[Trial], str]) -> dict[str, YieldFigure]:
    """First-pass yield by a key of the first complete trial, in order of the key.

    A job that was retested in another week or at another station counts where it was first tried, and only there.
    """
    groups: dict[str, list[Trial]] = {}
    for trial in first_trials(trials):
        groups.setdefault(key(trial), []).append(trial)
    return {name: proportion(sum(t.conforming for t in each), len(each)) for name, each in sorted(groups.items())}


def rolled_yield(yields: Iterable[float]) -> float:
    """Chance to pass every one of a row of steps: the product of their first-pass yields (ISO 13053-1 usage)."""
    return math.prod(yields)


def most_failing_without_failure(n: int, confidence: float = COVERAGE) -> float:
    """Largest failing part that n trials without a failure still allow, one-sided.

    Notes
    -----
    1 - (1 - confidence)^(1/n).

    Raises
    ------
    ValueError
        n is not positive.
    """
    if n <= 0:
        raise ValueError(f"a bound needs at least one trial, got {n}")
    return float(1 - (1 - confidence) ** (1 / n))
