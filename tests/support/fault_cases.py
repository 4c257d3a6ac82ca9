"""The faults of the campaign, and which of them strike together."""

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from fault_proxy import KINDS, ONCE, SILENT

from drivers.simulated.faults import FAULTS, ROLES

PAIR_EVERY = 5
"""Every so many runs two faults strike at once."""
BEFORE_EVERY = 8
"""Every so many runs the fault is there from before the run."""
HANDS = {
    "press stop": "release stop",
    "open guards": "close guards",
    "unclamp motor": "clamp motor",
    "unplug winding adapter": "plug winding adapter",
    "unplug feedback adapter": "plug feedback adapter",
}
"""What a person may do meanwhile, and what undoes it."""
STATION = ("SIGKILL", "SIGTERM", "Ctrl-C", "stopped for a second")
BENCH = ("killed", "stopped for a second")
SUPPLY_FAULTS = ("silent", "slow", "late reply", "garbage", "cut", "refuses connection", "reads no number")


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: `bench` or `motor` are the simulated bench's own; the rest is done from outside.

    `link` is a kind of the proxy at `role`.
    """

    name: str
    kind: str
    role: str = ""

    @property
    def lasts(self) -> bool:
        """Whether it stays until it is taken off."""
        return self.kind in ("bench", "motor", "hands") or (self.kind == "link" and self.what not in ONCE)

    @property
    def what(self) -> str:
        """The kind of a link's fault, or what happens to a process."""
        return self.name.rpartition(": ")[2]

    @property
    def words(self) -> tuple[str, ...]:
        """Any of these stands in the reason of a run that it stops; nothing where many reasons are right."""
        if self.what in SILENT:
            return ()
        if self.kind == "link" or (self.kind == "bench" and self.role):
            # A switch that hears nothing shows by the dead-man relay too, and a command that got lost by its effect.
            first = self.role.partition(" ")[0]
            return (self.role, f"{first} voltage", f"{first} current", "dead-man", "standstill", "trip")
        if self.kind == "hands":
            return HAND_WORDS[self.name.removeprefix("hands: ")]
        return ("asked to stop",) if self.what in ("SIGTERM", "Ctrl-C") else ()


HAND_WORDS = {
    "press stop": ("stop circuit",),
    "open guards": ("guard",),
    "unclamp motor": ("motor clamp",),
    # The brake's leads run through it.
    "unplug winding adapter": ("winding adapter", "brake current"),
    "unplug feedback adapter": ("adapter",),
}


def all_faults() -> list[Fault]:
    """Return every fault once."""
    own = [
        Fault(name, "bench" if fault.where == "bench" else "motor", next((r for r in ROLES if name.startswith(r)), ""))
        for name, fault in FAULTS.items()
    ]
    links = [Fault(f"{role}: {kind}", "link", role) for role in ROLES for kind in KINDS]
    hands = [Fault(f"hands: {action}", "hands") for action in HANDS]
    station = [Fault(f"station: {what}", "station") for what in STATION]
    bench = [Fault(f"bench: {what}", "process") for what in BENCH]
    return [*own, *links, *hands, *station, *bench]


@dataclass(frozen=True, slots=True)
class Case:
    """One run of the campaign: what strikes, and when."""

    number: int
    faults: tuple[Fault, ...]
    before: bool
    share: float
    """When, as a share of what the run takes from its first output, 0 to 1."""
    motor: int
    by_hand: bool
    """Whether the sequence begins with a turn by hand."""

    @property
    def name(self) -> str:
        """The faults by name."""
        return " + ".join(fault.name for fault in self.faults)

    def has(self, *names: str) -> bool:
        """Tell whether one of these strikes."""
        return any(fault.name in names for fault in self.faults)

    def spoils(self, role: str) -> bool:
        """Tell whether commands to a role may get lost."""
        return any(fault.role == role and (fault.kind == "link" or _of_link(fault)) for fault in self.faults)

    @property
    def both_ways_off_lost(self) -> bool:
        """Whether neither output nor relay of the spin supply obeys the station any more."""
        output = self.has("supply stuck on") or self.spoils("spin supply")
        relay = self.has("spin_on welded") or self.spoils("switch")
        return output and relay

    @property
    def station_silent(self) -> bool:
        """Whether the dead-man relay alone is left to take the drive away."""
        return any(f.kind == "process" or f.name in ("station: SIGKILL", f"station: {STATION[3]}") for f in self.faults)

    def beyond_reach(self) -> set[str]:
        """Return what the fault itself keeps on: names as the bench's log has them."""
        out = {f"contact {f.name.removesuffix(' welded')}" for f in self.faults if f.name.endswith(" welded")}
        if self.has("supply stuck on"):
            out.add("spin supply live")
        return out


def _of_link(fault: Fault) -> bool:
    return bool(fault.role) and fault.name.removeprefix(f"{fault.role} ") in SUPPLY_FAULTS


def deck(runs: int, seed: int) -> list[Case]:
    """Deal so many cases: every fault once before any comes again, in an order that the seed makes."""
    rng = random.Random(seed)  # noqa: S311 - a deal, no secret
    faults = all_faults()
    singles = _dealt(faults, rng)
    return [_case(number, singles, faults, rng) for number in range(runs)]


def _case(number: int, singles: Iterator[Fault], faults: Sequence[Fault], rng: random.Random) -> Case:
    first = next(singles)
    together = (first,)
    if number % PAIR_EVERY == PAIR_EVERY - 1:
        together = (first, rng.choice([f for f in faults if _may_strike_together(first, f)]))
    may_be_before = all(f.kind not in ("station", "process", "hands") for f in together)
    return Case(
        number=number,
        faults=together,
        before=may_be_before and number % BEFORE_EVERY == BEFORE_EVERY - 1,
        share=rng.random(),
        motor=rng.randrange(3),
        by_hand=rng.random() < 0.25,
    )


def _dealt(faults: Sequence[Fault], rng: random.Random) -> Iterator[Fault]:
    while True:
        yield from rng.sample(faults, len(faults))


def _may_strike_together(one: Fault, other: Fault) -> bool:
    """Leave out what no station could answer: its own silence with the hardwired part gone that guards against it."""
    if one.name == other.name or {one.kind, other.kind} <= {"station", "process"}:
        return False
    case = Case(0, (one, other), before=False, share=0.0, motor=0, by_hand=False)
    needs_dead_man = case.station_silent or case.both_ways_off_lost or case.spoils("switch")
    return not (needs_dead_man and case.has("dead-man failed"))
