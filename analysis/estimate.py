"""What a measurement gives: a value with its standard uncertainty and the budget it rests on, or the reason there is none."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One contribution: its standard uncertainty `u` in the estimate's unit, type A or B, degrees of freedom."""

    source: str
    kind: str
    u: float
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class Estimate:
    """A measured quantity.

    `value` is None when it could not be measured; `reason` then says why, and there is no uncertainty.
    """

    value: float | None
    unit: str
    u: float | None = None
    dof: float = math.inf
    budget: tuple[BudgetLine, ...] = ()
    reason: str = ""


def estimate(value: float, unit: str, budget: Iterable[BudgetLine]) -> Estimate:
    """Make an estimate from its budget of independent lines.

    Notes
    -----
    u = sqrt(sum u_i^2), dof = u^4 / sum(u_i^4 / dof_i) (Welch-Satterthwaite, JCGM 100:2008 G.4.1).
    """
    lines = tuple(line for line in budget if line.u > 0)
    u = math.sqrt(math.fsum(line.u**2 for line in lines))
    shares = math.fsum(line.u**4 / line.dof for line in lines)
    return Estimate(value, unit, u, u**4 / shares if shares > 0 else math.inf, lines)


def scatter_of_mean(source: str, values: ArrayLike) -> BudgetLine:
    """Return the type A line of the mean of independent readings, shape (n,), n > 1: s / sqrt(n), n - 1 degrees of freedom.

    Notes
    -----
    JCGM 100:2008, 4.2.3. Deviations are taken from the mean first, so that readings that differ in their last digits
    only keep their scatter.
    """
    readings = np.asarray(values, dtype=np.float64)
    s = float(np.std(readings - readings[0], ddof=1))
    return BudgetLine(source, "A", s / math.sqrt(readings.size), readings.size - 1.0)


def refused(unit: str, reason: str) -> Estimate:
    """Make an estimate that says why there is no number."""
    return Estimate(None, unit, reason=reason)


def scaled(of: Estimate, factor: float, unit: str) -> Estimate:
    """Express an estimate in another unit or form: value, uncertainty and budget times a constant."""
    if of.value is None or of.u is None:
        return Estimate(None, unit, reason=of.reason)
    lines = tuple(BudgetLine(line.source, line.kind, line.u * abs(factor), line.dof) for line in of.budget)
    return Estimate(of.value * factor, unit, of.u * abs(factor), of.dof, lines, of.reason)
