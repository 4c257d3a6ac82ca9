"""Rules about what must come before what: supplies before spin, a slow first spin, captures before measures."""

from dataclasses import dataclass, field
from typing import assert_never

from safety.strict_yaml import Problem
from station.ask_model import Ask
from station.finding_names import Direction
from station.motor_type import MotorType
from station.planned_steps import Action, Place, PlannedCapture, PlannedRepeat, PlannedSpin
from station.sequence_model import Compare, Energise, Measure, Rest, Sequence, Wait
from station.wording import listed

FIRST_SPIN_MOST_RPM = 120.0
FIRST_SPIN_LONGEST_S = 10.0
"""What counts as slow and short for the first powered spin (common practice, no source; for an assessor to set)."""

SOURCES_OF: dict[str, tuple[frozenset[str], str]] = {
    "timing": (frozenset({"sensors spin", "encoder-sensor spin"}), "a capture of sensors while spinning"),
    "wiring": (frozenset({"sensors spin"}), "a capture of sensors while spinning"),
    "correction": (frozenset({"sensors spin"}), "a capture of sensors while spinning"),
    "sensors": (frozenset({"sensors spin", "sensors hand", "sensors standstill"}), "a capture of sensors"),
    "encoder": (frozenset({"encoder spin"}), "a capture of encoder while spinning"),
    "windings": (
        frozenset({"emf", "winding_resistance", "insulation_resistance"}),
        "a capture while spinning, or a reading",
    ),
    "mechanics": (frozenset({"spun"}), "a spin"),
    "hand_turn": (frozenset({"sensors hand", "encoder hand", "encoder-sensor hand"}), "a capture with drive hand"),
    "standstill": (frozenset({"standstill"}), "a capture with drive standstill"),
    "self_test": (frozenset({"known-source"}), "a capture of known-source"),
}
"""What each quantity is worked out from: one of these must have come before, and how to say so."""

Found = list[tuple[Place, str, str]]
"""Problems as (key below the step, what, allowed)."""

PRESENCE = {"winding adapter": "winding_adapter_present", "feedback adapter": "feedback_adapter_present"}


@dataclass(slots=True)
class BenchState:
    """What the steps so far have brought about."""

    sensor_on: bool = False
    brake_on: bool = False
    spinning: tuple[Direction, float] | None = None
    """Direction and target [rpm] while the shaft turns."""
    in_first_spin: bool = False
    first_spin_s: float = 0.0
    unplugged: set[str] = field(default_factory=set)
    proven_open: set[str] = field(default_factory=set)
    sources: set[str] = field(default_factory=set)
    measured: set[str] = field(default_factory=set)

    @property
    def has_spun(self) -> bool:
        """Whether the shaft has been turned under power in this run."""
        return "spun" in self.sources

    def at_rest(self) -> None:
        """Note that all outputs are off and the shaft stands."""
        self.sensor_on, self.brake_on, self.spinning, self.in_first_spin = False, False, None, False


