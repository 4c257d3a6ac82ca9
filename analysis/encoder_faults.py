"""Where an encoder loses pulses or shows false ones, and whether that is the disc or the electronics.

A pulse is lost or false where the time from one rising edge to the next is far from what its neighbours say. The same
place in several turns means the disc, once in several turns something electrical.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.pulse_trains import PulseTrain

Floats = NDArray[np.float64]

LOST_RATIO, FALSE_RATIO = 1.5, 0.6
NEIGHBOURS = 65
LEAST_PERIODS = 5
LONGEST_PERIODS, SHORTEST_PERIODS = 2.0, 0.5
SAME_PLACE_LINES = 2.0
INDEX_PART = 0.25


@dataclass(frozen=True, slots=True)
class Anomaly:
    """One place at which pulses of a channel are lost, or one is false.

    Parameters
    ----------
    channel
        `A`, `B`, or `Z` for an index pulse.
    what
        `lost`, `false`, or `narrow`: there, but so narrow that the count steps back.
    pulses
        How many.
    turn
        Counted from the first index pulse as the shaft turned; negative before it.
    place
        Part of a turn from the index, clockwise seen facing the drive end where the direction is known.
    repeats
        True where it comes at this place again (disc), False where the place was passed without it (electrical), None
        where the place was passed once.
    """

    channel: str
    what: str
    pulses: int
    turn: int
    place: float
    repeats: bool | None = None

    @property
    def angle_deg_mech(self) -> float:
        """Place as an angle from the index [deg_mech]."""
        return 360 * self.place

    @property
    def cause(self) -> str:
        """What it points to, in words."""
        if self.repeats is None:
            return "not told: the place was passed once"
        return "disc: it comes at the same place again" if self.repeats else "electrical: it does not come again"


def channel_anomalies(channel: str, train: PulseTrain, turn_of: Callable[[Floats], Floats]) -> list[Anomaly]:
    """Find the lost and false pulses of one channel.

    Parameters
    ----------
    turn_of
        From places in the record [samples] to turns since the first index pulse, as the shaft turned.
    """
    starts = train.rises
    periods = np.diff(starts)
    if periods.size < LEAST_PERIODS:
        return []
    ratio = periods / _neighbourhood(periods)
    lost = np.flatnonzero(ratio > LOST_RATIO)
    false = _first_of_runs(np.flatnonzero(ratio < FALSE_RATIO))
    found = []
    for what, places in (("lost", lost), ("false", false)):
        turns = turn_of(starts[places] + periods[places] / 2)
        for place, turn in zip(places, turns, strict=True):
            pulses = max(1, round(float(ratio[place])) - 1) if what == "lost" else 1
            found.append(Anomaly(channel, what, pulses, math.floor(turn), float(turn % 1.0)))
    return found


def narrow_pulses(
    reversals: Mapping[str, Floats], turn_of: Callable[[Floats], Floats], known: list[Anomaly], lines: float
) -> list[Anomaly]:
    """Find the reversals that no lost or false pulse explains.

    Parameters
    ----------
    reversals
        By channel, the places at which its edges step back [samples].
    """
    found: list[Anomaly] = []
    for channel, at in reversals.items():
        for turn in turn_of(at):
            near = (abs(turn - one.turn - one.place) <= SAME_PLACE_LINES / lines for one in (*known, *found))
            if not any(near):
                found.append(Anomaly(channel, "narrow", 1, math.floor(turn), float(turn % 1.0)))
    return found


def index_anomalies(counts: NDArray[np.int64], should: float) -> list[Anomaly]:
    """Find lost and false index pulses: intervals that hold a multiple or only a part of a turn's counts."""
    found = []
    for turn, count in enumerate(counts):
        if count > (1 + INDEX_PART) * should:
            found.append(Anomaly("Z", "lost", max(1, round(count / should) - 1), turn, 0.0))
        elif count < (1 - INDEX_PART) * should:
            found.append(Anomaly("Z", "false", 1, turn, float(count / should)))
    return found


def with_repeats(found: list[Anomaly], first_turn: float, last_turn: float, lines: float) -> tuple[Anomaly, ...]:
    """Say of every anomaly whether its place shows it again.

    Parameters
    ----------
    first_turn, last_turn
        What the record covers, in turns since the first index pulse.
    """
    near = SAME_PLACE_LINES / max(lines, 1.0)
    return tuple(replace(one, repeats=_repeats(one, found, first_turn, last_turn, near)) for one in found)


def seen_clockwise(found: tuple[Anomaly, ...]) -> tuple[Anomaly, ...]:
    """Turn the places of a counter-clockwise capture into angles clockwise from the index."""
    return tuple(replace(one, place=-one.place % 1.0) for one in found)


def pulses_beside(found: tuple[Anomaly, ...], turns: int, *kinds: str) -> int:
    """Count the pulses of these kinds outside the whole turns; in whole turns the counts tell."""
    return sum(one.pulses for one in found if not 0 <= one.turn < turns and one.what in kinds and one.channel != "Z")


def lost_each_turn(found: list[Anomaly], turns: int) -> NDArray[np.int64]:
    """Count the lost pulses of each whole turn, shape (turns,)."""
    inside = [one for one in found if 0 <= one.turn < turns and one.what == "lost"]
    return np.bincount([one.turn for one in inside], [one.pulses for one in inside], minlength=turns).astype(np.int64)


def _neighbourhood(periods: Floats) -> Floats:
    """Mean of a period's neighbours, none of them taken for longer or shorter than twice or half the usual."""
    usual = float(np.median(periods))
    tame = np.clip(periods, SHORTEST_PERIODS * usual, LONGEST_PERIODS * usual)
    width = min(NEIGHBOURS, periods.size - 1 + periods.size % 2)
    padded = np.pad(tame, width // 2, mode="reflect" if periods.size > width // 2 else "edge")
    total = np.cumsum(np.concatenate(([0.0], padded)))
    return np.asarray((total[width:] - total[:-width]) / width)


def _first_of_runs(places: NDArray[np.intp]) -> NDArray[np.intp]:
    """One false pulse makes up to two short periods in a row: keep one of each such run."""
    if places.size == 0:
        return places
    return np.asarray(places[np.concatenate(([True], np.diff(places) > 1))])


def _repeats(one: Anomaly, found: list[Anomaly], first_turn: float, last_turn: float, near: float) -> bool | None:
    passed = math.floor(last_turn - one.place) - math.ceil(first_turn - one.place) + 1
    if passed < 2:
        return None
    same = {
        other.turn + round(other.place - one.place)
        for other in found
        if (other.channel, other.what) == (one.channel, one.what) and _apart(other.place, one.place) <= near
    }
    return len(same) > 1


def _apart(first: float, second: float) -> float:
    return abs((first - second + 0.5) % 1.0 - 0.5)
