"""Offset, hysteresis and delay of a sensor from both directions and two speeds.

    y_i = x + s_i eta + s_i w_i tau,   w = 360 f_e [deg/s]

The offset x does not know the direction, hysteresis eta follows its sign, and a delay tau grows with speed besides.
With m = (y_cw + y_ccw) / 2 and d = (y_cw - y_ccw) / 2 at the low (1) and the high (2) speed:

    x = m2,  tau = (d2 - d1) / (w2 - w1),  eta = (w2 d1 - w1 d2) / (w2 - w1),  check q = m1 - m2

x is taken from the high speed because ripple falls with the square of speed. Four figures, three unknowns: q is left
over, and shows slip of the device or ripple. The limit of m for ever higher speed, if all of q were ripple, is given
beside x.
"""

import math
from dataclasses import dataclass

from analysis.angles import wrap
from analysis.estimate import BudgetLine, Estimate, estimate, refused

LEAST_RATIO = 1.3
MICROSECONDS = 1e6
PLAY_DEG_EL = 0.05
"""Play of the rotor between the directions (assumed; verify by mounting a motor again)."""
SCALE_SHARE = 0.02
"""Locked ripple stretches the way from the EMF's zero to the edge by as much, and hysteresis with it."""
CHECK_K = 2.0
CANCELS_IN_OFFSET = frozenset({"delay between scope channels"})
SHARED_BY_CAPTURES = frozenset(
    {
        "window of the zero fits and harmonics",
        "spikes and non-linearity of the converter",
        "speed ripple locked to the rotation",
        "delay between scope channels",
    }
)


@dataclass(frozen=True, slots=True)
class AtSpeed:
    """A sensor's y in both directions at one speed; `f_e_hz` is the mean of both. None where it was not measured."""

    f_e_hz: float
    cw: Estimate
    ccw: Estimate


@dataclass(frozen=True, slots=True)
class Separated:
    """The separated terms.

    Parameters
    ----------
    check_deg_el
        Difference of the two speeds' means, which should be nothing [deg_el].
    one_direction
        What the first clockwise capture alone would have claimed as the offset, with the uncertainty that it would have
        stated; None without one.
    check
        The difference with its uncertainty.
    extrapolated
        Offset for ever higher speed, if the check is all ripple that falls with the square of speed.
    covariance
        Of offset, hysteresis [deg_el] and delay [us], in this order; None where they could not be separated.
    claims_deg_el
        What each capture alone would have claimed as the offset, by (direction, speed) as in ("CW", "high").
    note
        What a check far from nothing says.
    """

    offset: Estimate
    hysteresis: Estimate
    delay: Estimate
    check_deg_el: float | None
    one_direction: Estimate | None
    check: Estimate | None = None
    extrapolated: Estimate | None = None
    covariance: tuple[tuple[float, float, float], ...] | None = None
    claims_deg_el: tuple[tuple[str, str, float], ...] = ()
    note: str = ""


def separate(low: AtSpeed | None, high: AtSpeed, *, play_deg_el: float = PLAY_DEG_EL) -> Separated:
    """Separate the terms; the offset is that of the higher speed, where ripple moves it least.

    Parameters
    ----------
    low
        The lower speed, or None: then hysteresis and delay cannot be told apart.
    play_deg_el
        Standard uncertainty from play of the rotor between the directions.
    """
    claims = _claims(low, high)
    first = next((at.cw for at in (low, high) if at is not None and at.cw.value is not None), None)
    reason = _lacking(high)
    if reason:
        why = f"offset, hysteresis and delay need both directions: {reason}"
        return Separated(
            refused("deg_el", why), refused("deg_el", why), refused("us", why), None, first, claims_deg_el=claims
        )
    top = _Half(high, play_deg_el)
    why = _inseparable(low, high)
    if low is None or why:
        return Separated(top.sum, refused("deg_el", why), refused("us", why), None, first, claims_deg_el=claims)
    return _separated(_Half(low, play_deg_el), top, 360 * low.f_e_hz, 360 * high.f_e_hz, first, claims)


def _inseparable(low: AtSpeed | None, high: AtSpeed) -> str:
    """Reason why hysteresis and delay cannot be told apart; empty if they can."""
    if low is None:
        return "hysteresis and delay need two speeds"
    if _lacking(low):
        return f"hysteresis and delay need both directions at two speeds: {_lacking(low)}"
    ratio = high.f_e_hz / low.f_e_hz
    if ratio < LEAST_RATIO:
        return f"the speeds are too alike to tell hysteresis from delay: ratio {ratio:.2f}; needed: {LEAST_RATIO}"
    return ""


