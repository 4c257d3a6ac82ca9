"""Small captures of an EMF and three sensors, worked out from the rotor angle alone; no part of the analysis is used.

theta rises with clockwise rotation. The EMF of a pair is its speed times sin(theta - b) and harmonics of that, so it
changes sign with the direction; a sensor sees position only, and is high for 0 < theta - a < 180 (duty one half).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Rising zeros going clockwise: e_u ~ sin(theta), so U-V leads it by 30 degrees (star relation, any textbook).
ZERO_OF = {"U-V": -30.0, "V-W": 90.0, "W-U": 210.0, "U": 0.0}
RISE_OF = {"H1": -30.0, "H2": 90.0, "H3": 210.0}


@dataclass(frozen=True)
class Unit:
    """A motor with its feedback unit; turns of body and hub are clockwise seen from the drive end [deg_mech]."""

    pole_pairs: int = 4
    body_deg_mech: float = 0.0
    hub_deg_mech: float = 0.0
    hysteresis_deg: float = 0.0
    delay_s: float = 0.0
    duty: float = 0.5
    inverted: tuple[str, ...] = ()
    placed_deg: Mapping[str, float] = field(default_factory=dict)
    harmonics: Mapping[int, tuple[float, float]] = field(default_factory=dict)


@dataclass(frozen=True)
class Look:
    """How the shaft turns and how the scope looks; `ripple` is (order per turn, share of speed, angle [rad])."""

    direction: int = 1
    rpm: float = 307.0
    cycles: float = 21.3
    pair: str = "U-V"
    interval_s: float = 1e-5
    start_deg_mech: float = 37.0
    ripple: tuple[tuple[int, float, float], ...] = ()
    amplitude_v: float = 8.0
    noise_v: float = 0.0
    bits: int | None = None
    span_v: float = 24.0
    seed: int = 1


@dataclass(frozen=True)
class Capture:
    """Samples [V] and what was looked at; `true_deg` is wrap(a - b) of each sensor, its hysteresis and delay included."""

    emf_v: Floats
    sensors_v: Mapping[str, Floats]
    unit: Unit
    look: Look
    true_deg: Mapping[str, float]


def capture(unit: Unit, look: Look) -> Capture:
    """Draw one capture."""
    noise = np.random.default_rng(look.seed)
    f_e_hz = look.rpm / 60 * unit.pole_pairs
    time_s = np.arange(round(look.cycles / f_e_hz / look.interval_s)) * look.interval_s
    theta, pace = _turned(unit, look, time_s)
    phi = theta - np.radians(ZERO_OF[look.pair])
    wave = np.sin(phi) + sum(a * np.sin(k * phi + np.radians(psi)) for k, (a, psi) in unit.harmonics.items())
    emf_v = look.direction * look.amplitude_v * pace * wave + look.noise_v * noise.standard_normal(time_s.size)
    late, _ = _turned(unit, look, time_s - unit.delay_s)
    rises = {s: _rise_deg(unit, s) for s in RISE_OF}
    # Three samples from low to high, so that the middle is met exactly at the edge.
    steep = 1 / (2 * np.pi * f_e_hz * 3 * look.interval_s)
    sensors_v = {}
    for name, rise in rises.items():
        x = late - np.radians(rise + look.direction * unit.hysteresis_deg)
        high = np.clip(0.5 + steep * (np.sin(x) - np.cos(np.pi * unit.duty)), 0, 1)
        sensors_v[name] = 5.0 * (1 - high if name in unit.inverted else high)
    own = look.direction * (unit.hysteresis_deg + 360 * f_e_hz * unit.delay_s)
    true = {s: near(rise + own + 180 * (s in unit.inverted) - ZERO_OF[look.pair]) for s, rise in rises.items()}
    return Capture(quantised(emf_v, look), sensors_v, unit, look, true)


def quantised(volts: Floats, look: Look) -> Floats:
    """Round and limit a signal as the converter does."""
    if look.bits is None:
        return volts
    step = look.span_v / 2**look.bits
    return np.clip(np.rint(volts / step), -(2 ** (look.bits - 1)), 2 ** (look.bits - 1) - 1) * step


def near(angle: float) -> float:
    """Return the same angle from -180 to 180 [deg]."""
    return float(np.degrees(np.angle(np.exp(1j * np.radians(angle)))))


def _rise_deg(unit: Unit, sensor: str) -> float:
    moved = unit.pole_pairs * (unit.body_deg_mech - unit.hub_deg_mech)
    return RISE_OF[sensor] + moved + unit.placed_deg.get(sensor, 0.0)


def _turned(unit: Unit, look: Look, time_s: Floats) -> tuple[Floats, Floats]:
    """Electrical angle [rad] and speed over its mean."""
    even = 2 * np.pi * look.rpm / 60 * time_s
    turned = even + sum(eps / m * np.sin(m * even + g) for m, eps, g in look.ripple)
    pace = 1 + sum(eps * np.cos(m * even + g) for m, eps, g in look.ripple)
    theta = unit.pole_pairs * (np.radians(look.start_deg_mech) + look.direction * turned)
    return np.asarray(theta), np.asarray(pace * np.ones(time_s.size))
