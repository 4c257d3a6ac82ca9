"""Going to rest tries every step, whatever the others do, and tells all that failed."""

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from safety.rest_order import REST_ORDER, RestFailure, go_to_rest

NAMES = [s.name for s in REST_ORDER]
DEADLINES = {s.name: s.deadline_s for s in REST_ORDER}


SLOWNESS = {"just in time": 1.0, "late": 1.5, "late and fails": 1.5}
RAISED: dict[str, BaseException] = {
    "fails": RuntimeError("no answer"),
    "late and fails": RuntimeError("gave up"),
    "exits": SystemExit(3),
    "interrupted": KeyboardInterrupt(),
    "interrupted once": KeyboardInterrupt(),
}


class HandClock:
    """Bench time that passes only as it is told."""

    def __init__(self) -> None:
        self.time_s = 0.0

    def now_s(self) -> float:
        return self.time_s

    def wait(self, seconds: float) -> None:
        self.time_s += seconds


class Bench:
    """Actions that note that they were tried, and then behave as told."""

    def __init__(self, **behaviours: str) -> None:
        self.clock, self.tried = HandClock(), list[str]()
        self.actions = {name: self._action(name, behaviours.get(name, "fine")) for name in NAMES}

    def _action(self, name: str, behaviour: str) -> Callable[[], None]:
        def act() -> None:
            self.tried.append(name)
            self.clock.wait(DEADLINES[name] * SLOWNESS.get(behaviour, 0.0))
            raised = RAISED.get(behaviour)
            if raised is not None and not (behaviour == "interrupted once" and self.tried.count(name) > 1):
                raise raised

        return act

    def rest(self) -> list[RestFailure]:
        return go_to_rest(self.actions, self.clock)


def test_the_drive_goes_first_and_all_relays_last() -> None:
    assert NAMES[0] == "spin supply off"
    assert NAMES[-1] == "all relays open"
    standstill = NAMES.index("wait for standstill")
    # The brake grips and winding relays open only once nothing turns; the second way to stop the drive comes before.
    assert NAMES.index("spin relays open") < standstill
    assert standstill < NAMES.index("winding pair open") < NAMES.index("brake supply off")


def test_a_healthy_bench_goes_to_rest_in_order_without_failures() -> None:
    bench = Bench(**dict.fromkeys(NAMES, "just in time"))
    assert bench.rest() == []
    assert bench.tried == NAMES


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    ("behaviour", "words"),
    [
        ("fails", "RuntimeError: no answer"),
        ("late", "took"),
        ("late and fails", "RuntimeError: gave up; took"),
        ("interrupted", "interrupted, done again; KeyboardInterrupt"),
        ("interrupted once", "interrupted, done again"),
        ("exits", "interrupted, done again; SystemExit: 3"),
    ],
)
def test_one_step_that_fails_keeps_no_other_from_being_tried(name: str, behaviour: str, words: str) -> None:
    bench = Bench(**{name: behaviour})
    (failure,) = bench.rest()
    assert failure.name == name
    assert words in failure.what
    assert list(dict.fromkeys(bench.tried)) == NAMES


def test_an_overrun_names_time_taken_and_allowed() -> None:
    assert Bench(**{"winding pair open": "late"}).rest() == [
        RestFailure("winding pair open", "took 0.75 s; allowed: 0.5 s")
    ]


def test_a_missing_action_is_a_failure_and_the_rest_is_tried() -> None:
    bench = Bench()
    del bench.actions["spin supply off"]
    assert bench.rest() == [RestFailure("spin supply off", "the station has no such action")]
    assert bench.tried == NAMES[1:]


def test_a_dead_clock_keeps_no_step_from_being_tried() -> None:
    class DeadClock(HandClock):
        def now_s(self) -> float:
            raise OSError("the simulation is gone")

    bench = Bench()
    failures = go_to_rest(bench.actions, DeadClock())
    assert bench.tried == NAMES
    assert [f.name for f in failures] == NAMES
    assert all("the clock does not answer" in f.what for f in failures)


@settings(max_examples=200, deadline=None)
@given(
    st.fixed_dictionaries({name: st.sampled_from(["fine", "fails", "late", "interrupted", "exits"]) for name in NAMES})
)
def test_with_any_mixture_every_step_is_tried_in_order_and_exactly_the_bad_ones_reported(told: dict[str, str]) -> None:
    bench = Bench(**told)
    failures = bench.rest()
    assert list(dict.fromkeys(bench.tried)) == NAMES
    assert [f.name for f in failures] == [name for name in NAMES if told[name] != "fine"]
