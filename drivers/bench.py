"""The bench: every instrument opened and identified, under one lock, with one clock."""

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from types import TracebackType
from typing import Self

from drivers.bench_clock import open_clock
from drivers.bench_file import CONTROL, BenchFile
from drivers.bench_lock import BenchLock
from drivers.errors import BenchFault
from drivers.inputs import Inputs
from drivers.instrument_port import InstrumentPort
from drivers.link import TIMEOUT_S, Link
from drivers.scope import CaptureSettings, Progress, Scope
from drivers.simulation import Simulation
from drivers.supply import Supply
from drivers.switch import DEADMAN, Switch
from safety.clock import Clock
from safety.limits import LINK_TIMEOUT_S
from safety.permit import Permit

Traffic = Callable[[float, str, str, str], None]
"""Called with bench time [s], role, "to", "from" or "closed", and the text; a block is told as length and digest."""

CAPTURE_WITHIN_S = 1.0
SCOPE_TIMES = 2.0
CHECK_CURRENT_A, CHECK_PROTECTION_V = 0.1, 5.0


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

    def __init__(
        self, file: BenchFile, lock: BenchLock, clock: Clock, links: dict[str, Link], replies: dict[str, str]
    ) -> None:
        self.file, self._lock, self.clock, self._links, self._replies = file, lock, clock, links, replies
        self.simulation = Simulation(links[CONTROL]) if CONTROL in links else None
        self.spin_supply = Supply(self._port("spin_supply"), clock, "spin supply")
        self.sensor_supply = Supply(self._port("sensor_supply"), clock, "sensor supply")
        self.brake_supply = (
            None if file.brake_supply is None else Supply(self._port("brake_supply"), clock, "brake supply")
        )
        self.scope = Scope(self._port("scope"), clock)
        self.switch = Switch(self._port("switch"), clock, file.switch.relays)
        self.inputs = Inputs(self._port("inputs"), file.inputs.contacts)

    @classmethod
    def open(cls, file: BenchFile, *, traffic: Traffic | None = None) -> Self:
        """Take the bench's lock and open every instrument.

        Parameters
        ----------
        traffic
            Called with bench time, role, direction and text for each message to and from an instrument; the control
            side of a simulated bench is none.

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
            if file.simulation is not None:
                links[CONTROL] = Link(file.simulation.resource, role=CONTROL)
                replies[CONTROL] = links[CONTROL].open(file.simulation.identity)
            clock = open_clock(file, Simulation(links[CONTROL]) if CONTROL in links else None)
            timeouts_s = reply_times_s(file)
            for role, entry in file.entries().items():
                if role != CONTROL:
                    told = None if traffic is None else partial(_tell, traffic, clock, role)
                    links[role] = Link(entry.resource, told, role=role, last_words=_last_words(file, role))
                    replies[role] = links[role].open(entry.identity)
                    links[role].keep_within(timeouts_s[role])
            return cls(file, lock, clock, links, replies)
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

    def demand_links(self) -> None:
        """Make sure that no instrument has closed its connection, those too that are not asked now.

        Raises
        ------
        LinkDown
            One has.
        """
        for role, link in self._links.items():
            if role != CONTROL:
                link.demand_alive()

    def look_meanwhile(self, look: Callable[[], None] | None) -> None:
        """Let somebody look at the bench while the scope, whose replies are long, is waited for."""
        self._links["scope"].keep_within(reply_times_s(self.file)["scope"], look)
        self.scope.meanwhile = look or _nothing

    def connect_pair(self, pair: str | None, permit: Callable[[], Permit]) -> None:
        """Connect one winding pair or none, break before make, with the mirror contacts read in between."""
        self.switch.connect_pair(pair, permit, self.inputs.mirrors)

    def identities(self) -> list[InstrumentIdentity]:
        """Every instrument as it answered when it was opened."""
        made = []
        for role, entry in self.file.entries().items():
            firmware = self._replies[role].split(",", 3)[-1].strip()
            kind = "control" if role == CONTROL else self.file.command_map(role).kind
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
        """Ask everything of every instrument that energises nothing: that proves links, wiring and command maps."""
        checks: list[tuple[str, Callable[[], str]]] = []
        supplies = (("spin", self.spin_supply), ("sensor", self.sensor_supply), ("brake", self.brake_supply))
        for name, supply in supplies:
            if supply is not None:
                checks.append((f"{name} supply is off", partial(_off, supply)))
                checks.append((f"{name} supply takes limits", partial(_takes_limits, supply)))
        checks += [
            ("relays are open", self._relays_are_open),
            ("contacts answer", lambda: ", ".join(n for n, v in self.inputs.read().items() if v is True) + " closed"),
            ("mirror contacts agree", self._mirrors_agree),
            ("scope captures", self._scope_captures),
        ]
        return [_try(what, act) for what, act in checks]

    def _relays_are_open(self) -> str:
        closed = [name for name, is_closed in self.switch.read_states().items() if is_closed]
        # The dead-man relay is toggled as long as a station lives, and stays as it was left.
        left = [name for name in closed if name != DEADMAN]
        if left:
            raise BenchFault(self.file.switch.resource, "relays", f"{', '.join(left)} closed; allowed: none at rest")
        return "all open"

    def _mirrors_agree(self) -> str:
        shown = [pair for pair, is_open in self.inputs.mirrors().items() if not is_open]
        if shown:
            said = f"{', '.join(shown)} shown connected; allowed: none at rest"
            raise BenchFault(self.file.inputs.resource, "mirror contacts", said)
        return "no winding pair connected"

    def _scope_captures(self) -> str:
        signals = ("emf", "H1", "H2", "H3")
        volts = (10.0,) * len(signals)
        self.scope.prepare(CaptureSettings("none", signals, None, 1e-5, 1000, volts, (0.0,) * len(signals)))
        self.scope.arm()
        until_s = self.clock.now_s() + CAPTURE_WITHIN_S
        while (progress := self.scope.progress()) is not Progress.DONE:
            if self.clock.now_s() > until_s:
                self.scope.abort()
                said = f"{progress.value} after {CAPTURE_WITHIN_S:g} s; allowed: done"
                raise BenchFault(self.file.scope.resource, "capture", said)
            self.clock.wait(0.01)
        capture = self.scope.fetch()
        return f"{len(capture.waveforms)} waveforms of {capture.settings.samples} samples"

    def _port(self, role: str) -> InstrumentPort:
        return InstrumentPort(self._links[role], self.file.command_map(role))


def reply_times_s(file: BenchFile) -> dict[str, float]:
    """Return how long each instrument may take for a reply, in real time [s].

    What the supervisor asks has `LINK_TIMEOUT_S` of bench time. While the scope is waited for the supervisor goes on
    looking, so its longer blocks have twice that. On a stepped clock no bench time passes meanwhile, and a fixed time
    tells a dead link.
    """
    if file.clock == "stepped":
        return dict.fromkeys(file.entries(), TIMEOUT_S)
    in_real_s = LINK_TIMEOUT_S / (file.clock_factor if file.clock == "scaled" else 1.0)
    return dict.fromkeys(file.entries(), in_real_s) | {"scope": SCOPE_TIMES * in_real_s}


def _nothing() -> None:
    """Do nothing meanwhile."""


def _off(supply: Supply) -> str:
    if supply.is_on():
        raise BenchFault("supply", "output", "it is on; allowed: off at rest")
    voltage_v, current_a = supply.measure()
    return f"{voltage_v:.3f} V, {current_a:.3f} A"


def _takes_limits(supply: Supply) -> str:
    if supply.is_on():
        raise BenchFault("supply", "limits", "it is on; allowed: off, limits are tried at rest only")
    supply.configure(0.0, CHECK_CURRENT_A, CHECK_PROTECTION_V)
    return f"0 V, {CHECK_CURRENT_A:g} A, protection at {CHECK_PROTECTION_V:g} V read back"


def _last_words(file: BenchFile, role: str) -> str:
    """Return what takes an output away when its link is lost; not a brake's, which would grip a turning shaft."""
    return file.command_map(role)["switch_off"].text() if role in ("spin_supply", "sensor_supply") else ""


def _tell(traffic: Traffic, clock: Clock, role: str, way: str, text: str) -> None:
    traffic(clock.now_s(), role, way, text)


def _try(what: str, act: Callable[[], str]) -> Checked:
    try:
        return Checked(what, ok=True, detail=act())
    except BenchFault as fault:
        return Checked(what, ok=False, detail=str(fault))


def _close(links: dict[str, Link], lock: BenchLock) -> None:
    for link in links.values():
        link.close()
    lock.release()
