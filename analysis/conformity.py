"""Decision rules: whether a value with its uncertainty conforms to limits, and how sure that is.

JCGM 106:2012 for the probability of conformity; ISO 14253-1:2017 for the default guard band of 1.65 u; JCGM 100:2008
annex G for effective degrees of freedom and coverage factors.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from analysis.estimate import BudgetLine, Estimate

CONFORMING, NONCONFORMING, UNDECIDED, NOT_MEASURED = "conforming", "nonconforming", "undecided", "not measured"
COVERAGE = 0.95
MOST_DOF = 1e6
"""From here on the t distribution is taken for the normal one."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Tolerance limits, None where that side is open; without a source nothing can be decided."""

    lower: float | None
    upper: float | None
    source: str

    @property
    def bounds(self) -> tuple[float, float]:
        """Both limits as numbers, infinite where that side is open.

        Raises
        ------
        ValueError
            Both sides are open, a limit is not a number, or the lower is above the upper.
        """
        lower = -math.inf if self.lower is None else self.lower
        upper = math.inf if self.upper is None else self.upper
        if not lower <= upper or (math.isinf(lower) and math.isinf(upper)):
            raise ValueError(f"limits must be one or two numbers in order, got {self.lower} and {self.upper}")
        return lower, upper


@dataclass(frozen=True, slots=True)
class Rule:
    """A decision rule: the guard band is `guard_k` standard uncertainties wide, on either side of each limit."""

    name: str
    guard_k: float
    text: str

    def band(self, u: float, dof: float = math.inf) -> float:
        """Width of the guard band, in the unit of `u`.

        Notes
        -----
        With few degrees of freedom the factor is the quantile of the t distribution of the same one-sided risk, so that
        the risk at the acceptance limit stays what the rule says (JCGM 100:2008 G.3; ISO 14253-1 states 1.65 for a
        normal distribution).
        """
        if self.guard_k == 0 or u == 0:
            return 0.0
        whole = _whole_dof(dof)
        if math.isinf(whole):
            return self.guard_k * u
        from scipy.special import stdtrit

        # From the lower tail, by symmetry: 1 - 1e-9 would lose its digits.
        return -float(stdtrit(whole, _normal_cdf(-self.guard_k))) * u


def _guard_band(name: str, k: float, risk: str) -> Rule:
    return Rule(
        name,
        k,
        f"Conforming when the value lies inside the limits by more than {k:g} standard uncertainties, nonconforming when "
        f"it lies outside by more than that, otherwise undecided. Risk of a wrong decision at the acceptance limit: {risk}.",
    )


ISO_14253_1 = _guard_band("guard band of ISO 14253-1", 1.65, "below 5 %")
SIMPLE_ACCEPTANCE = Rule(
    "simple acceptance",
    0.0,
    "Conforming when the value lies inside the limits, whatever its uncertainty. Risk of a wrong decision: up to 50 %.",
)
GUARD_2_U = _guard_band("guard band of 2 u", 2.0, "below 2.5 %")
GUARD_3_U = _guard_band("guard band of 3 u", 3.0, "below 0.16 %")
GUARD_6_U = _guard_band("guard band of 6 u", 6.0, "below one in a million")
RULES: Mapping[str, Rule] = MappingProxyType(
    {rule.name: rule for rule in (ISO_14253_1, SIMPLE_ACCEPTANCE, GUARD_2_U, GUARD_3_U, GUARD_6_U)}
)
"""Every rule by name; widths and risks as ILAC-G8:09/2019 lists them (U = 2 u)."""


def rule_named(name: str) -> Rule:
    """Return a rule by its name.

    Raises
    ------
    ValueError
        There is no such rule.
    """
    if name not in RULES:
        raise ValueError(f"unknown decision rule '{name}'; allowed: {', '.join(RULES)}")
    return RULES[name]


@dataclass(frozen=True, slots=True)
class Judgement:
    """Conformity, the probability that the true value lies within the limits, and the reason where there is no verdict."""

    conformity: str
    probability: float | None
    reason: str