@dataclass(frozen=True, slots=True)
class OrderRules:
    """Holds each step against the state it finds, and brings the state on."""

    sequence: Sequence
    motor_type: MotorType
    state: BenchState

    def enter(self, action: Action, place: Place) -> list[Problem]:
        """Return what is wrong with doing this step now, and note what it does."""
        match action:
            case Ask():
                found = self._ask(action)
            case Energise():
                found = self._energise(action)
            case PlannedSpin():
                found = self._spin(action)
            case PlannedCapture():
                found = self._capture(action)
            case Measure():
                found = self._measure(action)
            case Compare():
                found = self._compare(action)
            case Wait() | Rest() | PlannedRepeat():
                found = self._pause(action)
            case _:
                assert_never(action)
        return [self.sequence.document.problem((*place, *key), what, allowed) for key, what, allowed in found]

    def _ask(self, ask: Ask) -> Found:
        state, found = self.state, Found()
        if state.spinning is not None:
            found.append((("ask",), "a question while the shaft turns", "a rest before it"))
        plugging = [hand for hand in ask.hands if "plug" in hand or hand == "fit feedback unit"]
        if plugging and (state.sensor_on or state.brake_on):
            found.append((("ask", "hands"), f"'{plugging[0]}' with a supply on", "a rest before it"))
        if "turn body" in ask.hands and "correction" not in state.measured:
            found.append(
                (("ask", "hands"), "'turn body' before a correction is measured", "a measure of correction before it")
            )
        if ask.records == "insulation_resistance":
            found += self._insulation()
        if ask.records is not None:
            state.sources.add("winding_resistance" if ask.records.startswith("winding_resistance") else ask.records)
        for hand in ask.hands:
            self._note_plug(hand)
        return found

    def _insulation(self) -> Found:
        """Insulation is never tested through the bench: both adapters off, seen by their contacts, before any spin."""
        state, where = self.state, ("ask", "records")
        found: Found = []
        if state.has_spun or state.sensor_on or state.brake_on:
            found.append((where, "insulation reading after outputs were on", "before the first energise and spin"))
        if closed := [contact for contact in PRESENCE.values() if contact not in state.proven_open]:
            what = f"insulation reading without proof that {listed(closed)} is open"
            found.append((where, what, f"a wait for {listed(closed)} to be open before it"))
        return found

    def _note_plug(self, hand: str) -> None:
        verb, _, plug = hand.partition(" ")
        contact = PRESENCE.get(plug)
        if contact is None:
            return
        self.state.proven_open.discard(contact)
        if verb == "unplug":
            self.state.unplugged.add(contact)

    def _pause(self, action: Wait | Rest | PlannedRepeat) -> Found:
        if isinstance(action, Rest):
            self.state.at_rest()
        if isinstance(action, Wait) and action.input is not None and action.input in PRESENCE.values():
            if action.state == "open":
                self.state.proven_open.add(action.input)
            else:
                self.state.unplugged.discard(action.input)
        return []

    def _energise(self, energise: Energise) -> Found:
        found: Found = []
        if self.state.unplugged:
            what = f"{energise.output} on with {listed(sorted(self.state.unplugged))} perhaps open"
            found.append((("energise",), what, "a wait for it to be closed before"))
        if energise.output == "brake":
            self.state.brake_on = True
        else:
            self.state.sensor_on = True
        return found

    def _spin(self, spin: PlannedSpin) -> Found:
        state, found = self.state, Found()
        if self.sequence.serves == "feedback" and not state.sensor_on:
            found.append(
                (("spin",), "spin before the sensor supply is on", "energise: {output: sensor supply} before it")
            )
        if self.motor_type.brake is not None and not state.brake_on:
            found.append((("spin",), "spin before the brake is released", "energise: {output: brake} before it"))
        if not state.has_spun:
            found += self._first_spin(spin)
        elif spin.first and not state.in_first_spin:
            found.append(
                (("spin", "first"), "a second first spin", "first: true at the first spin of the sequence alone")
            )
        state.in_first_spin = spin.first and not state.has_spun
        state.spinning = (spin.direction, spin.target_rpm)
        state.sources.add("spun")
        return found

    def _first_spin(self, spin: PlannedSpin) -> Found:
        if not spin.first:
            allowed = f"first: true and a speed up to {FIRST_SPIN_MOST_RPM:g} rpm"
            return [(("spin",), "the first spin is not marked as such", allowed)]
        if spin.target_rpm > FIRST_SPIN_MOST_RPM:
            return [(("spin", "speed"), f"first spin at {spin.target_rpm:g} rpm", f"up to {FIRST_SPIN_MOST_RPM:g} rpm")]
        return []

    def _capture(self, capture: PlannedCapture) -> Found:
        state, found = self.state, self._moved_by(capture)
        if capture.group not in ("none", "known-source") and not state.sensor_on:
            what = f"capture of {capture.group} before the sensor supply is on"
            found.append((("capture", "signals"), what, "energise: {output: sensor supply} before it"))
        if state.in_first_spin and capture.drive == "spin":
            state.first_spin_s += capture.duration_s
            if state.first_spin_s > FIRST_SPIN_LONGEST_S:
                what = f"first spin takes captures of {state.first_spin_s:.1f} s"
                found.append((("capture",), what, f"up to {FIRST_SPIN_LONGEST_S:g} s"))
        if capture.drive == "coast":
            # The shaft is left standing.
            state.spinning, state.in_first_spin = None, False
        state.sources |= _sources(capture)
        return found

    def _moved_by(self, capture: PlannedCapture) -> Found:
        turning = capture.drive in ("spin", "coast")
        if turning and self.state.spinning is None:
            what = f"capture with drive {capture.drive} while nothing turns the shaft"
            return [(("capture",), what, "a spin before it, or drive hand")]
        if not turning and self.state.spinning is not None:
            what = f"drive {capture.drive} while the spin motor turns"
            return [(("capture", "drive"), what, "drive spin, or a rest before it")]
        return []

    def _measure(self, measure: Measure) -> Found:
        found: Found = []
        for index, quantity in enumerate(measure.quantities):
            sources, said = SOURCES_OF[quantity]
            if not sources & self.state.sources:
                found.append(
                    (("measure", "quantities", index), f"{quantity} measured from nothing", f"{said} before it")
                )
        self.state.measured |= set(measure.quantities)
        return found

    def _compare(self, compare: Compare) -> Found:
        found: Found = []
        if compare.against == "as-found" and self.sequence.stage == "as-found":
            found.append((("compare", "with"), "an as-found sequence compared with as-found", "motor type"))
        for index, quantity in enumerate(compare.quantities):
            if quantity not in self.state.measured:
                what = f"{quantity} compared before it is measured"
                found.append((("compare", "quantities", index), what, f"a measure of {quantity} before it"))
        return found


def _sources(capture: PlannedCapture) -> set[str]:
    """Name what a capture can be used for."""
    if capture.group == "known-source":
        return {capture.group}
    if capture.wires_only:
        return set()
    return {f"{capture.group} {capture.drive}", "emf" if capture.drive == "spin" else capture.drive}
