"""Speed ripple locked to the electrical cycle: how much of it one capture cannot rule out.

Ripple of electrical order n, phi = w t + (eps / n) sin(n w t + g), gives the EMF of a sine machine the harmonics

    q_(n-1) = -eps (n - 1) / (2 n) exp(-j g),   q_(n+1) = +eps (n + 1) / (2 n) exp(-j g)

which are as good as harmonics of the machine's own: no capture of one channel can tell. But it cannot be stronger than
the weaker of the two allows, unless the machine's own happen to cancel it; and where both harmonics have just the
amplitudes and phases that ripple would give them, ripple is likely. Odd orders move rising and falling edges oppositely
and leave the mean of both alone.
"""

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

USUAL_SHARE = 0.0104
"""Root mean square of the ripple to be expected of each order, of the speed (assumed: slots and poles of the drive)."""
LEAST_SHARE = 0.002
EVEN_ORDERS = (2, 4, 6)


def locked_share(ratios: NDArray[np.complex128], order: int) -> float:
    """Root mean square of the ripple of one even electrical order that a capture leaves possible, of the speed.

    Parameters
    ----------
    ratios
        Harmonics 1..7 over the fundamental, turned so that the fundamental is j; shape (7,).
    """
    factors, seen = [], []
    for harmonic, sign in ((order - 1, -1.0), (order + 1, 1.0)):
        # Order 2 makes a first and a third; the first is lost in the fundamental.
        if 1 < harmonic <= ratios.size:
            factors.append(sign * harmonic / (2 * order))
            seen.append(ratios[harmonic - 1])
    c, q = np.array(factors), np.array(seen)
    bound = float(np.min(np.abs(q / c)))
    total = float(np.sum(np.abs(q) ** 2))
    like = complex(np.sum(c * q) / np.sum(c**2))
    part = abs(like) ** 2 * float(np.sum(c**2)) / total if total > 0 else 0.0
    suspected = abs(like) * part**4 if c.size > 1 else 0.0
    return math.hypot(min(USUAL_SHARE, math.hypot(bound, LEAST_SHARE)), suspected)


def locked_shares(ratios: NDArray[np.complex128] | None, pole_pairs: int) -> dict[int, float]:
    """Ripple left possible by even electrical order.

    With several pole pairs only what the three phases make is taken to be locked: order 6 (what else the drive gives
    is not a multiple of the pole pairs, and averages out over a turn). With one pole pair every order is.
    """
    orders = EVEN_ORDERS if pole_pairs == 1 else (6,)
    return {order: USUAL_SHARE if ratios is None else locked_share(ratios, order) for order in orders}


def shift_between_deg(shares: Mapping[int, float], distance_deg: float) -> float:
    """Return the standard uncertainty of a phase at a distance from the nearest zero, where the zeros are right [deg]."""
    lines = []
    for order, share in shares.items():
        turned = min(order * math.radians(distance_deg) / 2, math.pi / 2)
        lines.append(math.degrees(math.sqrt(2) * share / order * math.sin(turned)))
    return math.hypot(*lines)


def shift_of_mean_deg(shares: Mapping[int, float]) -> float:
    """Return the standard uncertainty of a phase where only the mean phase is right [deg]."""
    return math.hypot(*(math.degrees(share / order / math.sqrt(2)) for order, share in shares.items()))
