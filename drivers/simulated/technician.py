"""What simulated hands can be asked to do, by the words of the control resource."""

from collections.abc import Callable

from drivers.simulated.hands import body_motion, shaft_motion, slip_on_locking
from drivers.simulated.world import World

DANGEROUS_RPM = 2.0


def _turn_shaft(world: World, value: str) -> None:
    world.hand_on_shaft = shaft_motion(world.now_s, world.shaft.theta, float(value), world.rng)


def _turn_body(world: World, value: str) -> None:
    if world.mounted.locked:
        world.note("hands: the body is locked and does not turn", value=True)
        return
    world.hand_on_body = body_motion(world.now_s, world.mounted.body, float(value), world.rng)


def _lock(world: World, _: str) -> None:
    if not world.mounted.locked:
        world.mounted.body += slip_on_locking(world.rng)
        world.mounted.locked = True
        world.mounted.follow(world.shaft.theta)


def _loosen(world: World, _: str) -> None:
    world.mounted.locked = False


def _fit(world: World, _: str) -> None:
    world.mounted.fit_new_unit(list(world.faults))
    world.mounted.follow(world.shaft.theta)


def _swap_leads(world: World, value: str) -> None:
    one, _, other = value.replace(" ", "").partition(",")
    if {one, other} - set("UVW") or one == other:
        raise ValueError(f"leads to swap are {value!r}; allowed: two of U, V, W with a comma between")
    world.mounted.swap_leads(one, other, list(world.faults))


def _set(name: str, state: bool) -> Callable[[World, str], None]:  # noqa: FBT001 - the state is the value
    def act(world: World, _: str) -> None:
        setattr(world.electrics.place, name, state)

    return act


def _guards(state: bool) -> Callable[[World, str], None]:  # noqa: FBT001
    def act(world: World, _: str) -> None:
        world.electrics.place.drive_end_guard = world.electrics.place.feedback_end_guard = state

    return act


ACTIONS: dict[str, Callable[[World, str], None]] = {
    "close guards": _guards(True),  # noqa: FBT003
    "open guards": _guards(False),  # noqa: FBT003
    "turn shaft": _turn_shaft,
    "turn body": _turn_body,
    "loosen": _loosen,
    "lock": _lock,
    "fit feedback unit": _fit,
    "swap leads": _swap_leads,
    "plug winding adapter": _set("winding_adapter", True),  # noqa: FBT003
    "unplug winding adapter": _set("winding_adapter", False),  # noqa: FBT003
    "plug feedback adapter": _set("feedback_adapter", True),  # noqa: FBT003
    "unplug feedback adapter": _set("feedback_adapter", False),  # noqa: FBT003
    "press stop": _set("stop_pressed", True),  # noqa: FBT003
    "release stop": _set("stop_pressed", False),  # noqa: FBT003
    "clamp motor": _set("motor_clamp", True),  # noqa: FBT003
    "unclamp motor": _set("motor_clamp", False),  # noqa: FBT003
    "hold enabling device": _set("enabling_device", True),  # noqa: FBT003
    "let go enabling device": _set("enabling_device", False),  # noqa: FBT003
    "squeeze enabling device": _set("enabling_device", False),  # noqa: FBT003
    "select setting": _set("setting_selector", True),  # noqa: FBT003
    "select guarded": _set("setting_selector", False),  # noqa: FBT003
}
NEED_NUMBER = ("turn shaft", "turn body")
ON_THE_MOTOR = ("turn body", "loosen", "lock", "fit feedback unit", "swap leads", "unclamp motor")
"""What puts hands on the motor: the log says so if the shaft turns meanwhile."""


def act(world: World, action: str, value: str) -> None:
    """Let the hands do something; what they were turning they first turn to its end.

    Raises
    ------
    ValueError
        The action is unknown, or its value is missing or no number.
    """
    if action not in ACTIONS:
        raise ValueError(f"hands do not know {action!r}; allowed: {', '.join(ACTIONS)}")
    if action in NEED_NUMBER:
        try:
            float(value)
        except ValueError:
            raise ValueError(f"{action!r} needs mechanical degrees, got {value!r}") from None
    if action in ON_THE_MOTOR and abs(world.shaft.rpm) > DANGEROUS_RPM:
        world.note("HANDS ON A TURNING MOTOR", action)
    _finish_body(world)
    world.note(f"hands: {action}", value)
    ACTIONS[action](world, value)
    world.changed()


def _finish_body(world: World) -> None:
    motion = world.hand_on_body
    if motion is not None:
        world.mounted.body = motion.place(motion.end_s)
        world.mounted.follow(world.shaft.theta)
        world.hand_on_body = None
