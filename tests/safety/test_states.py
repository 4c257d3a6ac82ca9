"""The bench's state machine: every pair of state and event, and what random histories can reach."""

from itertools import pairwise, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from safety.states import MAY_ENERGISE, TRANSITIONS, Event, IllegalEvent, State, step

# Written out by hand from the rules: what is not listed must be refused.
ALLOWED = {
    (State.AT_REST, Event.START): State.STARTING,
    (State.AT_REST, Event.REST): State.GOING_TO_REST,
    (State.AT_REST, Event.TRIP): State.TRIPPED,
    (State.STARTING, Event.TURN): State.TURNING,
    (State.STARTING, Event.REST): State.GOING_TO_REST,
    (State.STARTING, Event.TRIP): State.TRIPPED,
    (State.TURNING, Event.STANDSTILL): State.STARTING,
    (State.TURNING, Event.REST): State.GOING_TO_REST,
    (State.TURNING, Event.TRIP): State.TRIPPED,
    (State.GOING_TO_REST, Event.RESTED): State.AT_REST,
    (State.GOING_TO_REST, Event.REST): State.GOING_TO_REST,
    (State.GOING_TO_REST, Event.TRIP): State.TRIPPED,
    (State.TRIPPED, Event.RESET): State.GOING_TO_REST,
    (State.TRIPPED, Event.TRIP): State.TRIPPED,
}

EVENTS = st.lists(st.sampled_from(Event), max_size=40)


@pytest.mark.parametrize(("state", "event"), list(product(State, Event)))
def test_every_pair_leads_where_it_should_or_is_refused(state: State, event: Event) -> None:
    if (state, event) in ALLOWED:
        assert step(state, event) is ALLOWED[state, event]
        return
    before = {s: dict(row) for s, row in TRANSITIONS.items()}
    with pytest.raises(IllegalEvent) as caught:
        step(state, event)
    assert f"'{event.value}' cannot happen while {state.value}" in str(caught.value)
    assert before == {s: dict(row) for s, row in TRANSITIONS.items()}


@pytest.mark.parametrize("state", State)
def test_a_trip_is_possible_from_every_state(state: State) -> None:
    assert step(state, Event.TRIP) is State.TRIPPED


def test_the_table_cannot_be_changed() -> None:
    with pytest.raises(TypeError):
        TRANSITIONS[State.TRIPPED] = {Event.TURN: State.TURNING}  # type: ignore[index]
    with pytest.raises(TypeError):
        TRANSITIONS[State.TRIPPED][Event.TURN] = State.TURNING  # type: ignore[index]


def history(events: list[Event]) -> list[tuple[Event, State]]:
    """Run events from rest, passing over illegal ones; return the legal ones with the state after each."""
    state, made = State.AT_REST, []
    for event in events:
        try:
            state = step(state, event)
        except IllegalEvent:
            continue
        made.append((event, state))
    return made


@settings(max_examples=300, deadline=None)
@given(EVENTS)
def test_a_trip_is_left_by_a_reset_alone_and_never_straight_to_energised(events: list[Event]) -> None:
    made = history(events)
    for (_, before), (event, after) in pairwise(made):
        if before is State.TRIPPED:
            assert (event, after) in {(Event.RESET, State.GOING_TO_REST), (Event.TRIP, State.TRIPPED)}


@settings(max_examples=300, deadline=None)
@given(EVENTS)
def test_energised_states_are_entered_only_by_start_from_proven_rest(events: list[Event]) -> None:
    made = [(Event.RESTED, State.AT_REST), *history(events)]
    for (_, before), (event, after) in pairwise(made):
        if after in MAY_ENERGISE and before not in MAY_ENERGISE:
            assert (before, event) == (State.AT_REST, Event.START)


@settings(max_examples=300, deadline=None)
@given(EVENTS)
def test_between_a_trip_and_the_next_start_rest_was_proven(events: list[Event]) -> None:
    tripped = False
    for event, _ in history(events):
        tripped = event is Event.TRIP or (tripped and event is not Event.RESTED)
        assert not (tripped and event is Event.START)
