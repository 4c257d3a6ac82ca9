"""Permits: what a driver demands before it energises or turns anything.

A permit is a promise between honest modules, good for a short time and one purpose. Only a `PermitOffice` makes one,
while the bench is in a state that may energise and the last good look at the interlocks is fresh; the driver checks
its age again at the moment of use.
"""

from dataclasses import dataclass, field

from safety.limits import PERMIT_VALID_S
from safety.states import MAY_ENERGISE, State

PURPOSES = frozenset({"sensor supply", "brake supply", "spin supply", "switch", "winding supply"})

_SEAL = object()


class PermitRefused(RuntimeError):  # noqa: N818 - a refusal is the wanted outcome
    """Something may not be energised now; the message says why."""


@dataclass(frozen=True, slots=True)
class Permit:
    """Leave to energise one thing, from `issued_s` on for `valid_s` of bench time."""

    purpose: str
    issued_s: float
    valid_s: float
    seal: object = field(repr=False, compare=False)

    def __post_init__(self) -> None:
        """Refuse to exist unless the office made it."""
        if self.seal is not _SEAL:
            raise PermitRefused("only the permit office issues permits")

    def demand(self, purpose: str, now_s: float) -> None:
        """Check at the moment of use.

        Raises
        ------
        PermitRefused
            The permit is for something else, or stale, or from the future.
        """
        if purpose != self.purpose:
            raise PermitRefused(f"permit is for '{self.purpose}', '{purpose}' was asked of it")
        age_s = now_s - self.issued_s
        if not 0 <= age_s <= self.valid_s:
            raise PermitRefused(f"permit for '{purpose}' is {age_s:.3f} s old; allowed: 0 to {self.valid_s:g} s")


class PermitOffice:
    """Issues permits while the interlocks were seen to hold a moment ago.

    Parameters
    ----------
    valid_s
        Life of a permit and of the look it rests on [s]; may be shortened, never lengthened.

    Raises
    ------
    ValueError
        That life is not above 0 and up to 0.25 s.
    """

    def __init__(self, valid_s: float = PERMIT_VALID_S) -> None:
        if not 0 < valid_s <= PERMIT_VALID_S:
            raise ValueError(f"valid_s must be above 0 and up to {PERMIT_VALID_S:g}, got {valid_s:g}")
        self._valid_s = valid_s
        self._good_look_s: float | None = None

    def note_good_look(self, now_s: float) -> None:
        """Note that all rows of the interlock table held just now."""
        self._good_look_s = now_s

    def withdraw(self) -> None:
        """Forget the last good look: a row is violated."""
        self._good_look_s = None

    def issue(self, purpose: str, state: State, now_s: float) -> Permit:
        """Issue a permit; it ages from the look it rests on, so a chain of permits cannot outlive it.

        Raises
        ------
        PermitRefused
            The state may not energise, or no fresh good look is known.
        ValueError
            There is no such purpose.
        """
        if purpose not in PURPOSES:
            raise ValueError(f"'{purpose}' is no purpose of a permit; allowed: {', '.join(sorted(PURPOSES))}")
        if state not in MAY_ENERGISE:
            raise PermitRefused(f"nothing may be energised while {state.value}")
        if self._good_look_s is None:
            raise PermitRefused("the interlocks do not hold, or have not been looked at")
        if not 0 <= now_s - self._good_look_s <= self._valid_s:
            raise PermitRefused(
                f"last good look at the interlocks is {now_s - self._good_look_s:.3f} s old; allowed: {self._valid_s:g} s"
            )
        return Permit(purpose, self._good_look_s, self._valid_s, _SEAL)
