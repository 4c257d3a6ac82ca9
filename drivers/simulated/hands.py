"""Simulated hands: turning the shaft unevenly, turning the loosened body with overshoot and tremble, slip on locking."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SHAFT_DEG_PER_S = 240.0
"""About 40 rpm, an easy turn of the wrist (common practice, no source)."""
PROFILE_POINTS = 400
BODY_S = 0.6
OVERSHOOT_SHARE = 0.03
TREMBLE_DEG_MECH = 0.04
STICTION_DEG_MECH = 0.02
SLIP_DEG_MECH = 0.05


@dataclass(frozen=True, slots=True)
class Motion:
    """A motion of a hand: it goes from `start` by `amount` [rad] between two bench times, along `profile` (0 to 1)."""

    start_s: float
    end_s: float
    start: float
    amount: float
    profile: NDArray[np.float64]

    def place(self, now_s: float) -> float:
        """Return the angle at a time [rad]."""
        share = (now_s - self.start_s) / (self.end_s - self.start_s)
        along = np.interp(share, np.linspace(0, 1, self.profile.size), self.profile)
        return self.start + self.amount * float(along)

    def speed(self, now_s: float) -> float:
        """Return the speed at a time [rad/s], 0 outside of the motion."""
        if not self.start_s < now_s < self.end_s:
            return 0.0
        step = (self.end_s - self.start_s) / self.profile.size
        return (self.place(min(now_s + step / 2, self.end_s)) - self.place(max(now_s - step / 2, self.start_s))) / step


def _profile(unevenness: float, seconds: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return a rise from 0 to 1: soft at both ends, uneven in between, never going back."""
    share = np.linspace(0, 1, PROFILE_POINTS)
    soft = np.clip(np.minimum(share, 1 - share) / 0.12, 0, 1)
    wave = np.zeros(PROFILE_POINTS)
    for hertz, weight in ((1.1, 0.6), (2.7, 0.3), (6.5, 0.1)):
        wave += weight * np.sin(2 * math.pi * (hertz * seconds * share + rng.uniform()))
    speed = soft * (1 + unevenness * wave)
    profile: NDArray[np.float64] = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2)])
    profile /= profile[-1]
    return profile


def shaft_motion(now_s: float, theta: float, degrees: float, rng: np.random.Generator) -> Motion:
    """Return the motion of a hand that turns the shaft by `degrees` (clockwise positive) at about 40 rpm."""
    seconds = abs(degrees) / SHAFT_DEG_PER_S + 0.3
    return Motion(now_s, now_s + seconds, theta, math.radians(degrees), _profile(0.35, seconds, rng))


def body_motion(now_s: float, body: float, degrees: float, rng: np.random.Generator) -> Motion:
    """Return the motion of a hand that wants to turn the loosened body by `degrees`.

    It overshoots or falls short by some percent, trembles, and does not move what sticks for less than
    `STICTION_DEG_MECH`.
    """
    turned = degrees * (1 + rng.normal(0, OVERSHOOT_SHARE)) + rng.normal(0, TREMBLE_DEG_MECH)
    if abs(turned) < STICTION_DEG_MECH:
        turned = 0.0
    return Motion(now_s, now_s + BODY_S, body, math.radians(turned), _profile(0.5, BODY_S, rng))


def slip_on_locking(rng: np.random.Generator) -> float:
    """Return how far the body moves when the screws are tightened [rad]."""
    return math.radians(rng.normal(0, SLIP_DEG_MECH))
