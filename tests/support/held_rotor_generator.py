"""Motors held by winding currents, with exactly known truth: what the figures of the held rotor stand on.

Nothing here comes from the estimator. The EMF of each phase is a sum of harmonics with its own gain and shift, and the
torque of a current in a winding pair has the shape of that pair's EMF. Friction is Coulomb's; cogging has an order that
repeats six times a cycle and smaller ones that do not. A rotor comes to rest either led there slowly, so that it stops at
the near end of its band, or swinging about it, anywhere within.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TERMINALS = ("U", "V", "W")
LAG_DEG = {"U": 0.0, "V": 120.0, "W": 240.0}
SENSOR_PAIR = {"H1": ("U", "V"), "H2": ("V", "W"), "H3": ("W", "U")}
PAIR_RISE_DEG = {("U", "V"): -30.0, ("V", "W"): 90.0, ("W", "U"): 210.0}
RESTS_CLOCKWISE = (
    (("V", "U"), -30),
    (("W", "U"), 30),
    (("W", "V"), 90),
    (("U", "V"), 150),
    (("U", "W"), 210),
    (("V", "W"), 270),
)


@dataclass(frozen=True)
class HeldMotor:
    """A motor: gain and shift [deg_el] by terminal, harmonics as {order: share}, friction and cogging as shares of the
    peak torque of the current, cogging as (electrical order, share, phase [rad]); sensors by offset, hysteresis and errors
    of each pole's (rise, fall), shape (P, 2) [deg_el]."""

    pole_pairs: int
    counts_per_rev: int
    clockwise: int
    gain: Mapping[str, float]
    shift_deg: Mapping[str, float]
    harmonics: Mapping[int, float]
    friction: float
    cogging: tuple[tuple[float, float, float], ...]
    offset_deg: Mapping[str, float]
    hysteresis_deg: Mapping[str, float]
    errors_deg: Mapping[str, Floats]
    start_counts: float

    def phase(self, terminal: str, theta_deg: Floats) -> Floats:
        x = np.radians(theta_deg - LAG_DEG[terminal] - self.shift_deg[terminal])
        shape = np.sin(x) + sum(share * np.sin(order * x) for order, share in self.harmonics.items())
        return np.asarray(self.gain[terminal] * shape, dtype=np.float64)

    def torque(self, into: str, out_of: str, theta_deg: Floats) -> Floats:
        """Torque of a unit current and of cogging; the peak of the current's own is about 1."""
        drive = (self.phase(into, theta_deg) - self.phase(out_of, theta_deg)) / np.sqrt(3)
        for order, share, phase in self.cogging:
            drive = drive + share * np.sin(order * np.radians(theta_deg) + phase)
        return np.asarray(drive, dtype=np.float64)

    def zero_deg(self, pair: tuple[str, str]) -> float:
        """Mean of the rising zero of the pair's EMF and of the falling one, less 180 [deg_el]."""
        roots = []
        for guess in (PAIR_RISE_DEG[pair], PAIR_RISE_DEG[pair] + 180.0):
            grid = guess + np.linspace(-20, 20, 4001)
            wave = self.phase(pair[0], grid) - self.phase(pair[1], grid)
            k = int(np.flatnonzero(np.diff(np.sign(wave)) != 0)[0])
            roots.append(grid[k] + (grid[k + 1] - grid[k]) * wave[k] / (wave[k] - wave[k + 1]))
        return float((roots[0] + roots[1] - 180.0) / 2)

    def counts(self, theta_deg: Floats) -> Floats:
        """What the counter shows at a rotor angle, not wrapped."""
        turns = theta_deg / 360.0 / self.pole_pairs
        return np.floor(self.start_counts + self.clockwise * turns * self.counts_per_rev)

    def edges(self, sensor: str) -> list[tuple[bool, int, float]]:
        """Changes of a sensor over one turn there and back: to high, direction, counts."""
        found = []
        place = self.zero_deg(SENSOR_PAIR[sensor]) + self.offset_deg[sensor]
        for direction in (1, -1):
            for pole in range(self.pole_pairs):
                for kind in (0, 1):
                    theta = place + 180.0 * kind + 360.0 * pole + self.errors_deg[sensor][pole, kind]
                    theta += direction * self.hysteresis_deg[sensor]
                    found.append(((kind == 0) == (direction > 0), direction, float(self.counts(np.array([theta]))[0])))
        return found


