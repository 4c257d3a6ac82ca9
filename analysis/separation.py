"""Offset, hysteresis and delay of a sensor from both directions and two speeds.

y_i = x + s_i eta + s_i w_i tau, with w = 360 f_e [deg/s]: the offset x does not know the direction, hysteresis eta
follows its sign, and a delay tau grows with speed besides.
"""

import math
from dataclasses import dataclass

from analysis.angles import wrap
from analysis.estimate import BudgetLine, Estimate, estimate, refused

LEAST_RATIO = 1.3
MICROSECONDS = 1e6


@dataclass(frozen=True, slots=True)
class AtSpeed:
    """A sensor's y in both directions at one speed; `f_e_hz` is the mean of both. None where it was not measured."""

    f_e_hz: float
    cw: Estimate
    ccw: Estimate


@dataclass(frozen=True, slots=True)
class Separated:
    """The separated terms; `check_deg_el` is the difference of the two speeds' means, which should be nothing."""

    offset: Estimate
    hysteresis: Estimate
    delay: Estimate
    check_deg_el: float | None
    one_direction_deg_el: float | None
    """What the first clockwise capture alone would have claimed as the offset."""


def separate(low: AtSpeed | None, high: AtSpeed) -> Separated:
    """Separate the terms; the offset is that of the higher speed, where ripple moves it least.

    Parameters
    ----------
    low
        The lower speed, or None: then hysteresis and delay cannot be told apart.
    """
    reason = _lacking(high)
    if reason:
        none = refused("deg_el", reason)
        return Separated(none, none, refused("us", reason), None, high.cw.value)
    m2, d2 = _half_sum(high)
    if low is None or _lacking(low):
        why = "hysteresis and delay need two speeds" if low is None else _lacking(low)
        return Separated(m2, refused("deg_el", why), refused("us", why), None, high.cw.value)
    w1, w2 = 360 * low.f_e_hz, 360 * high.f_e_hz
    if w2 < LEAST_RATIO * w1:
        why = f"the speeds are too alike to tell hysteresis from delay: ratio {w2 / w1:.2f}; needed: {LEAST_RATIO}"
        return Separated(m2, refused("deg_el", why), refused("us", why), None, high.cw.value)
    m1, d1 = _half_sum(low)
    e1, e2 = float(d1.value or 0.0), float(d2.value or 0.0)
    u1, u2 = float(d1.u or 0.0), float(d2.u or 0.0)
    delay = (e2 - e1) / (w2 - w1) * MICROSECONDS
    u_delay = math.hypot(u1, u2) / (w2 - w1) * MICROSECONDS
    hysteresis = (w2 * e1 - w1 * e2) / (w2 - w1)
    u_hysteresis = math.hypot(w2 * u1, w1 * u2) / (w2 - w1)
    return Separated(
        offset=m2,
        hysteresis=estimate(
            hysteresis, "deg_el", [BudgetLine("half differences at both speeds", "A", u_hysteresis, 4.0)]
        ),
        delay=estimate(delay, "us", [BudgetLine("half differences at both speeds", "A", u_delay, 4.0)]),
        check_deg_el=float(wrap(float(m1.value or 0.0) - float(m2.value or 0.0))),
        one_direction_deg_el=low.cw.value,
    )


def _lacking(at: AtSpeed) -> str:
    for name, e in (("clockwise", at.cw), ("counter-clockwise", at.ccw)):
        if e.value is None:
            return f"not measured {name}: {e.reason}"
    return ""


def _half_sum(at: AtSpeed) -> tuple[Estimate, Estimate]:
    """Half sum and half difference of both directions, wrapped about the first."""
    cw, ccw = float(at.cw.value or 0.0), float(at.ccw.value or 0.0)
    apart = float(wrap(cw - ccw))
    mean = float(wrap(ccw + apart / 2))
    lines = []
    for line in at.cw.budget:
        other = next((o for o in at.ccw.budget if o.source == line.source), None)
        # Scatter averages out over two captures; what is systematic does not.
        half = math.hypot(line.u, other.u if other else 0.0) / 2
        u = half if line.kind == "A" else max(line.u, other.u if other else 0.0)
        lines.append(BudgetLine(line.source, line.kind, u, 2 * line.dof))
    return estimate(mean, "deg_el", lines), estimate(apart / 2, "deg_el", lines)
