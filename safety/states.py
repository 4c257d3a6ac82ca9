"""The states of a bench and what leads from one to another; no input, no output.

All that changes a state is the table below. An event that the table does not name for a state raises and changes
nothing. A trip is possible from every state and stays until a person resets it; reset leads to rest, never onward.
"""

from collections.abc import Mapping
from enum import Enum
from types import MappingProxyType


class State(Enum):
    """Bench states."""

    AT_REST = "at rest"
    STARTING = "starting"
    TURNING = "turning"
    GOING_TO_REST = "going to rest"
    TRIPPED = "tripped"


class Event(Enum):
    """What happens to a bench."""

    START = "start"
    """All permissives hold and outputs are wanted."""
    TURN = "turn"
    """The spin supply is about to go on."""
    STANDSTILL = "standstill"
    """Standstill is proven; other outputs may stay on."""
    REST = "rest"
    """The de-energised state is wanted."""
    RESTED = "rested"
    """The de-energised state is reached and proven."""
    TRIP = "trip"
    """An interlock acted."""
    RESET = "reset"
    """A person at the station reset a trip."""


_TABLE: dict[State, dict[Event, State]] = {
    State.AT_REST: {Event.START: State.STARTING, Event.REST: State.GOING_TO_REST, Event.TRIP: State.TRIPPED},
    State.STARTING: {Event.TURN: State.TURNING, Event.REST: State.GOING_TO_REST, Event.TRIP: State.TRIPPED},
    State.TURNING: {Event.STANDSTILL: State.STARTING, Event.REST: State.GOING_TO_REST, Event.TRIP: State.TRIPPED},
    # Asked again on the way there, as an impatient interrupt does, it goes on.
    State.GOING_TO_REST: {Event.RESTED: State.AT_REST, Event.REST: State.GOING_TO_REST, Event.TRIP: State.TRIPPED},
    State.TRIPPED: {Event.RESET: State.GOING_TO_REST, Event.TRIP: State.TRIPPED},
}

# Sealed row by row, so that no other module can add a way from tripped to turning.
TRANSITIONS: Mapping[State, Mapping[Event, State]] = MappingProxyType(
    {state: MappingProxyType(row) for state, row in _TABLE.items()}
)

MAY_ENERGISE = frozenset({State.STARTING, State.TURNING})
"""The only states in which an output may be switched on."""


class IllegalEvent(RuntimeError):  # noqa: N818 - says what happened, not that it is an error of ours
    """An event that the table does not name for the present state."""


def step(state: State, event: Event) -> State:
    """Return the state that an event leads to.

    Raises
    ------
    IllegalEvent
        The table has no such event for this state.
    """
    try:
        return TRANSITIONS[state][event]
    except KeyError:
        allowed = ", ".join(e.value for e in TRANSITIONS[state])
        raise IllegalEvent(f"'{event.value}' cannot happen while {state.value}; allowed: {allowed}") from None
