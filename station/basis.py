"""What findings are worked out from beside the captures: what is known of the machine, and the errors of what took them."""

from dataclasses import dataclass
from typing import Protocol

from drivers.bench_parts import Errors
from station.motor_parts import Convention, Emf, Encoder, Sensors, Winding


class Machine(Protocol):
    """What is known of a motor: a motor type file says it, or the description of saved captures.

    `sensors` and `encoder` raise ValueError where the motor has none that can be measured.
    """

    @property
    def pole_pairs(self) -> int:
        """Pole pairs."""

    @property
    def sensors(self) -> Sensors:
        """The commutation sensors."""

    @property
    def encoder(self) -> Encoder:
        """The incremental encoder."""

    @property
    def counts_per_turn(self) -> int | None:
        """Counts of the encoder, four a line, where it is known."""

    @property
    def convention(self) -> Convention:
        """How the maker states angles."""

    @property
    def emf(self) -> Emf | None:
        """The EMF constant as stated, where it is."""

    @property
    def winding(self) -> Winding | None:
        """The winding as stated, where it is."""


@dataclass(frozen=True, slots=True)
class Basis:
    """The machine, the standard uncertainties of type B of the instruments, and the mains frequency [Hz] where known."""

    machine: Machine
    errors: Errors
    mains_hz: float | None
