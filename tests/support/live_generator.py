"""Edges of a slowly turning motor whose unit is turned by hand, with exactly known truth.

Nothing here comes from the estimator. The shaft turns with ripple and drift; each sensor, kind and pole has an error of its
own; the unit stands where a given function of time puts it. Every edge is found by solving for the instant at which the
rotor passes it. The phase of the EMF is read with noise, and some edges are false.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Motion = Callable[[Floats], Floats]
"""Where the unit's body stands over time [deg_el]; positive clockwise."""

SENSORS = ("H1", "H2", "H3")
PLACE_DEG = {"H1": 0.0, "H2": 120.0, "H3": 240.0}
"""Rises, going clockwise, from the rising zero of the EMF of U-V."""


@dataclass(frozen=True)
class LiveMotor:
    """A motor, its sensors and how it is read: offsets, hysteresis [deg_el], delay [s], errors of each edge, shape
    (3, 2, P) [deg_el]; noise of the phase [deg_el], share of false edges and how far these lie off [deg_el]."""

    pole_pairs: int
    rpm: float
    direction: int
    offset_deg: dict[str, float]
    hysteresis_deg: dict[str, float]
    delay_s: dict[str, float]
    errors_deg: Floats
    ripple: tuple[tuple[int, float, float], ...] = ()
    start_rad: float = 0.0
    noise_deg: float = 0.1
    false_share: float = 0.02
    false_deg: float = 20.0
    names: tuple[str, ...] = field(default=SENSORS)

    @property
    def f_e_hz(self) -> float:
        return self.rpm / 60 * self.pole_pairs

    @property
    def mean_deg(self) -> float:
        """Mean of the three offsets with the unit at 0 [deg_el]."""
        return float(np.mean(list(self.offset_deg.values())))

    def angle_deg(self, t_s: Floats) -> Floats:
        """Rotor angle from the rising zero of U-V, clockwise [deg_el]."""
        u = self.start_rad + 2 * np.pi * self.rpm / 60 * t_s
        wavy = u + sum(share / order * np.sin(order * u + phase) for order, share, phase in self.ripple)
        return np.asarray(self.direction * self.pole_pairs * np.degrees(wavy), dtype=np.float64)


@dataclass(frozen=True)
class SeenEdge:
    time_s: float
    sensor: str
    cw_rise: bool
    at_deg: float
    f_e_hz: float


def draw_live(seed: int, rpm: float, *, pole_pairs: int = 4, direction: int | None = None) -> LiveMotor:
    """Draw a motor: offsets to 10 deg_el, 1 deg_el from pole to pole, ripple of 0.2 to 3 % in three orders."""
    rng = np.random.default_rng([21, seed])
    common = float(rng.uniform(-8, 8))
    errors = rng.standard_normal((3, 2, pole_pairs)) + np.array([0.0, rng.uniform(-2, 2)])[None, :, None]
    orders = rng.choice(np.arange(1, 3 * pole_pairs + 1), 3, replace=False)
    return LiveMotor(
        pole_pairs=pole_pairs,
        rpm=rpm,
        direction=direction or int(rng.choice([-1, 1])),
        offset_deg={s: common + float(rng.uniform(-2, 2)) for s in SENSORS},
        hysteresis_deg={s: float(rng.uniform(1, 4)) for s in SENSORS},
        delay_s={s: float(rng.uniform(1e-6, 60e-6)) for s in SENSORS},
        errors_deg=errors - errors.mean(axis=(1, 2), keepdims=True),
        ripple=tuple((int(m), float(rng.uniform(0.002, 0.03)), float(rng.uniform(0, 2 * np.pi))) for m in orders),
        start_rad=float(rng.uniform(0, 2 * np.pi)),
    )


def clamped(_: Floats) -> Floats:
    """The unit does not move."""
    return np.zeros_like(_)


def edges_between(motor: LiveMotor, seed: int, begin_s: float, end_s: float, unit: Motion = clamped) -> list[SeenEdge]:
    """All edges of a stretch of time, in order; their count of cycles is one for the whole life of the motor."""
    rng = np.random.default_rng([22, seed, round(1e3 * begin_s)])
    sense, p = motor.direction, motor.pole_pairs
    span = np.sort(motor.angle_deg(np.array([begin_s, end_s])))
    found = []
    for i, sensor in enumerate(motor.names):
        for kind in (0, 1):
            fixed = PLACE_DEG[sensor] + motor.offset_deg[sensor] + 180.0 * kind + sense * motor.hysteresis_deg[sensor]
            cycles = np.arange(np.floor((span[0] - fixed) / 360) - 2, np.ceil((span[1] - fixed) / 360) + 3)
            place = fixed + 360.0 * cycles + motor.errors_deg[i, kind, cycles.astype(int) % p]
            for t in _instants(motor, place, unit, begin_s, end_s) + motor.delay_s[sensor]:
                at = float(motor.angle_deg(np.array([t]))[0]) - 180.0 * kind - PLACE_DEG[sensor]
                at += motor.noise_deg * float(rng.standard_normal())
                if rng.uniform() < motor.false_share:
                    at += motor.false_deg * float(rng.choice([-1, 1]))
                found.append(SeenEdge(float(t), sensor, kind == 0, at, motor.f_e_hz))
    return sorted(found, key=lambda e: e.time_s)


def _instants(motor: LiveMotor, place: Floats, unit: Motion, begin_s: float, end_s: float) -> Floats:
    """Instants at which the rotor passes places that move with the unit; the rotor is always the faster."""
    low, high = np.full(place.size, begin_s - 0.5), np.full(place.size, end_s + 0.5)
    for _ in range(50):
        middle = (low + high) / 2
        before = motor.direction * (motor.angle_deg(middle) - place - unit(middle)) < 0
        low, high = np.where(before, middle, low), np.where(before, high, middle)
    t = (low + high) / 2
    return t[(t >= begin_s) & (t < end_s)]
