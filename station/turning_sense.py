"""Which way the signals say that the shaft turns, held against the way that was asked for."""

from dataclasses import dataclass, field

from analysis.hand_turn import hand_turn
from analysis.pairings import sensor_angles_deg_el
from drivers.scope import Capture
from station.motor_type import MotorType

SENSORS, ENCODER = "the order of the sensors", "the order of A and B"
MOST_COUNTS_A_SAMPLE = 0.5
"""Counts of the encoder closer together than this lose their order."""


@dataclass(slots=True)
class TurningSense:
    """What sensors and encoder say of the direction.

    A motor may come in with its leads crossed, so one witness against the type is a finding and no wrong direction.
    A hand that turned the shaft clockwise before tells how a witness really counts; its word goes first.

    Parameters
    ----------
    by_hand
        By witness, how it counted when a hand turned the shaft clockwise, +1 as the type says.
    seen
        By witness, how it counts now.
    """

    kind: MotorType
    by_hand: dict[str, int] = field(default_factory=dict)
    seen: dict[str, int] = field(default_factory=dict)

    def note_hand(self, capture: Capture) -> None:
        """Take a capture while a hand turned the shaft clockwise."""
        self.by_hand |= self._told(capture, speed_rpm=0.0)

    def note(self, capture: Capture, speed_rpm: float) -> None:
        """Take a capture while the spin motor drives the shaft at about a speed [rpm]."""
        self.seen |= self._told(capture, speed_rpm)

    def forget(self) -> None:
        """Forget what was seen: the shaft stands, or is about to turn another way."""
        self.seen.clear()

    def agrees(self, sign: int) -> bool | None:
        """Tell whether the shaft turns as asked (+1 clockwise); None where nothing says so.

        Without a hand turn the shaft turns wrongly only if nobody says that it turns rightly.
        """
        known = {who: sense * self.by_hand[who] for who, sense in self.seen.items() if who in self.by_hand}
        votes = [sense * sign for sense in (known or self.seen).values()]
        return None if not votes else any(vote > 0 for vote in votes)

    def words(self, asked: str) -> str:
        """Say who says that the shaft turns against the asked direction."""
        who = " and ".join(self.seen)
        return f"by {who} the shaft turns against the asked {asked}; check the spin motor's wiring and reversing relay"

    def _told(self, capture: Capture, speed_rpm: float) -> dict[str, int]:
        if not self.kind.is_covered:
            return {}
        sensors, encoder = self.kind.sensors, self.kind.encoder
        found = hand_turn(
            {w.signal: w for w in capture.waveforms if w.signal != "emf"},
            capture.interval_s,
            rise_deg_el=sensor_angles_deg_el(sensors.pairs, sensors.polarity, sensors.targets_deg_el),
            a_leads_cw=encoder.leads_going_cw == "A",
        )
        counts_a_sample = 4 * encoder.lines * abs(speed_rpm) / 60 * capture.interval_s
        by_encoder = found.by_encoder if counts_a_sample <= MOST_COUNTS_A_SAMPLE else 0
        told = {SENSORS: found.by_sensors, ENCODER: by_encoder}
        return {who: sense for who, sense in told.items() if sense}
