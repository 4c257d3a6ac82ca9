"""The turning part: spin motor, coupling, motor under test, brake, friction, and the hand that turns the shaft.

The spin motor is a permanent-magnet DC machine, V = R i + k w and torque = k i (SI units, so both constants are one
number). It faces the motor, so its own clockwise is the motor's counter-clockwise; the bench is wired so that its plain
polarity turns the motor clockwise as seen from the motor's drive end.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

COGGING_POINTS = 4096


@dataclass(frozen=True, slots=True)
class SpinMotor:
    """The bench's DC motor: constant k [V s/rad], armature resistance, inertia, friction, ripple torque by order."""

    constant_v_s: float = 0.25
    resistance_ohm: float = 0.6
    inertia_kg_m2: float = 3e-4
    friction_nm: float = 0.02
    drag_nm_s: float = 5e-5
    cogging: tuple[tuple[int, float], ...] = ((1, 0.004), (2, 0.003), (12, 0.008))


def ripple_table(orders: Sequence[tuple[int, float]], rng: np.random.Generator) -> NDArray[np.float64]:
    """Return ripple torque [N m] over one turn, shape (COGGING_POINTS,), each order at a random phase."""
    angle = np.arange(COGGING_POINTS) * (2 * math.pi / COGGING_POINTS)
    table = np.zeros(COGGING_POINTS)
    for order, torque_nm in orders:
        table += torque_nm * np.sin(order * angle + rng.uniform(0, 2 * math.pi))
    return table


@dataclass(slots=True)
class History:
    """Knots of a motion: time [s], shaft angle [rad] and speed [rad/s]; and, with times of its own, the body's angle [rad].

    The shaft moves along a cubic between its knots, the body of the feedback unit along a straight line.
    """

    t_s: list[float] = field(default_factory=list)
    theta: list[float] = field(default_factory=list)
    w: list[float] = field(default_factory=list)
    body_t_s: list[float] = field(default_factory=list)
    body: list[float] = field(default_factory=list)

    def add(self, t_s: float, theta: float, w: float) -> None:
        """Append one knot of the shaft."""
        self.t_s.append(t_s)
        self.theta.append(theta)
        self.w.append(w)

    def add_body(self, t_s: float, body: float) -> None:
        """Append one knot of the body."""
        self.body_t_s.append(t_s)
        self.body.append(body)


@dataclass(slots=True)
class Drive:
    """What acts on the shaft from outside, constant over one piece of motion.

    `sense` is +1 or -1 with the spin motor connected and 0 without; `volts`, `limit_a` are the supply's; `friction_nm`
    is all dry friction with brake and drag; `damping_nm_s` all viscous drag; `hand_w` is the speed that a hand forces
    on the shaft, None without a hand.
    """

    sense: int = 0
    volts: float = 0.0
    limit_a: float = 0.0
    friction_nm: float = 0.04
    damping_nm_s: float = 1e-4
    inertia_kg_m2: float = 7e-4
    hand_w: float | None = None


class Shaft:
    """State of the shaft: angle [rad, clockwise positive, not wrapped], speed [rad/s], spin motor current [A]."""

    def __init__(self, spin: SpinMotor, ripple_nm: NDArray[np.float64], theta: float = 0.0) -> None:
        self.spin = spin
        self.ripple: list[float] = ripple_nm.tolist()
        self.theta = theta
        self.w = 0.0
        self.current_a = 0.0

    @property
    def rpm(self) -> float:
        """Speed, clockwise positive."""
        return self.w * 30 / math.pi

    def current_at(self, drive: Drive, w: float) -> float:
        """Return the current that the supply drives at speed w; it can limit, and it cannot sink."""
        if not drive.sense:
            return 0.0
        free = (drive.volts - drive.sense * self.spin.constant_v_s * w) / self.spin.resistance_ohm
        return min(max(free, 0.0), drive.limit_a)

    def at_rest_under(self, drive: Drive) -> bool:
        """Tell whether the shaft stands and nothing in `drive` would start it."""
        if self.w or drive.hand_w:
            return False
        index = int(self.theta * (COGGING_POINTS / (2 * math.pi))) & (COGGING_POINTS - 1)
        torque = drive.sense * self.spin.constant_v_s * self.current_at(drive, 0.0) + self.ripple[index]
        return abs(torque) <= drive.friction_nm

    def stand(self, drive: Drive) -> None:
        """Take the current of a standing shaft."""
        self.current_a = self.current_at(drive, 0.0)

    def run(self, t_s: float, duration_s: float, step_s: float, drive: Drive, history: History | None) -> None:
        """Integrate over `duration_s` from `t_s` in steps of at most `step_s`; add knots to `history` if given.

        Semi-implicit: what damps (back-EMF through the armature, drag, friction) is taken at the end of a step, so
        the coarse step outside of captures stays stable.
        """
        steps = max(1, math.ceil(duration_s / step_s - 1e-9))
        h = duration_s / steps
        if drive.hand_w is not None:
            self._run_by_hand(t_s, h, steps, drive.hand_w, history)
            return
        a = h / drive.inertia_kg_m2
        k, ohm, sense = self.spin.constant_v_s, self.spin.resistance_ohm, drive.sense
        linear = 1 + a * (drive.damping_nm_s + (k * k / ohm if sense else 0.0))
        damped = 1 + a * drive.damping_nm_s
        push = sense * k * drive.volts / ohm
        dry, limit_a, volts = drive.friction_nm, drive.limit_a, drive.volts
        scale, mask, ripple = COGGING_POINTS / (2 * math.pi), COGGING_POINTS - 1, self.ripple
        theta, w, current = self.theta, self.w, self.current_a
        for i in range(1, steps + 1):
            torque = ripple[int(theta * scale) & mask]
            divisor = linear
            new = (w + a * (torque + push)) / linear
            if sense:
                current = (volts - sense * k * new) / ohm
                if current < 0.0 or current > limit_a:
                    current = 0.0 if current < 0.0 else limit_a
                    divisor = damped
                    new = (w + a * (torque + sense * k * current)) / damped
            brake = a * dry / divisor
            new = new - brake if new > brake else new + brake if new < -brake else 0.0
            theta += 0.5 * h * (w + new)
            w = new
            if history is not None:
                history.add(t_s + i * h, theta, w)
        self.theta, self.w = theta, w
        self.current_a = self.current_at(drive, w)

    def _run_by_hand(self, t_s: float, h: float, steps: int, w: float, history: History | None) -> None:
        start = self.w
        for i in range(1, steps + 1):
            before = self.w
            self.w = start + (w - start) * i / steps
            self.theta += 0.5 * h * (before + self.w)
            if history is not None:
                history.add(t_s + i * h, self.theta, self.w)
        self.current_a = 0.0
