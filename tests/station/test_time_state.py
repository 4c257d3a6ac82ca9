"""The station says whether a time source holds its clock, and notices a clock that went backward."""

from datetime import UTC, datetime, timedelta

import pytest

from station.time_state import backward_note, time_state

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def test_the_state_is_one_of_three_and_a_bound_comes_with_synchronised_alone() -> None:
    state = time_state()
    assert state["state"] in ("synchronised", "not synchronised", "not known")
    assert (state["most_off_s"] is not None) == (state["state"] == "synchronised")
    if state["most_off_s"] is not None:
        assert abs(state["offset_s"]) <= state["most_off_s"]


@pytest.mark.parametrize("ahead", [timedelta(0), timedelta(seconds=5), timedelta(seconds=-0.5)])
def test_a_clock_that_goes_on_is_not_remarked(ahead: timedelta) -> None:
    assert backward_note(NOON, NOON + ahead) is None
    assert backward_note(None, NOON) is None


def test_a_clock_that_went_backward_is_named_with_how_far() -> None:
    note = backward_note(NOON, NOON - timedelta(hours=1))
    assert note is not None
    assert "went backward" in note
    assert "3600 s before" in note
    assert "2026-03-02T12:00:00Z" in note
