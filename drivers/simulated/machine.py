"""The permanent-magnet machine under test as a source of EMF.

With flux linkage lambda and electrical speed w_el (signed), e_u = w_el lambda s(theta), e_v = w_el lambda
s(theta - 120 deg), e_w = w_el lambda s(theta + 120 deg), where s is the sine plus harmonics. A reading of pair U-V is
e_u - e_v of whatever phases the terminals lead to.
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.truth import LEADS, PAIRS, Harmonic, MotorState

TURN_POINTS = 1 << 16
OPEN_PHASE_SHARE = 0.01
"""What a pair with an open phase still shows, by capacitance (share of its EMF)."""
SHORT_DAMPING_SHARE = 0.4
"""Damping of shorted turns as a share of that of a dead short of the same turns; the rest is leakage inductance."""
LEG = {"U": 0.0, "V": -2 * math.pi / 3, "W": 2 * math.pi / 3}


def phase_shape(angle: NDArray[np.float64], harmonics: Sequence[Harmonic]) -> NDArray[np.float64]:
    """Return the phase EMF per unit of w_el lambda at electrical angles [rad], any shape."""
    shape: NDArray[np.float64] = np.sin(angle)
    for harmonic in harmonics:
        shape = shape + harmonic.share * np.sin(harmonic.order * angle + math.radians(harmonic.psi_deg))
    return shape


def pair_tables(motor: MotorState) -> dict[str, NDArray[np.float32]]:
    """Return for each pair its EMF per mechanical speed [V s/rad] over one turn, shape (TURN_POINTS,)."""
    make = motor.make
    theta: NDArray[np.float64] = np.linspace(0, 2 * math.pi * make.pole_pairs, TURN_POINTS, endpoint=False)
    gain = make.flux_linkage_v_s * make.pole_pairs
    shares = dict(zip(LEADS, motor.shares, strict=True))
    shares["U"] *= 1 - motor.shorted_share
    phases = {p: gain * shares[p] * phase_shape(theta + LEG[p], make.harmonics) for p in LEADS}
    leads = dict(zip(LEADS, motor.leads, strict=True))
    tables: dict[str, NDArray[np.float32]] = {}
    for pair in PAIRS:
        plus, minus = (leads[terminal] for terminal in pair.split("-"))
        dead = motor.open_phase in (plus, minus)
        tables[pair] = ((OPEN_PHASE_SHARE if dead else 1.0) * (phases[plus] - phases[minus])).astype(np.float32)
    return tables


def pair_emf(table: NDArray[np.float32], theta: NDArray[np.float64], w: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return the EMF [V] at shaft angles [rad] and speeds [rad/s], shape (n,)."""
    index = (theta * (TURN_POINTS / (2 * math.pi))).astype(np.int64) & (TURN_POINTS - 1)
    emf: NDArray[np.float32] = table[index] * w.astype(np.float32)
    return emf


def short_damping_nm_s(motor: MotorState) -> float:
    """Return the drag of shorted turns [N m s]: the EMF of the turns squared over their resistance.

    The turns hold a share f of a phase, so EMF f e and resistance f R; power = f e^2 / R, mean of sin^2 = 1/2.
    """
    make = motor.make
    peak_v_s = make.flux_linkage_v_s * make.pole_pairs
    return SHORT_DAMPING_SHARE * motor.shorted_share * peak_v_s**2 / 2 / (make.line_resistance_ohm / 2)