def judge(of: Estimate, limits: Limits, rule: Rule = ISO_14253_1) -> Judgement:
    """Judge an estimate by limits and rule.

    Raises
    ------
    ValueError
        Both limits are open, one is not a number, or the lower is above the upper.
    """
    lower, upper = limits.bounds
    if of.value is None or not math.isfinite(of.value):
        return Judgement(NOT_MEASURED, None, of.reason or "the value is not a number")
    if of.u is None or not math.isfinite(of.u):
        return Judgement(UNDECIDED, None, "the value has no standard uncertainty")
    probability = probability_within(of.value, of.u, lower, upper, of.dof)
    if not limits.source:
        return Judgement(UNDECIDED, probability, "the limit has no source")
    conformity = _verdict(of.value, lower, upper, rule.band(of.u, of.dof))
    reason = "the value lies within the guard band of a limit" if conformity == UNDECIDED else ""
    return Judgement(conformity, probability, reason)


def _verdict(value: float, lower: float, upper: float, band: float) -> str:
    if value < lower - band or value > upper + band:
        return NONCONFORMING
    if lower + band <= value <= upper - band:
        return CONFORMING
    return UNDECIDED


def probability_within(value: float, u: float, lower: float, upper: float, dof: float = math.inf) -> float:
    """Probability that the true value lies within limits.

    Notes
    -----
    Normal distribution about the value (JCGM 106:2012, 7.3); with few degrees of freedom the scaled and shifted t
    distribution (JCGM 101:2008, 6.4.9).
    """
    if u == 0:
        return 1.0 if lower <= value <= upper else 0.0
    below, above = _cdf((lower - value) / u, dof), _cdf((value - upper) / u, dof)
    return max(0.0, 1.0 - below - above)


def acceptance_limits(limits: Limits, rule: Rule, u: float, dof: float = math.inf) -> tuple[float, float]:
    """Return the limits that a value of standard uncertainty `u` must keep, infinite where that side is open.

    Where the guard bands leave nothing the lower one is above the upper one.
    """
    lower, upper = limits.bounds
    band = rule.band(u, dof)
    return lower + band, upper - band


def welch_satterthwaite(lines: Iterable[BudgetLine]) -> float:
    """Effective degrees of freedom of a sum of independent contributions (JCGM 100:2008, G.4.1)."""
    rows = tuple(lines)
    u = math.sqrt(math.fsum(line.u**2 for line in rows))
    shares = math.fsum(line.u**4 / line.dof for line in rows)
    return u**4 / shares if shares > 0 else math.inf


def coverage_factor(dof: float = math.inf, coverage: float = COVERAGE) -> float:
    """Factor k by which an interval of +-k u has the stated coverage (JCGM 100:2008, table G.2).

    Effective degrees of freedom are cut to the next lower whole number first, as G.4.1 allows.

    Raises
    ------
    ValueError
        The coverage is not between 0 and 1.
    """
    if not 0 < coverage < 1:
        raise ValueError(f"coverage must be between 0 and 1, got {coverage}")
    from scipy.special import ndtri, stdtrit

    tail = 0.5 - coverage / 2
    whole = _whole_dof(dof)
    return -float(ndtri(tail) if math.isinf(whole) else stdtrit(whole, tail))


def expanded_u(of: Estimate, coverage: float = COVERAGE) -> float | None:
    """Half width of the coverage interval, in the estimate's unit; None where there is no uncertainty."""
    return None if of.u is None else coverage_factor(of.dof, coverage) * of.u


def combined_u(sensitivities: Sequence[float], u: Sequence[float], correlation: ArrayLike | None = None) -> float:
    """Combine the standard uncertainties of correlated inputs into that of the quantity made of them.

    Parameters
    ----------
    sensitivities, u
        Partial derivatives by, and standard uncertainties of, the inputs, shape (n,).
    correlation
        Shape (n, n), ones on the diagonal; None for independent inputs.

    Notes
    -----
    u_c^2 = sum_i sum_j c_i c_j u_i u_j r_ij (JCGM 100:2008, 5.2.2).
    """
    parts = np.asarray(sensitivities, dtype=np.float64) * np.asarray(u, dtype=np.float64)
    together = np.eye(parts.size) if correlation is None else np.asarray(correlation, dtype=np.float64)
    return math.sqrt(max(0.0, float(parts @ together @ parts)))


def _whole_dof(dof: float) -> float:
    return math.inf if dof > MOST_DOF else max(1.0, math.floor(dof + 1e-9))


def _cdf(z: float, dof: float) -> float:
    whole = _whole_dof(dof)
    if math.isinf(whole) or math.isinf(z):
        return _normal_cdf(z)
    from scipy.special import stdtr

    return float(stdtr(whole, z))


def _normal_cdf(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2))