def draw_motor(seed: int, *, friction: float | None = None, pole_pairs: int | None = None) -> HeldMotor:
    """Draw a motor: friction 0.5 to 4 % of the torque, cogging up to friction, phases unequal by 1 % and 0.2 deg_el."""
    rng = np.random.default_rng([11, seed])
    p = pole_pairs or int(rng.integers(2, 6))
    rub = friction if friction is not None else float(rng.uniform(0.005, 0.04))
    strength = float(rng.uniform(0, 1)) * rub
    # Six times a cycle by magnets and slots; by slots that differ, an even order; by magnets that differ, a broken one.
    cogging = (
        (6.0, 0.8 * strength, float(rng.uniform(0, 2 * np.pi))),
        (2.0, 0.1 * strength, float(rng.uniform(0, 2 * np.pi))),
        (3.0 / p, 0.1 * strength, float(rng.uniform(0, 2 * np.pi))),
    )
    errors = {s: rng.standard_normal((p, 2)) + np.array([0.0, rng.uniform(-2, 2)]) for s in SENSOR_PAIR}
    return HeldMotor(
        pole_pairs=p,
        counts_per_rev=4 * int(rng.choice([1000, 1024, 2048, 2500])),
        clockwise=int(rng.choice([-1, 1])),
        gain={k: float(1 + 0.01 * rng.standard_normal()) for k in TERMINALS},
        shift_deg={k: float(0.2 * rng.standard_normal()) for k in TERMINALS},
        harmonics={5: float(rng.uniform(-0.03, 0.03)), 7: float(rng.uniform(-0.02, 0.02))},
        friction=rub,
        cogging=cogging,
        offset_deg={s: float(rng.uniform(-15, 15)) for s in SENSOR_PAIR},
        hysteresis_deg={s: float(rng.uniform(1, 4)) for s in SENSOR_PAIR},
        errors_deg={s: e - e.mean() for s, e in errors.items()},
        start_counts=float(rng.uniform(0, 50_000)),
    )


def rests(
    motor: HeldMotor, seed: int, *, swinging: bool, poles: int | None = None, sides: tuple[int, ...] = (1, -1)
) -> list[tuple[tuple[str, str], int, float]]:
    """Rests of all six currents: vector, approach, counts; led slowly, or swinging to rest from 60 deg_el away."""
    rng = np.random.default_rng([12, seed])
    places = [
        (v, at + 360.0 * k, side)
        for side in sides
        for k in range(poles or motor.pole_pairs)
        for v, at in RESTS_CLOCKWISE
    ]
    settle = _swung if swinging else _led
    theta = np.empty(len(places))
    for vector, _ in RESTS_CLOCKWISE:
        own = [i for i, (v, _, _) in enumerate(places) if v == vector]
        start = np.array([places[i][1] - 60.0 * places[i][2] for i in own])
        theta[own] = settle(motor, vector, start, np.array([places[i][2] for i in own]), rng)
    return [(v, side, float(c)) for (v, _, side), c in zip(places, motor.counts(theta), strict=True)]


def _led(motor: HeldMotor, vector: tuple[str, str], start: Floats, side: Floats, rng: np.random.Generator) -> Floats:
    """First place on the way where the torque no longer overcomes friction."""
    steps = np.arange(0.0, 80.0, 0.02)
    path = start[:, None] + side[:, None] * steps
    held = side[:, None] * motor.torque(*vector, path) <= motor.friction
    return np.asarray(path[np.arange(start.size), held.argmax(axis=1)] + rng.uniform(-0.01, 0.01, start.size))


def _swung(motor: HeldMotor, vector: tuple[str, str], start: Floats, side: Floats, rng: np.random.Generator) -> Floats:
    """Let go and swing: inertia, some damping, Coulomb friction, until all stand."""
    theta, speed = np.radians(start + 5.0 * rng.standard_normal(start.size)), np.zeros(start.size)
    damping, dt = float(rng.uniform(0.1, 0.6)), 0.1
    for _ in range(3000):
        torque = motor.torque(*vector, np.degrees(theta))
        stuck = (speed == 0) & (np.abs(torque) <= motor.friction)
        if stuck.all():
            return np.degrees(theta)
        way = np.where(speed != 0, np.sign(speed), np.sign(torque))
        after = speed + dt * (torque - motor.friction * way - damping * speed)
        # Coulomb friction stops a swing and never starts one.
        speed = np.where(stuck | (after * way < 0), 0.0, after)
        theta = theta + dt * speed
    raise AssertionError("the rotor did not come to rest")
