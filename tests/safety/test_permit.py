"""Permits: who may make them, when they are refused, and the exact edge of their age."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from safety.limits import PERMIT_VALID_S
from safety.permit import PURPOSES, Permit, PermitOffice, PermitRefused
from safety.states import Event, IllegalEvent, State, step


def office(look_s: float = 8.0) -> PermitOffice:
    made = PermitOffice()
    made.note_good_look(look_s)
    return made


@pytest.mark.parametrize("purpose", sorted(PURPOSES))
@pytest.mark.parametrize("state", [State.STARTING, State.TURNING])
def test_a_fresh_permit_serves_its_own_purpose(purpose: str, state: State) -> None:
    permit = office().issue(purpose, state, 8.125)
    permit.demand(purpose, 8.125)
    for other in PURPOSES - {purpose}:
        with pytest.raises(PermitRefused, match=f"permit is for '{purpose}', '{other}' was asked"):
            permit.demand(other, 8.125)


@pytest.mark.parametrize("state", [State.AT_REST, State.GOING_TO_REST, State.TRIPPED])
def test_no_permit_outside_starting_and_turning(state: State) -> None:
    with pytest.raises(PermitRefused, match=f"nothing may be energised while {state.value}"):
        office().issue("spin supply", state, 8.0)


def test_a_permit_holds_at_the_exact_edge_and_not_beyond() -> None:
    permit = office(8.0).issue("switch", State.TURNING, 8.0)
    permit.demand("switch", 8.0 + PERMIT_VALID_S)
    with pytest.raises(PermitRefused, match=r"permit for 'switch' is 0\.250 s old; allowed: 0 to 0\.25 s"):
        permit.demand("switch", math.nextafter(8.0 + PERMIT_VALID_S, 9.0))


def test_a_look_counts_at_the_exact_edge_and_not_beyond() -> None:
    office(8.0).issue("switch", State.STARTING, 8.0 + PERMIT_VALID_S)
    with pytest.raises(PermitRefused, match="last good look"):
        office(8.0).issue("switch", State.STARTING, math.nextafter(8.0 + PERMIT_VALID_S, 9.0))


def test_a_permit_ages_from_the_look_not_from_its_issue() -> None:
    permit = office(8.0).issue("spin supply", State.STARTING, 8.125)
    assert permit.issued_s == 8.0
    with pytest.raises(PermitRefused, match="old"):
        permit.demand("spin supply", 8.3)


@pytest.mark.parametrize("now_s", [math.nan, math.inf, -math.inf, 7.999])
def test_a_time_that_cannot_be_refuses(now_s: float) -> None:
    with pytest.raises(PermitRefused):
        office(8.0).issue("switch", State.TURNING, now_s)
    with pytest.raises(PermitRefused):
        office(8.0).issue("switch", State.TURNING, 8.0).demand("switch", now_s)


def test_without_a_good_look_there_is_no_permit() -> None:
    with pytest.raises(PermitRefused, match="have not been looked at"):
        PermitOffice().issue("switch", State.STARTING, 0.0)
    withdrawn = office(8.0)
    withdrawn.withdraw()
    with pytest.raises(PermitRefused, match="do not hold"):
        withdrawn.issue("switch", State.STARTING, 8.0)


def test_only_the_office_makes_permits() -> None:
    with pytest.raises(PermitRefused, match="only the permit office"):
        Permit("switch", 8.0, PERMIT_VALID_S, object())


def test_a_permit_cannot_be_changed() -> None:
    permit = office().issue("switch", State.STARTING, 8.0)
    with pytest.raises(AttributeError):
        permit.issued_s = 9.0  # type: ignore[misc]


def test_an_unknown_purpose_is_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match="'lunch' is no purpose of a permit; allowed: brake supply"):
        office().issue("lunch", State.STARTING, 8.0)


@pytest.mark.parametrize("valid_s", [0.0, -1.0, math.nan, math.nextafter(PERMIT_VALID_S, 1.0), 60.0])
def test_an_office_cannot_lengthen_the_life_of_permits(valid_s: float) -> None:
    with pytest.raises(ValueError, match=r"valid_s must be above 0 and up to 0\.25"):
        PermitOffice(valid_s)


ACTS = st.lists(st.sampled_from([*Event, "good look", "bad look", "time"]), max_size=40)


@settings(max_examples=300, deadline=None)
@given(acts=ACTS, waits=st.lists(st.sampled_from([0.0625, 0.125, 0.25, 0.3125]), min_size=40, max_size=40))
def test_in_random_histories_a_permit_is_issued_exactly_while_state_and_look_allow(
    acts: list[Event | str], waits: list[float]
) -> None:
    made, state, now_s, looked_s = PermitOffice(), State.AT_REST, 0.0, -math.inf
    for act, wait_s in zip(acts, waits, strict=False):
        match act:
            case "good look":
                made.note_good_look(now_s)
                looked_s = now_s
            case "bad look":
                made.withdraw()
                looked_s = -math.inf
            case "time":
                now_s += wait_s
            case Event():
                state = _after(state, act)
        wanted = state in (State.STARTING, State.TURNING) and now_s - looked_s <= PERMIT_VALID_S
        assert _issues(made, state, now_s) is wanted


def _after(state: State, event: Event) -> State:
    try:
        return step(state, event)
    except IllegalEvent:
        return state


def _issues(made: PermitOffice, state: State, now_s: float) -> bool:
    try:
        permit = made.issue("spin supply", state, now_s)
    except PermitRefused:
        return False
    permit.demand("spin supply", now_s)
    return True
