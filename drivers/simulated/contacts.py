"""The inputs as the bench's contacts give them."""

from drivers.simulated.truth import PAIRS
from drivers.simulated.wiring import CONTACTS, NO_ADAPTER
from drivers.simulated.world import World

CHATTER_PERIOD_S, CHATTER_OPEN_S = 0.04, 0.005


def contact_states(world: World) -> dict[int, bool]:
    """Return all contacts by channel number, True = closed or held."""
    place, safety = world.electrics.place, world.electrics.safety
    states = {
        "stop_circuit": world.electrics.stop_ok,
        "drive_end_guard": place.drive_end_guard and not _chatters(world),
        "feedback_end_guard": place.feedback_end_guard,
        "motor_clamp": place.motor_clamp,
        "enabling_device": place.enabling_device,
        "setting_selector": place.setting_selector,
        "standstill": safety.standstill,
        "overspeed_ok": safety.overspeed_ok,
        "deadman_ok": safety.deadman_ok,
        "winding_adapter_present": place.winding_adapter,
        "feedback_adapter_present": place.feedback_adapter,
        **{f"mirror_{pair}": world.electrics.relays.mirror(pair, world.faults) for pair in PAIRS},
    }
    return {CONTACTS[name]: state for name, state in states.items()}


def adapter_code(world: World) -> int:
    """Return the code that the plugged adapter answers with, 0 without one."""
    return world.mounted.parts.motor.adapter_code if world.electrics.place.feedback_adapter else NO_ADAPTER


def _chatters(world: World) -> bool:
    return "guard chatter" in world.faults and world.now_s % CHATTER_PERIOD_S < CHATTER_OPEN_S
