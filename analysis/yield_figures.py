"""Yield with its sample size and interval."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

Z_95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Trial:
    """One complete run that counts for yield: its job, when (sortable), and whether it conformed."""

    job: str
    started: str
    conforming: bool


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
    return max(0.0, (centre - half) / (n + z * z)), min(1.0, (centre + half) / (n + z * z))


def first_pass(trials: Iterable[Trial]) -> YieldFigure:
    """First-pass yield: the first complete trial of each job counts, a later one never changes it."""
    first: dict[str, Trial] = {}
    for trial in sorted(trials, key=lambda t: t.started):
        first.setdefault(trial.job, trial)
    n, passed = len(first), sum(t.conforming for t in first.values())
    if n == 0:
        return YieldFigure(0, 0, None, None, None)
    lower, upper = wilson_interval(passed, n)
    return YieldFigure(passed, n, passed / n, lower, upper)
