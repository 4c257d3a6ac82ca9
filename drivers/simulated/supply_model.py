"""A bench supply as a source: voltage, current limit, overvoltage protection, output."""

from dataclasses import dataclass


@dataclass(slots=True)
class SupplyModel:
    """Settings and state of one supply; `most_v` and `most_a` are what it can give."""

    role: str
    most_v: float
    most_a: float
    set_v: float = 0.0
    limit_a: float = 0.0
    protection_v: float = 0.0
    commanded: bool = False
    tripped: bool = False
    stuck_on: bool = False
    used: bool = False
    gain: float = 1.0

    def __post_init__(self) -> None:
        """Start as after power on."""
        self.reset()

    def reset(self) -> None:
        """Go to the state after power on: output off, nothing set, protection at its highest."""
        self.set_v, self.limit_a, self.protection_v = 0.0, 0.0, self.most_v * 1.1
        self.commanded = self.tripped = False

    def switch(self, *, on: bool) -> None:
        """Command the output."""
        self.commanded = on
        self.used = self.used or on

    @property
    def on(self) -> bool:
        """Whether the output really is on; one that sticks stays on once it has been."""
        return (self.commanded or (self.stuck_on and self.used)) and not self.tripped

    @property
    def volts(self) -> float:
        """Voltage that the output tries to hold, 0 while off."""
        return self.set_v * self.gain if self.on else 0.0

    def protect(self) -> bool:
        """Trip when the voltage is above the protection level; return whether it tripped now."""
        if self.on and self.set_v > self.protection_v:
            self.tripped = True
            self.commanded = False
            return True
        return False

    def into_resistance(self, ohm: float) -> tuple[float, float]:
        """Return voltage [V] and current [A] at a resistive load, within the current limit."""
        current = self.volts / ohm
        if current > self.limit_a:
            return self.limit_a * ohm, self.limit_a
        return self.volts, current
