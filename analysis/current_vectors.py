"""Where a winding current holds the rotor of a star-connected permanent-magnet motor.

Flux linkage and co-energy, in the sign convention of the EMF (e_k = d psi_k / dt, currents into the terminals):

    psi_k = -lambda cos(theta - s_k),  s = 0, 120, 240 deg for U, V, W
    W'    = sum_k psi_k i_k  (+ a part that does not depend on theta where there is no saliency)
    T     = dW' / d theta_m = P lambda sum_k i_k sin(theta - s_k)

The torque of current in a winding pair therefore has the very shape of that pair's EMF: it is nothing where the EMF is,
harmonics and unequal phases included. Current into U and out of V rests where e_uv falls through zero (150 deg_el), the
reversed one where it rises (-30 deg_el). Derived from the co-energy of a lossless coupling field, as any textbook on
electromechanical energy conversion gives it; a test differentiates the co-energy numerically.
"""

import math
from collections.abc import Mapping
from types import MappingProxyType

from analysis.angles import wrap

TERMINALS = ("U", "V", "W")
PHASE_DEG_EL: Mapping[str, float] = MappingProxyType({"U": 0.0, "V": 120.0, "W": 240.0})
"""Lag of each terminal's EMF going clockwise, sequence U, V, W."""
Vector = tuple[str, str]
"""The terminals into which and out of which the current flows."""
VECTORS: tuple[Vector, ...] = (("V", "U"), ("W", "U"), ("W", "V"), ("U", "V"), ("U", "W"), ("V", "W"))
"""The six with one terminal open, in the order in which they turn the rotor clockwise by 60 deg_el each."""


def torque_nm(theta_deg_el: float, currents_a: Mapping[str, float], flux_linkage_vs: float, pole_pairs: int) -> float:
    """Torque of winding currents, clockwise positive [N*m].

    Parameters
    ----------
    theta_deg_el
        Rotor angle [deg_el].
    currents_a
        By terminal, into the motor [A]; a terminal left out carries none.
    flux_linkage_vs
        Peak flux linkage of one phase [V s].

    Notes
    -----
    T = P lambda sum_k i_k sin(theta - s_k), see the head of this module.
    """
    shares = (i_a * math.sin(math.radians(theta_deg_el - PHASE_DEG_EL[k])) for k, i_a in currents_a.items())
    return pole_pairs * flux_linkage_vs * math.fsum(shares)


def rest_deg_el(vector: Vector) -> float:
    """Angle at which a current into the first and out of the second terminal holds the rotor, without friction [deg_el].

    Notes
    -----
    i (sin(theta - s_in) - sin(theta - s_out)) is a sine of theta about the direction phi of e^(j s_in) - e^(j s_out);
    it falls through zero, which is the stable rest, at phi + 180 deg.

    Raises
    ------
    ValueError
        The vector is none of the six.
    """
    if vector not in VECTORS:
        allowed = ", ".join(f"{into}-{out}" for into, out in VECTORS)
        raise ValueError(f"the current must flow from one terminal to another ({allowed}), got {'-'.join(vector)}")
    into, out_of = (math.radians(PHASE_DEG_EL[k]) for k in vector)
    phi = math.atan2(math.sin(into) - math.sin(out_of), math.cos(into) - math.cos(out_of))
    return wrap(round(math.degrees(phi), 9) + 180.0)


def vectors_of(pair: str) -> tuple[Vector, Vector]:
    """Return the two currents of a winding pair such as `U-V`: with it, and reversed.

    Raises
    ------
    ValueError
        There is no such pair.
    """
    first, _, second = pair.partition("-")
    if (first, second) not in VECTORS:
        raise ValueError(f"a winding pair is two of U, V, W as in U-V, got {pair!r}")
    return (first, second), (second, first)


def band_deg_el(friction_share: float) -> float:
    """Half width of the band of rest positions that friction makes [deg_el].

    Parameters
    ----------
    friction_share
        Friction torque over the peak torque of the current, from 0 to below 1.

    Notes
    -----
    The rotor stays where T_max |sin(theta - theta_0)| <= T_f, so the half width is asin(T_f / T_max).

    Raises
    ------
    ValueError
        Friction as strong as the current, which then holds nothing.
    """
    if not 0 <= friction_share < 1:
        raise ValueError(f"friction_share must be from 0 to below 1, got {friction_share:g}")
    return math.degrees(math.asin(friction_share))


def side_of_edge(vector: Vector, pair: str, *, high: bool, polarity: int = 1) -> int:
    """Say from a sensor's level at one rest on which side of nothing its offset lies: +1, -1, or 0 where it cannot tell.

    Parameters
    ----------
    vector, pair
        The current, and the winding pair that the sensor belongs to; a current in another pair tells nothing.
    high
        Whether the sensor is high at rest.
    polarity
        +1 where high follows the EMF going clockwise, -1 where low does.

    Notes
    -----
    High is sin(theta - b - d) > 0. At b + 180 deg (current with the pair) that is sin(d) > 0, at b (reversed) sin(d) < 0.
    Friction makes this true of offsets beyond the band of rest positions only.
    """
    along, against = vectors_of(pair)
    if vector not in (along, against):
        return 0
    return (1 if high else -1) * (1 if vector == along else -1) * polarity
