"""The bench's hardwired safety: dead-man relay, speed limit, standstill relay, and the contactor of the spin supply.

They watch in bench time whether anybody asks or not, as the real parts do, and the contactor stays open after a drop
until the spin supply's output has been switched off.
"""

from collections.abc import Container
from dataclasses import dataclass

DEADMAN_S = 0.45
"""A kick must come within 500 ms; the relay keeps 50 ms for its own release time."""
STANDSTILL_RPM = 2.0
STANDSTILL_HOLD_S = 0.15
SPEED_LIMIT_RPM = 1500.0
SETTING_SPEED_LIMIT_RPM = 75.0


@dataclass(frozen=True, slots=True)
class Seen:
    """What the safety relays are wired to."""

    now_s: float
    rpm: float
    stop_ok: bool
    drive_end_guard: bool
    feedback_end_guard: bool
    setting: bool
    enabled: bool
    supply_on: bool


class SafetyRelays:
    """State of the hardwired relays."""

    def __init__(self) -> None:
        self.deadman_ok = False
        self.overspeed_ok = True
        self.standstill = True
        self.contactor = False
        self._latched = False
        self.kicked_s = float("-inf")
        self._moved_s = float("-inf")

    def kick(self, now_s: float) -> None:
        """Note a change of the dead-man input."""
        self.kicked_s = now_s

    def next_deadline_s(self, now_s: float) -> float:
        """Return when, with nothing else happening, one of the relays would change."""
        deadlines = [self.kicked_s + DEADMAN_S] if self.deadman_ok else []
        deadlines += [] if self.standstill else [self._moved_s + STANDSTILL_HOLD_S]
        return min((t for t in deadlines if t > now_s), default=float("inf"))

    def update(self, seen: Seen, faults: Container[str]) -> list[tuple[str, bool]]:
        """Let the relays follow what they see; return those that changed with their new state."""
        before = self._states()
        kept = seen.now_s < self.kicked_s + DEADMAN_S - 1e-9
        self.deadman_ok = kept or (self.deadman_ok and "dead-man failed" in faults)
        if abs(seen.rpm) > STANDSTILL_RPM:
            self._moved_s = seen.now_s
        still = seen.now_s >= self._moved_s + STANDSTILL_HOLD_S - 1e-9
        self.standstill = still or "standstill contact stuck" in faults
        limit_rpm = SETTING_SPEED_LIMIT_RPM if seen.setting else SPEED_LIMIT_RPM
        if abs(seen.rpm) > limit_rpm and "overspeed relay failed" not in faults:
            self.overspeed_ok = False
        elif still and not seen.supply_on:
            self.overspeed_ok = True
        self._switch_contactor(seen)
        return [(name, state) for name, state in self._states().items() if state is not before[name]]

    def _switch_contactor(self, seen: Seen) -> None:
        # For setting the feedback end may be open while the enabling device is held; the drive end never.
        guarded = seen.drive_end_guard and (seen.feedback_end_guard or (seen.setting and seen.enabled))
        allowed = seen.stop_ok and guarded and self.deadman_ok and self.overspeed_ok
        if not seen.supply_on:
            self._latched = False
        elif not allowed:
            self._latched = True
        self.contactor = allowed and not self._latched

    def _states(self) -> dict[str, bool]:
        return {
            "deadman_ok": self.deadman_ok,
            "overspeed_ok": self.overspeed_ok,
            "standstill": self.standstill,
            "contactor": self.contactor,
        }
