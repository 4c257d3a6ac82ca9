"""The control side of a simulated bench: which motor is mounted, what the hands do, faults, the log. A real bench has none."""

import json
from typing import Any

from drivers.errors import BenchFault
from drivers.link import Link
from drivers.replies import as_number


class Simulation:
    """Controls a simulated bench over a link of its own."""

    def __init__(self, link: Link) -> None:
        self.link = link

    def mode(self) -> str:
        """Return `stepped` or `scaled`."""
        return self.link.query("SIM:CLOC:MODE?")

    def now_s(self) -> float:
        """Return the bench's own time [s]."""
        return as_number(self.link.resource, "SIM:CLOC?", self.link.query("SIM:CLOC?"))

    def advance(self, seconds: float) -> float:
        """Let bench time pass on a stepped bench and return the new time [s]."""
        message = f"SIM:CLOC:ADV? {seconds:.9f}"
        return as_number(self.link.resource, message, self.link.query(message))

    def serials(self) -> list[str]:
        """Return the serial numbers of all motors it has."""
        return [s.strip('"') for s in self.link.query("SIM:MOT:CAT?").split(",")]

    def mount(self, serial: str) -> None:
        """Put a motor on the bench."""
        self._tell(f'SIM:MOT "{serial}"')

    def mounted(self) -> str:
        """Return the serial number of the motor on the bench."""
        return self.link.query("SIM:MOT?").strip('"')

    def hands(self, action: str, value: float | str | None = None) -> None:
        """Let the simulated hands do something; angles in mechanical degrees, clockwise from the drive end positive."""
        match value:
            case None:
                self._tell(f'SIM:HAND "{action}"')
            case str():
                self._tell(f'SIM:HAND "{action}","{value}"')
            case _:
                self._tell(f'SIM:HAND "{action}",{value:.6f}')

    def fault(self, name: str, *, on: bool) -> None:
        """Put a fault on or take it off."""
        self._tell(f'SIM:FAUL "{name}",{"ON" if on else "OFF"}')

    def note(self, text: str) -> None:
        """Write a remark into the bench's own log."""
        self._tell(f'SIM:NOTE "{text}"')

    def event_log(self, start: int = 0) -> list[dict[str, Any]]:
        """Return the bench's own log from an index on."""
        log: list[dict[str, Any]] = self._ask(f"SIM:LOG? {start}")
        return log

    def state(self) -> dict[str, Any]:
        """Return the truth that no instrument shows; for tests and demonstrations."""
        state: dict[str, Any] = self._ask("SIM:STAT?")
        return state

    def _ask(self, message: str) -> Any:
        raw = self.link.query_block(message)
        try:
            return json.loads(raw)
        except ValueError as error:
            fault = BenchFault(self.link.resource, message, f"answers what is no JSON ({error})")
            raise self.link.give_up(fault) from None

    def _tell(self, message: str) -> None:
        self.link.write(message)
        self.link.check_errors(message)
