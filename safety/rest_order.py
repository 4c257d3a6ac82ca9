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
    # A second way to take the drive away, in case the supply does not obey.
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
    """Try every step in order and return all that failed; never raises.

    Parameters
    ----------
    actions
        What to do for each step, by name; a missing one is a failure of that step.
    """
    failures: list[RestFailure] = []
    for rest_step in REST_ORDER:
        failures += _try(rest_step, actions, clock)
    return failures


def _try(rest_step: RestStep, actions: Mapping[str, Callable[[], None]], clock: Clock) -> list[RestFailure]:
    name, begun_s = rest_step.name, _now(clock)
    action = actions.get(name)
    if action is None:
        return [RestFailure(name, "the station has no such action")]
    try:
        action()
    except Exception as error:  # noqa: BLE001 - whatever goes wrong, the next step must still be tried
        return [RestFailure(name, f"{type(error).__name__}: {error}")]
    ended_s = _now(clock)
    if begun_s is not None and ended_s is not None and ended_s - begun_s > rest_step.deadline_s:
        return [RestFailure(name, f"took {ended_s - begun_s:.2f} s; allowed: {rest_step.deadline_s:g} s")]
    return []


def _now(clock: Clock) -> float | None:
    try:
        return clock.now_s()
    except Exception:  # noqa: BLE001 - a dead clock must not stop the way to rest
        return None
