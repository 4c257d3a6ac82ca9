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
    A hand that turned the shaft clockwise before tells how a witness really counts, and so does a spin once it was
    found to go as asked; from then on its word alone is enough.

    Parameters
    ----------
    proved
        By witness, how it counts clockwise: +1 as the type says, -1 the other way round.
    seen
        By witness, how it counts in this spin.
    """

    kind: MotorType
    proved: dict[str, int] = field(default_factory=dict)
    seen: dict[str, int] = field(default_factory=dict)
    _latest: dict[str, int] = field(default_factory=dict)

    def note_hand(self, capture: Capture) -> None:
        """Take a capture while a hand turned the shaft clockwise."""
        self.proved |= self._told(capture, speed_rpm=0.0)

    def note(self, capture: Capture, speed_rpm: float) -> None:
        """Take a capture while the spin motor drives the shaft at about a speed [rpm]."""
        self.tell(self._told(capture, speed_rpm))

    def tell(self, told: dict[str, int]) -> None:
        """Take what witnesses say now: +1 if they count as the type says that they do clockwise."""
        self._latest = told
        self.seen |= told

    def forget(self) -> None:
        """Forget what was seen: the shaft stands, or is about to turn another way."""
        self.seen, self._latest = {}, {}

    def doubted(self, sign: int) -> str:
        """Return the witness of the latest capture that says no and is not proved: another one should be asked now.

        What another said before does not count against it, for the shaft may have turned over since.
        """
        return next((who for who, sense in self._latest.items() if who not in self.proved and sense * sign < 0), "")

    def agrees(self, sign: int) -> bool | None:
        """Tell whether the shaft turns as asked (+1 clockwise); None where nothing says so.

        As long as no witness is proved the shaft turns wrongly only if nobody says that it turns rightly.
        """
        known = [sense * self.proved[who] * sign for who, sense in self._latest.items() if who in self.proved]
        votes = known or [sense * sign for sense in self.seen.values()]
        if not votes:
            return None
        rightly = any(vote > 0 for vote in votes)
        # Once one is proved, nobody is proved by what it said in an earlier capture.
        if rightly and (known or not self.proved):
            self.proved = {who: sense * sign for who, sense in self.seen.items()} | self.proved
        return rightly

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
