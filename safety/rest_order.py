"""The order in which a bench goes to rest: every step is tried, each with its deadline, whatever else failed."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from safety.clock import Clock


@dataclass(frozen=True, slots=True)
class RestStep:
    """One step and the bench time it may take [s]."""

    name: str
    deadline_s: float


REST_ORDER = (
    RestStep("spin supply off", 0.5),
    # A second way to take the drive away, in case the supply does not obey: the relay in series first. A reversing
    # relay follows with all others, at standstill.
    RestStep("spin relays open", 0.5),
    # A coasting shaft still makes EMF: relays wait for it, so that none opens under voltage and no brake grips at speed.
    RestStep("wait for standstill", 20.0),
    RestStep("winding pair open", 0.5),
    RestStep("brake supply off", 0.5),
    RestStep("sensor supply off", 0.5),
    RestStep("all relays open", 0.5),
)


@dataclass(frozen=True, slots=True)
class RestFailure:
    """A step that failed or overran, and why."""

    name: str
    what: str


def go_to_rest(actions: Mapping[str, Callable[[], None]], clock: Clock) -> list[RestFailure]:
    """Try every step in order and return all that failed; never raises, whatever an action raises.

    Parameters
    ----------
    actions
        What to do for each step, by name; a missing one is a failure of that step.
    clock
        Bench time, for the deadlines.

    Notes
    -----
    A deadline is judged when its action returns: an action may not wait without a time-out of its own. Should one
    hang for ever, the station falls silent and the hardwired dead-man relay takes the drive away. An interrupt that
    falls into a step has the step done again; a program should still turn signals into a flag, since one may fall
    between two steps.
    """
    failures = (_failure(rest_step, actions.get(rest_step.name), clock) for rest_step in REST_ORDER)
    return [failure for failure in failures if failure is not None]


def _failure(rest_step: RestStep, action: Callable[[], None] | None, clock: Clock) -> RestFailure | None:
    if action is None:
        return RestFailure(rest_step.name, "the station has no such action")
    begun_s = _now_s(clock)
    wrong = _try(action)
    ended_s = _now_s(clock)
    if begun_s is None or ended_s is None:
        wrong.append("its time is unknown, the clock does not answer")
    elif not ended_s - begun_s <= rest_step.deadline_s:
        wrong.append(f"took {ended_s - begun_s:.2f} s; allowed: {rest_step.deadline_s:g} s")
    return RestFailure(rest_step.name, "; ".join(wrong)) if wrong else None


def _try(action: Callable[[], None]) -> list[str]:
    try:
        action()
    except (KeyboardInterrupt, SystemExit):
        # Whoever interrupts wants rest sooner, so what was cut short is done again.
        return ["interrupted, done again", *_try_again(action)]
    except BaseException as error:  # noqa: BLE001 - whatever goes wrong, the next step must still be tried
        return [_said(error)]
    return []


def _try_again(action: Callable[[], None]) -> list[str]:
    try:
        action()
    except BaseException as error:  # noqa: BLE001 - as above
        return [_said(error)]
    return []


def _said(error: BaseException) -> str:
    return f"{type(error).__name__}: {error}".removesuffix(": ")


def _now_s(clock: Clock) -> float | None:
    try:
        return clock.now_s()
    except Exception:  # noqa: BLE001 - a dead clock must not stop the way to rest
        return None
