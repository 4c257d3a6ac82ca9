"""The codes that three commutation sensors make: which are legal, in what order they came, and what that says.

A code is written H1 H2 H3, such as `101`. Which six are legal, and their order going clockwise, follows from the angles
at which the sensors should rise, so a device of 60-degree spacing or with an inverted sensor needs no case of its own.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from analysis.pairings import SENSORS

AGREEING_PART = 0.8
"""Share of the steps that must go one way before a sense is named."""


class EdgeTrain(Protocol):
    """Edges of one signal: times [s], rising or not, both of shape (n,)."""

    @property
    def times_s(self) -> NDArray[np.float64]:
        """Times of the edges [s]."""

    @property
    def rising(self) -> NDArray[np.bool_]:
        """True where the level goes from low to high."""


@dataclass(frozen=True, slots=True)
class States:
    """What three sensors went through in one capture.

    Parameters
    ----------
    order
        The codes one after another as they came.
    illegal
        How often a code came that the device cannot show.
    forward, backward, skipped
        Steps to the next code clockwise, to the one before it, and to any other legal one.
    sense
        +1 where nearly all steps are clockwise ones, -1 counter-clockwise, 0 where neither.
    reason
        Why there is no order; empty if there is one.
    """

    order: tuple[str, ...]
    illegal: int
    forward: int
    backward: int
    skipped: int
    sense: int
    reason: str = ""


def codes_clockwise(rise_deg_el: Mapping[str, float]) -> tuple[str, ...]:
    """Return the six codes in their order going clockwise, starting in the sector that begins at the first edge.

    Parameters
    ----------
    rise_deg_el
        By sensor: angle at which it rises going clockwise; it falls 180 degrees later.

    Notes
    -----
    H_k = 1 where sin(theta - a_k) > 0. With a = 0, 120, 240: 101 100 110 010 011 001; with a = 0, 60, 120: 100 110 111
    011 001 000.
    """
    edges = np.unique(np.round([(rise_deg_el[s] + half) % 360 for s in SENSORS for half in (0.0, 180.0)], 6) % 360)
    middles = edges + np.diff(edges, append=edges[0] + 360) / 2
    high = {s: (middles - rise_deg_el[s]) % 360 < 180 for s in SENSORS}
    return tuple("".join("1" if high[s][i] else "0" for s in SENSORS) for i in range(middles.size))


def states_of(edges: Mapping[str, EdgeTrain], clockwise: tuple[str, ...]) -> States:
    """Follow the codes of three sensors through a capture.

    Parameters
    ----------
    edges
        By sensor.
    clockwise
        The legal codes in their order going clockwise, see `codes_clockwise`.
    """
    silent = [s for s in SENSORS if edges[s].times_s.size == 0]
    if silent:
        return States((), 0, 0, 0, 0, 0, f"no edge of {', '.join(silent)}")
    codes = _codes(edges)
    places = np.array([clockwise.index(c) if c in clockwise else -1 for c in codes])
    legal = places[places >= 0]
    steps = np.diff(legal) % len(clockwise)
    forward, backward = int(np.sum(steps == 1)), int(np.sum(steps == len(clockwise) - 1))
    skipped = int(np.sum(steps != 0)) - forward - backward
    return States(tuple(codes), int(np.sum(places < 0)), forward, backward, skipped, _sense(forward, backward, skipped))


def _codes(edges: Mapping[str, EdgeTrain]) -> list[str]:
    times = np.concatenate([edges[s].times_s for s in SENSORS])
    order = np.argsort(times, kind="stable")
    owner = np.concatenate([np.full(edges[s].times_s.size, i) for i, s in enumerate(SENSORS)])[order]
    rising = np.concatenate([edges[s].rising for s in SENSORS])[order]
    levels = np.empty((times.size + 1, len(SENSORS)), dtype=bool)
    for i, s in enumerate(SENSORS):
        # The level before a sensor's first edge is the opposite of what that edge brings.
        last = np.maximum.accumulate(np.where(owner == i, np.arange(times.size), -1))
        levels[0, i] = not edges[s].rising[0]
        levels[1:, i] = np.where(last >= 0, rising[np.maximum(last, 0)], levels[0, i])
    return ["".join("1" if high else "0" for high in row) for row in levels]


def _sense(forward: int, backward: int, skipped: int) -> int:
    together = forward + backward + skipped
    if together == 0 or max(forward, backward) < AGREEING_PART * together:
        return 0
    return 1 if forward > backward else -1
