"""One way in which sensor wires, leads and readings can differ from what the type states: what it costs, in words."""

from dataclasses import dataclass

from analysis.pairings import PAIRS, SENSORS

LEADS = ("U", "V", "W")
COST_SENSOR_SWAP, COST_LEAD_SWAP, COST_CYCLIC, COST_READING, COST_INVERTED = 1.0, 1.5, 2.0, 1.0, 2.5
"""How unlikely each single fault is against the others (common practice, no source)."""
WIRED_AS_STATED = "wired as the type states"
ENDS = ((0, 1), (1, 2), (2, 0))
"""The leads, by number, between which each winding pair is read."""


@dataclass(frozen=True, slots=True)
class WiringFault:
    """A wiring: which sensor arrives on each sensor wire and which lead on each terminal, and what is turned over.

    Parameters
    ----------
    sensors
        `sensors[i]` is the number of the sensor that arrives where sensor i should.
    leads
        `leads[i]` is the number of the winding's lead on the terminal of lead i.
    inverted
        Whether the signal that arrives as sensor i is turned over.
    readings
        Whether the station reads pair i the wrong way round.
    """

    sensors: tuple[int, ...]
    leads: tuple[int, ...]
    inverted: tuple[bool, ...]
    readings: tuple[bool, ...]

    @property
    def pairs_read(self) -> tuple[tuple[int, bool], ...]:
        """For each pair of terminals: the number of the winding pair that is really there, and whether reversed."""
        found = []
        for first, second in ENDS:
            there = (self.leads[first], self.leads[second])
            forward = there in ENDS
            found.append((ENDS.index(there if forward else there[::-1]), not forward))
        return tuple(found)

    @property
    def cost(self) -> float:
        """Sum of the costs of the single faults; the least of all explanations is the likeliest."""
        return (
            _order_cost(self.sensors, COST_SENSOR_SWAP)
            + _order_cost(self.leads, COST_LEAD_SWAP)
            + COST_INVERTED * sum(self.inverted)
            + self._reading_cost
        )

    @property
    def _reading_cost(self) -> float:
        # All readings reversed together is one fault: the scope's leads, or the adapter.
        return COST_READING if all(self.readings) else COST_READING * sum(self.readings)

    @property
    def parts(self) -> tuple[str, ...]:
        """What is wrong, in words; empty where nothing is."""
        return (
            *_order_words(self.sensors, SENSORS, "sensor wires"),
            *_order_words(self.leads, LEADS, "motor leads"),
            *(f"{SENSORS[i]} inverted" for i in range(3) if self.inverted[i]),
            *self._reading_words("EMF reading of {} reversed"),
        )

    @property
    def mending(self) -> tuple[str, ...]:
        """What to do about it, in words; empty where nothing is wrong."""
        return (
            *_order_mending(self.sensors, SENSORS, "sensor wires"),
            *_order_mending(self.leads, LEADS, "motor leads"),
            *(f"undo the inversion of {SENSORS[i]}" for i in range(3) if self.inverted[i]),
            *self._reading_words("prove and mend the station's EMF path of {}"),
        )

    def _reading_words(self, form: str) -> tuple[str, ...]:
        if all(self.readings):
            return (form.format("all pairs"),)
        return tuple(form.format(PAIRS[i]) for i in range(3) if self.readings[i])


def _order_cost(order: tuple[int, ...], swap: float) -> float:
    in_place = sum(o == i for i, o in enumerate(order))
    return {3: 0.0, 1: swap}.get(in_place, COST_CYCLIC)


def _order_words(order: tuple[int, ...], names: tuple[str, ...], what: str) -> tuple[str, ...]:
    moved = [i for i, o in enumerate(order) if o != i]
    if not moved:
        return ()
    if len(moved) < len(order):
        return (f"{what} {names[moved[0]]} and {names[moved[1]]} swapped",)
    return (f"{what} moved round: {', '.join(f'{names[o]} in place of {names[i]}' for i, o in enumerate(order))}",)


def _order_mending(order: tuple[int, ...], names: tuple[str, ...], what: str) -> tuple[str, ...]:
    moved = [i for i, o in enumerate(order) if o != i]
    if not moved:
        return ()
    if len(moved) < len(order):
        return (f"swap the {what} {names[moved[0]]} and {names[moved[1]]}",)
    return (
        f"move the {what} back: {', '.join(f'{names[o]} to its place from that of {names[i]}' for i, o in enumerate(order))}",
    )
