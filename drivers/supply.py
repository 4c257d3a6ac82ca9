"""A DC supply with one output: limits set and read back before it is on, and on by permit only."""

from drivers.errors import Refused
from drivers.instrument_port import InstrumentPort
from safety.clock import Clock
from safety.permit import Permit


class Supply:
    """One supply.

    Parameters
    ----------
    purpose
        What a permit must be for: `spin supply`, `sensor supply`, `brake supply`.
    """

    def __init__(self, port: InstrumentPort, clock: Clock, purpose: str) -> None:
        self._port, self._clock, self._purpose = port, clock, purpose
        self._limits_known = False
        self._protection_v = 0.0

    def configure(self, voltage_v: float, current_limit_a: float, protection_v: float) -> None:
        """Set voltage, current limit and over-voltage protection and read them back; the output stays as it is.

        Raises
        ------
        Refused
            A value reads back differently, or the voltage is above its protection.
        """
        self._limits_known, self._protection_v = False, 0.0
        self._refuse_above(voltage_v, protection_v)
        self._port.set_and_read_back("protection", protection_v)
        self._port.set_and_read_back("current", current_limit_a)
        self._port.set_and_read_back("voltage", voltage_v)
        self._limits_known, self._protection_v = True, protection_v

    def switch_on(self, permit: Permit) -> None:
        """Switch the output on.

        Raises
        ------
        Refused
            Its limits were not set before.
        PermitRefused
            The permit is stale or for something else; nothing was sent.
        """
        if not self._limits_known:
            raise Refused(self._port.link.resource, "switch on", "limits have not been set and read back")
        permit.demand(self._purpose, self._clock.now_s())
        self._port.send("switch_on")

    def set_voltage(self, voltage_v: float, permit: Permit) -> None:
        """Change the voltage of an output that may be on.

        Raises
        ------
        Refused
            The voltage is above the protection that was set.
        PermitRefused
            The permit is stale or for something else; nothing was sent.
        """
        self._refuse_above(voltage_v, self._protection_v)
        permit.demand(self._purpose, self._clock.now_s())
        self._port.set_and_read_back("voltage", voltage_v)

    def switch_off(self) -> None:
        """Switch the output off and make sure that it is.

        Raises
        ------
        Refused
            The output still reads as on.
        """
        self._limits_known, self._protection_v = False, 0.0
        self._port.send("switch_off")
        if self.is_on():
            raise Refused(self._port.link.resource, "switch off", "the output still reads as on")

    def measure(self) -> tuple[float, float]:
        """Return output voltage [V] and current [A]."""
        voltage_v, current_a = self._port.numbers_of([("measure_voltage", {}), ("measure_current", {})])
        return voltage_v, current_a

    def is_on(self) -> bool:
        """Tell whether the output is on."""
        return self._port.boolean("read_output")

    def _refuse_above(self, voltage_v: float, protection_v: float) -> None:
        if not 0 <= voltage_v <= protection_v:
            raise Refused(
                self._port.link.resource,
                f"{voltage_v:g} V",
                f"outside its protection; allowed: 0 to {protection_v:g} V",
            )
