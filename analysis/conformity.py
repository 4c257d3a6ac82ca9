"""Decision rules: whether a value with its uncertainty conforms to limits.

JCGM 106:2012 for the probability of conformity; ISO 14253-1:2017 for the default guard band of 1.65 u on each side.
"""

import math
from dataclasses import dataclass

from analysis.estimate import Estimate

CONFORMING, NONCONFORMING, UNDECIDED, NOT_MEASURED = "conforming", "nonconforming", "undecided", "not measured"


@dataclass(frozen=True, slots=True)
class Limits:
    """Tolerance limits, None where that side is open; without a source nothing can be decided."""

    lower: float | None
    upper: float | None
    source: str


@dataclass(frozen=True, slots=True)
class Rule:
    """A decision rule: the guard band is `guard_k` times the standard uncertainty, on the accepting and rejecting side."""

    name: str
    guard_k: float
    text: str


ISO_14253_1 = Rule(
    "guard band of ISO 14253-1",
    1.65,
    "Conforming when the value lies inside the limits by more than 1.65 standard uncertainties, nonconforming when it "
    "lies outside by more than that, otherwise undecided. Risk of a wrong decision at the acceptance limit: below 5 %.",
)
SIMPLE_ACCEPTANCE = Rule(
    "simple acceptance",
    0.0,
    "Conforming when the value lies inside the limits, whatever its uncertainty. Risk of a wrong decision: up to 50 %.",
)
RULES = {rule.name: rule for rule in (ISO_14253_1, SIMPLE_ACCEPTANCE)}


@dataclass(frozen=True, slots=True)
class Judgement:
    """Conformity, the probability that the true value lies within the limits, and the reason where there is no verdict."""

    conformity: str
    probability: float | None
    reason: str


def judge(of: Estimate, limits: Limits, rule: Rule) -> Judgement:
    """Judge an estimate by limits and rule.

    Raises
    ------
    ValueError
        Both limits are open, or the lower is above the upper.
    """
    lower = -math.inf if limits.lower is None else limits.lower
    upper = math.inf if limits.upper is None else limits.upper
    if lower > upper or (math.isinf(lower) and math.isinf(upper)):
        raise ValueError(f"limits must be one or two numbers in order, got {limits.lower} and {limits.upper}")
    if of.value is None:
        return Judgement(NOT_MEASURED, None, of.reason)
    u = of.u or 0.0
    probability = probability_within(of.value, u, lower, upper)
    if not limits.source:
        return Judgement(UNDECIDED, probability, "the limit has no source")
    band = rule.guard_k * u
    if lower + band <= of.value <= upper - band:
        return Judgement(CONFORMING, probability, "")
    if of.value < lower - band or of.value > upper + band:
        return Judgement(NONCONFORMING, probability, "")
    return Judgement(UNDECIDED, probability, "the value lies within the guard band of a limit")


def probability_within(value: float, u: float, lower: float, upper: float) -> float:
    """Probability that the true value lies within limits, normal distribution about the value (JCGM 106:2012, 7.3)."""
    if u == 0:
        return 1.0 if lower <= value <= upper else 0.0
    return _normal_cdf((upper - value) / u) - _normal_cdf((lower - value) / u)


def _normal_cdf(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2))
