"""The bench: every instrument opened and identified, under one lock, with one clock."""

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Self

from drivers.bench_clock import open_clock
from drivers.bench_file import BenchFile
from drivers.bench_lock import BenchLock
from drivers.errors import BenchFault
from drivers.inputs import Inputs
from drivers.instrument_port import InstrumentPort
from drivers.link import Link, Traffic
from drivers.scope import Scope
from drivers.simulation import Simulation
from drivers.supply import Supply
from drivers.switch import Switch
from safety.permit import Permit


@dataclass(frozen=True, slots=True)
class InstrumentIdentity:
    """What answered, and its calibration as the bench file states it."""

    role: str
    kind: str
    maker: str
    model: str
    serial: str
    firmware: str
    calibration_due: datetime.date | None
    certificate: str | None


@dataclass(frozen=True, slots=True)
class Checked:
    """One line of a bench check."""

    what: str
    ok: bool
    detail: str


class Bench:
    """An opened bench; use it as a context manager. Closing never raises."""

    def __init__(self, file: BenchFile, lock: BenchLock, links: dict[str, Link], replies: dict[str, str]) -> None:
        self.file, self._lock, self._links, self._replies = file, lock, links, replies
        self.simulation = Simulation(links["simulation"]) if "simulation" in links else None
        self.clock = open_clock(file, self.simulation)
        self.spin_supply = Supply(self._port("spin_supply"), self.clock, "spin supply")
        self.sensor_supply = Supply(self._port("sensor_supply"), self.clock, "sensor supply")
        self.brake_supply = (
            None if file.brake_supply is None else Supply(self._port("brake_supply"), self.clock, "brake supply")
        )
        self.scope = Scope(self._port("scope"), self.clock)
        self.switch = Switch(self._port("switch"), self.clock, file.switch.relays)
        self.inputs = Inputs(self._port("inputs"), file.inputs.contacts)

    @classmethod
    def open(cls, file: BenchFile, *, traffic: Traffic | None = None) -> Self:
        """Take the bench's lock and open every instrument.

        Raises
        ------
        BenchFault
            Another run holds the bench, an instrument does not answer, or another one than named does.
        """
        lock = BenchLock(file)
        lock.take()
        links: dict[str, Link] = {}
        replies: dict[str, str] = {}
        try:
            for role, entry in file.entries().items():
                links[role] = Link(entry.resource, traffic, role=role)
                replies[role] = links[role].open((entry.maker, entry.model, entry.serial))
            return cls(file, lock, links, replies)
        except BaseException:
            _close(links, lock)
            raise

    def __enter__(self) -> Self:
        """Return the opened bench."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close every link and let go of the lock."""
        self.close()

    def close(self) -> None:
        """Close every link and let go of the lock; never raises."""
        _close(self._links, self._lock)

    def connect_pair(self, pair: str | None, permit: Callable[[], Permit]) -> None:
        """Connect one winding pair or none, break before make, with the mirror contacts read in between."""
        self.switch.connect_pair(pair, permit, self.inputs.mirrors)

    def identities(self) -> list[InstrumentIdentity]:
        """Every instrument as it answered when it was opened."""
        made = []
        for role, entry in self.file.entries().items():
            firmware = self._replies[role].split(",", 3)[-1].strip()
            kind = "control" if role == "simulation" else self.file.command_map(role).kind
            made.append(
                InstrumentIdentity(
                    role,
                    kind,
                    entry.maker,
                    entry.model,
                    entry.serial,
                    firmware,
                    entry.calibration_due,
                    entry.certificate,
                )
            )
        return made

    def check(self) -> list[Checked]:
        """Read everything that can be read without energising anything."""
        checks: list[tuple[str, Callable[[], str]]] = [
            ("spin supply is off", lambda: _off(self.spin_supply)),
            ("sensor supply is off", lambda: _off(self.sensor_supply)),
            ("relays answer", lambda: f"{sum(self.switch.read_states().values())} closed"),
            ("contacts answer", lambda: ", ".join(n for n, v in self.inputs.read().items() if v is True) + " closed"),
            ("scope answers", lambda: self.scope.progress().value),
        ]
        if self.brake_supply is not None:
            brake = self.brake_supply
            checks.insert(2, ("brake supply is off", lambda: _off(brake)))
        return [_try(what, act) for what, act in checks]

    def _port(self, role: str) -> InstrumentPort:
        return InstrumentPort(self._links[role], self.file.command_map(role))


def _off(supply: Supply) -> str:
    if supply.is_on():
        raise BenchFault("supply", "output", "it is on; allowed: off at rest")
    voltage_v, current_a = supply.measure()
    return f"{voltage_v:.3f} V, {current_a:.3f} A"


def _try(what: str, act: Callable[[], str]) -> Checked:
    try:
        return Checked(what, ok=True, detail=act())
    except BenchFault as fault:
        return Checked(what, ok=False, detail=str(fault))


def _close(links: dict[str, Link], lock: BenchLock) -> None:
    for link in links.values():
        link.close()
    lock.release()
