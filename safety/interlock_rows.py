"""What the interlock table consists of, as plain data."""

import math
from dataclasses import dataclass
from enum import Enum

from safety.limits import LOOK_PERIOD_S


class When(Enum):
    """While what a row counts."""

    ALWAYS = "always"
    ENERGISED = "energised"
    """Any output is on or may come on."""
    BEFORE_TURNING = "before turning"
    """Asked once: the spin supply is about to go on, or direction or winding pair to change."""
    TURNING = "turning"
    """The spin supply is on, or the shaft may still coast."""


class Condition(Enum):
    """What must hold of the watched value."""

    IS = "is"
    BELOW = "below"
    ABOVE = "above"
    WITHIN = "within"
    MAGNITUDE_BELOW = "magnitude_below"


@dataclass(frozen=True, slots=True)
class Threshold:
    """A limit that motor type or bench gives, by name; `default` [in `unit`] holds where they do not."""

    name: str
    default: float
    unit: str
    given_by: str
    text: str


@dataclass(frozen=True, slots=True)
class Row:
    """One interlock.

    Parameters
    ----------
    watch
        Name of the observation.
    condition, wanted, thresholds
        What must hold: a contact's state `wanted` (True is closed), or one or two thresholds, each a number in the
        watched quantity's unit or the name of a `Threshold`.
    only_if
        Contacts and their states; the row is passed over while one of them is known to be otherwise.
    silence_trips
        Whether a watched value that is not to be had breaks the row.
    debounce_s
        How long the condition must be broken before the row acts [s].
    reaction
        Stop category of IEC 60204-1; outputs go off in the order of `safety/rest_order.py` in either.
    deadline_s
        From the break showing at the bench to the spin supply being off [s].
    reset
        Who clears the trip.
    hazard
        Which hazard of HAZARDS.md the row belongs to.
    """

    name: str
    modes: tuple[str, ...]
    watch: str
    condition: Condition
    wanted: bool
    thresholds: tuple[float | str, ...]
    only_if: tuple[tuple[str, bool], ...]
    when: When
    silence_trips: bool
    debounce_s: float
    reaction: str
    deadline_s: float
    reset: str
    hazard: str
    text: str

    @property
    def slowest_look_s(self) -> float:
        """Longest time from the break showing to the look that acts on it [s].

        The break just misses one look; the next one starts the debounce, which ends at a look again.
        """
        return LOOK_PERIOD_S * (1 + math.ceil(self.debounce_s / LOOK_PERIOD_S))


@dataclass(frozen=True, slots=True)
class Table:
    """The whole table, in the file's order."""

    modes: tuple[str, ...]
    thresholds: tuple[Threshold, ...]
    rows: tuple[Row, ...]