def _separated(
    low: "_Half",
    high: "_Half",
    w1: float,
    w2: float,
    first: Estimate | None,
    claims: tuple[tuple[str, str, float], ...],
) -> Separated:
    span = w2 - w1
    tau = (high.apart - low.apart) / span
    eta = (w2 * low.apart - w1 * high.apart) / span
    u1, u2, both = low.u_apart_alone, high.u_apart_alone, high.u_apart_shared
    # What both speeds share moves eta and leaves tau alone.
    u_tau = math.hypot(u1, u2) / span
    u_eta = math.hypot(w2 * u1 / span, w1 * u2 / span)
    cov_eta_tau = -(w2 * u1**2 + w1 * u2**2) / span**2
    # Ripple stretches the half difference at the low speed; at the high one it is weak.
    stretch = SCALE_SHARE * abs(low.apart) / span
    hysteresis = estimate(
        eta,
        "deg_el",
        [
            BudgetLine("scatter of half differences at both speeds", "A", u_eta, min(low.dof, high.dof)),
            BudgetLine("shared by all captures", "B", both),
            BudgetLine("stretch by locked ripple", "B", w2 * stretch),
        ],
    )
    delay = estimate(
        tau * MICROSECONDS,
        "us",
        [
            BudgetLine("scatter of half differences at both speeds", "A", u_tau * MICROSECONDS, min(low.dof, high.dof)),
            BudgetLine("delay between scope channels", "B", high.u_skew / w2 * MICROSECONDS),
            BudgetLine("stretch by locked ripple", "B", stretch * MICROSECONDS),
        ],
    )
    check = float(wrap(low.middle - high.middle))
    u_check = math.hypot(low.u_sum_alone, high.u_sum_alone, low.u_ripple, high.u_ripple)
    ratio = w2 / w1
    gain = 1 / (ratio**2 - 1)
    limit = float(wrap(high.middle - gain * check))
    u_x, u_e, u_t = float(high.sum.u or 0.0), float(hysteresis.u or 0.0), float(delay.u or 0.0)
    cross = cov_eta_tau * MICROSECONDS
    return Separated(
        offset=high.sum,
        hysteresis=hysteresis,
        delay=delay,
        check_deg_el=check,
        one_direction=first,
        check=estimate(check, "deg_el", [BudgetLine("half sums at both speeds", "A", u_check, min(low.dof, high.dof))]),
        extrapolated=estimate(
            limit, "deg_el", [*high.sum.budget, BudgetLine("extrapolation over speed", "B", gain * u_check)]
        ),
        covariance=((u_x**2, 0.0, 0.0), (0.0, u_e**2, cross), (0.0, cross, u_t**2)),
        claims_deg_el=claims,
        note=_note(check, u_check),
    )


def _note(check: float, u_check: float) -> str:
    if abs(check) <= CHECK_K * u_check:
        return ""
    return f"the two speeds disagree by {check:.2f} deg_el: the unit slipped between them, or ripple is locked to the rotation"


def _claims(low: AtSpeed | None, high: AtSpeed) -> tuple[tuple[str, str, float], ...]:
    speeds = [("high", high)] if low is None else [("low", low), ("high", high)]
    found = [(d, name, e.value) for name, at in speeds for d, e in (("CW", at.cw), ("CCW", at.ccw))]
    return tuple((direction, name, value) for direction, name, value in found if value is not None)


def _lacking(at: AtSpeed) -> str:
    for name, e in (("clockwise", at.cw), ("counter-clockwise", at.ccw)):
        if e.value is None:
            return f"not measured {name}: {e.reason}"
    return ""


class _Half:
    """Half sum and half difference of both directions at one speed, and what each is uncertain by."""

    def __init__(self, at: AtSpeed, play_deg_el: float) -> None:
        cw, ccw = float(at.cw.value or 0.0), float(at.ccw.value or 0.0)
        across = float(wrap(cw - ccw))
        self.middle, self.apart = float(wrap(ccw + across / 2)), across / 2
        lines = _merged(at.cw, at.ccw)
        alone = [line for line in lines if line.source not in SHARED_BY_CAPTURES]
        shared = {line.source: line.u for line in lines if line.source in SHARED_BY_CAPTURES}
        self.dof = min((line.dof for line in alone), default=math.inf)
        self.u_skew = shared.pop("delay between scope channels", 0.0)
        self.u_ripple = shared.get("speed ripple locked to the rotation", 0.0)
        self.u_sum_alone = self.u_apart_alone = math.hypot(*(line.u for line in alone))
        self.u_apart_shared = math.hypot(*shared.values())
        self.sum = estimate(
            self.middle,
            "deg_el",
            [
                *(line for line in lines if line.source not in CANCELS_IN_OFFSET),
                BudgetLine("play of the rotor between directions", "B", play_deg_el),
            ],
        )


def _merged(cw: Estimate, ccw: Estimate) -> list[BudgetLine]:
    """Lines of a half sum: what differs from capture to capture averages out, what they share does not."""
    other = {line.source: line for line in ccw.budget}
    mine = {line.source: line for line in cw.budget}
    merged = []
    for source in [*mine, *(s for s in other if s not in mine)]:
        pair = [line for line in (mine.get(source), other.get(source)) if line is not None]
        largest = max(line.u for line in pair)
        u = largest if source in SHARED_BY_CAPTURES else math.hypot(*(line.u for line in pair)) / 2
        merged.append(BudgetLine(source, pair[0].kind, u, sum(line.dof for line in pair)))
    return merged
