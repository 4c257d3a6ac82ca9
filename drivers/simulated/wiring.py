"""How the bench is wired: relay and contact numbers, the modelled supplies, and what the scope sees through the switch."""

from collections.abc import Mapping
from dataclasses import dataclass

from drivers.simulated.truth import PAIRS, SENSORS

SPIN_ON, SPIN_REVERSE = 101, 102
PAIR_RELAYS = dict(zip(PAIRS, (111, 112, 113), strict=True))
GROUP_RELAYS = {
    "sensors": 121,
    "encoder": 122,
    "encoder-sensor": 123,
    "complements-sensors": 124,
    "complements-encoder": 125,
}
GROUP_SIGNALS = {
    "sensors": ("H1", "H2", "H3"),
    "encoder": ("A", "B", "Z"),
    "encoder-sensor": ("A", "Z", "H1"),
    "complements-sensors": ("H1-", "H2-", "H3-"),
    "complements-encoder": ("A-", "B-", "Z-"),
}
PULL_UP_RELAYS = dict(zip(SENSORS, (131, 132, 133), strict=True))
KNOWN_SOURCE, BRAKE_RELAY, KICK = 141, 151, 161
RELAY_NAMES: dict[int, str] = {
    SPIN_ON: "spin_on",
    SPIN_REVERSE: "spin_reverse",
    **{number: f"pair_{pair}" for pair, number in PAIR_RELAYS.items()},
    **{number: f"group_{group}" for group, number in GROUP_RELAYS.items()},
    **{number: f"pull_up_{sensor}" for sensor, number in PULL_UP_RELAYS.items()},
    KNOWN_SOURCE: "known_source",
    BRAKE_RELAY: "brake",
    KICK: "deadman_kick",
}
CONTACTS = {
    "stop_circuit": 1,
    "drive_end_guard": 2,
    "feedback_end_guard": 3,
    "motor_clamp": 4,
    "enabling_device": 5,
    "setting_selector": 6,
    "standstill": 7,
    "overspeed_ok": 8,
    "deadman_ok": 9,
    "mirror_U-V": 11,
    "mirror_V-W": 12,
    "mirror_W-U": 13,
    "winding_adapter_present": 14,
    "feedback_adapter_present": 15,
}
ADAPTER_CODE = 20
NO_ADAPTER = 0
KNOWN_SOURCE_V, KNOWN_SOURCE_HZ = 5.0, 1000.0
"""The known source: a square wave from 0 V to this voltage."""
PULL_UP_OHM = 4700.0


@dataclass(frozen=True, slots=True)
class Connection:
    """What the switch connects to the scope, and what feeds the feedback unit.

    `known_source` takes winding and feedback off and feeds the paths of all four channels in their place;
    `pull_ups` are the sensors with the bench's own pull-up; `unit_v` is the sensor supply at the unit, 0 without one, `unit_alive` whether it works with that;
    `pull_up_v` is the sensor supply at the bench's pull-ups.
    """

    pairs: tuple[str, ...] = ()
    groups: tuple[str, ...] = ()
    pull_ups: frozenset[str] = frozenset()
    known_source: bool = False
    unit_v: float = 0.0
    unit_alive: bool = False
    pull_up_v: float = 0.0


class Relays:
    """Commanded relays and, with faults, real contacts."""

    def __init__(self) -> None:
        self._commanded: dict[int, bool] = dict.fromkeys(RELAY_NAMES, False)

    def command(self, number: int, closed: bool) -> bool:  # noqa: FBT001 - the state is the value
        """Command a relay; return whether that changed anything."""
        changed = self._commanded[number] is not closed
        self._commanded[number] = closed
        return changed

    def commanded(self, number: int) -> bool:
        """Return the commanded state."""
        return self._commanded[number]

    def closed(self, number: int, faults: Mapping[str, object]) -> bool:
        """Return the state of the real contact."""
        name = RELAY_NAMES[number]
        if f"{name} welded" in faults:
            return True
        return self._commanded[number] and f"{name} dead" not in faults

    def mirror(self, pair: str, faults: Mapping[str, object]) -> bool:
        """Return the mirror contact of a pair's relay: closed while the relay is open."""
        if f"mirror_{pair} stuck closed" in faults:
            return True
        if f"mirror_{pair} stuck open" in faults:
            return False
        return not self.closed(PAIR_RELAYS[pair], faults)
