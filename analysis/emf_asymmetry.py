"""The distance between the two zeros of an EMF: what the waveform makes, and what ripple locked to the rotation makes."""

from analysis.conformity import combined_u
from analysis.estimate import BudgetLine, Estimate, estimate, refused

LEAST_SPEED_RATIO = 1.3


def asymmetry_split(low: tuple[float, Estimate], high: tuple[float, Estimate]) -> tuple[Estimate, Estimate]:
    """Split the difference between two zeros of an EMF into what the waveform makes and what ripple makes.

    Parameters
    ----------
    low, high
        Speed and difference `waveform` less `fundamental` [deg_el], at two speeds.

    Returns
    -------
    tuple
        The part that does not depend on speed (asymmetry of the waveform), and the part that falls with its square
        (ripple locked to the rotation), at the lower speed [deg_el].

    Notes
    -----
    d = c + k / w^2: with r = w_high / w_low, c = (r^2 d_high - d_low) / (r^2 - 1), ripple at the lower speed d_low - c.
    """
    (w1, d1), (w2, d2) = low, high
    if d1.value is None or d2.value is None:
        none = refused("deg_el", d1.reason or d2.reason)
        return none, none
    square = (w2 / w1) ** 2
    if square < LEAST_SPEED_RATIO**2:
        none = refused("deg_el", f"the speeds are too alike: ratio {w2 / w1:.2f}; needed: {LEAST_SPEED_RATIO}")
        return none, none
    u1, u2 = d1.u or 0.0, d2.u or 0.0
    constant = (square * d2.value - d1.value) / (square - 1)
    lines = [(square / (square - 1), -1 / (square - 1)), (-square / (square - 1), square / (square - 1))]
    made = [
        [BudgetLine("difference at both speeds", "A", combined_u([by_high, by_low], [u2, u1]), min(d1.dof, d2.dof))]
        for by_high, by_low in lines
    ]
    return estimate(constant, "deg_el", made[0]), estimate(d1.value - constant, "deg_el", made[1])
