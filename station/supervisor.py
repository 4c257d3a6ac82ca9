"""The loop that watches the bench while anything happens on it.

Every wait of a run goes through `Supervisor.wait`: each tick kicks the dead-man relay, looks at all inputs and
supplies, and judges them by the interlock table. While the scope is waited for the looks go on. The kick comes from the
look and from nowhere else, so a run that hangs falls silent and the relay drops the spin supply by itself.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from drivers.bench import Bench
from drivers.errors import BenchFault, InstrumentError, PairStuck, Refused
from safety.interlocks import RUNNING, Table, Watch, When, going_on
from safety.permit import Permit, PermitOffice, PermitRefused
from safety.rest_order import RestFailure, go_to_rest
from safety.states import MAY_ENERGISE, Event, State, step
from station.exit_codes import RunStopped, StopRequested
from station.observing import PAIRS, Commanded, observe

TICK_S = 0.1
"""Bench time between two looks: well inside a permit's life of 250 ms and the dead-man's 500 ms."""
STANDSTILL_HOLD_S = 0.2
"""How long all signs of standstill must hold together before it counts as proven."""
STANDSTILL_DEADLINE_S = 20.0
UNSEEN_COAST_S = 5.0
"""How long a shaft is given to run out where no contact tells when it stands."""
CLOCK_RESOLUTION_S = 1e-9
LATE_LOOK_S = 1e-3
"""A look that is due within this is due now; a real clock never wakes on the dot."""
FRESH_LOOK_S = 0.02
"""Older than this, a permit asks for a new look first."""


class Tripped(RunStopped):
    """An interlock acted; the state is latched until a person resets it."""


@dataclass(frozen=True, slots=True)
class InterlockEvent:
    """One trip, refused start or failed step of going to rest, with bench time [s]."""

    t_s: float
    row: str
    what: str
    reaction: str

    def document(self) -> dict[str, object]:
        """Return the event as it stands in the record."""
        return {"t_s": round(self.t_s, 6), "row": self.row, "what": self.what, "reaction": self.reaction}


@dataclass(slots=True)
class Supervisor:
    """Watches one bench through one run.

    Parameters
    ----------
    bench
        The opened bench; its clock is the only clock used.
    table
        The interlock table.
    thresholds
        Values for the thresholds that the table leaves to motor type and bench.
    stop_requested
        Asked at each tick; True ends the run (Ctrl-C, SIGTERM).
    """

    bench: Bench
    table: Table
    mode: str
    thresholds: Mapping[str, float]
    stop_requested: Callable[[], bool] = lambda: False
    commanded: Commanded = field(default_factory=Commanded)
    events: list[InterlockEvent] = field(default_factory=list)
    state: State = State.AT_REST
    seen: dict[str, bool | float | None] = field(default_factory=dict)
    _office: PermitOffice = field(default_factory=PermitOffice)
    _watch: Watch | None = None
    _resting: bool = False
    _looked_s: float = -1.0
    _standstill_doubted: bool = False

    def arm(self, adapter_code: int, *, brake_fitted: bool, emf_peak_v_per_krpm: float) -> None:
        """Start to watch with what the motor type says: its adapter, its brake, its EMF."""
        self.commanded.emf_peak_v_per_krpm = emf_peak_v_per_krpm
        self.commanded.adapter_code = adapter_code
        self.commanded.brake_fitted = brake_fitted
        self._watch = Watch(self.table, self.mode, self.thresholds)
        self.bench.look_meanwhile(self.look_if_due)

    def disarm(self) -> None:
        """Look no more while the scope is waited for."""
        self.bench.look_meanwhile(None)

    @property
    def trip(self) -> InterlockEvent | None:
        """What tripped the bench and has not been reset; None where nothing did."""
        if self.state is not State.TRIPPED:
            return None
        return next((e for e in self.events if e.reaction.startswith("stop category")), None)

    def now_s(self) -> float:
        """Bench time [s]."""
        return self.bench.clock.now_s()

    # -- the loop ------------------------------------------------------------------------------------------------

    def wait(self, seconds: float) -> None:
        """Let bench time pass, looking at everything on the way.

        Raises
        ------
        Tripped
            An interlock row was violated; the bench has been taken to rest.
        StopRequested
            A person or the system asked for the end.
        """
        end = self.now_s() + seconds
        while (left := end - self.now_s()) > CLOCK_RESOLUTION_S:
            self.bench.clock.wait(min(left, max(self._due_in_s(), LATE_LOOK_S)))
            self.look()

    def wait_until(self, condition: Callable[[], bool], deadline_s: float) -> bool:
        """Tick until `condition()` or the deadline in bench time; tell whether it came true."""
        end = self.now_s() + deadline_s
        while not condition():
            if self.now_s() >= end:
                return False
            self.wait(TICK_S)
        return True

    def look_if_due(self) -> None:
        """Look if the last one is a tick ago; for whoever is busy with something else than waiting."""
        if not self._resting and self._due_in_s() <= LATE_LOOK_S:
            self.look()

    def _due_in_s(self) -> float:
        """Bench time until the next look: a tick after the last, or sooner where a debounce ends sooner [s]."""
        now_s = self.now_s()
        soonest_s = TICK_S if self._watch is None else min(TICK_S, self._watch.next_due_s(self._looked_s))
        return self._looked_s + soonest_s - now_s

    def look(self) -> None:
        """Kick the dead-man relay, read everything, judge it, and trip where the table says so."""
        if self.stop_requested() and not self._resting:
            raise StopRequested("the run was asked to stop (interrupt or terminate signal)")
        now = self.now_s()
        try:
            self.bench.switch.kick()
            self.seen = observe(self.bench, self.commanded)
        except BenchFault as fault:
            self._office.withdraw()
            self._lose_instrument(fault)
            raise
        self._looked_s = now
        if self.seen.get("standstill_plausible") is False:
            self._standstill_doubted = True
        if self._watch is None:
            return
        violations = self._watch.look(now, self.seen, going_on(self.state))
        # A row that is still in its debounce does not act yet, and gives no leave either.
        if self._watch.missing_permissives(self.seen, going_on(self.state)):
            self._office.withdraw()
        else:
            self._office.note_good_look(now)
        if violations and self.state in MAY_ENERGISE:
            words = self.commanded.words
            self._trip(
                [(v.row.name, words.get(v.row.watch, v.what), f"stop category {v.row.reaction}") for v in violations]
            )

    def note_fault(self, fault: BenchFault) -> None:
        """Latch and note a fault that showed outside a look, while the bench may have been live."""
        if self.state in MAY_ENERGISE:
            self.state = step(self.state, Event.TRIP)
            self.events.append(InterlockEvent(self.now_s(), _row_of(fault), str(fault), "stop category 0"))

    def note_refusal(self, refusal: PermitRefused) -> str:
        """Note that a driver was given no leave to energise; return why, with the rows that did not hold at the last look."""
        missing = self._watch.missing_permissives(self.seen, going_on(self.state)) if self._watch else []
        what = "; ".join([str(refusal), *(f"{v.row.name}: {v.what}" for v in missing)])
        self.events.append(InterlockEvent(self.now_s(), "permit", what, "start refused"))
        return what

    def _lose_instrument(self, fault: BenchFault) -> None:
        """Trip a bench that may be live: an instrument does not answer."""
        if self.state in MAY_ENERGISE and not self._resting:
            self._trip([(_row_of(fault), str(fault), "stop category 0")])

    def _trip(self, rows: list[tuple[str, str, str]]) -> None:
        now = self.now_s()
        self.state = step(self.state, Event.TRIP)
        self.events += [InterlockEvent(now, name, what, reaction) for name, what, reaction in rows]
        self._rest_outputs()
        raise Tripped("; ".join(f"{name}: {what}" for name, what, _ in rows))

    # -- permits and states ----------------------------------------------------------------------------------------

    def start(self) -> None:
        """Leave rest: permissives must hold now."""
        if self.state is not State.AT_REST:
            return
        self.look()
        self._refuse_missing(frozenset({When.ENERGISED}))
        self.state = step(self.state, Event.START)
        self.look()

    def _refuse_missing(self, whiles: frozenset[When]) -> None:
        missing = self._watch.missing_permissives(self.seen, whiles) if self._watch else []
        if self._watch is None:
            raise RunStopped("start refused: the supervisor is not armed")
        if missing:
            now = self.now_s()
            self.events += [InterlockEvent(now, v.row.name, v.what, "start refused") for v in missing]
            raise RunStopped("start refused: " + "; ".join(f"{v.row.name}: {v.what}" for v in missing))

    def refuse(self, row: str, what: str) -> None:
        """Note a refused start.

        Raises
        ------
        RunStopped
            Always: the start is refused.
        """
        self.events.append(InterlockEvent(self.now_s(), row, what, "start refused"))
        raise RunStopped(f"start refused: {row}: {what}")

    def take_over(self) -> None:
        """Begin tripped, as an earlier run has left the bench."""
        self.state = step(self.state, Event.TRIP)

    def reset(self, row: str, words: str) -> None:
        """Clear a trip; it leads to rest and never onward.

        Raises
        ------
        RunStopped
            The cause is still there: what must hold always, or while anything is on, does not.
        """
        self.look()
        self._refuse_missing(frozenset({When.ENERGISED}))
        self.state = step(self.state, Event.RESET)
        self.events.append(InterlockEvent(self.now_s(), row, words, "reset"))

    def permit(self, purpose: str) -> Permit:
        """Give a permit for one purpose; `start` must have been called.

        It rests on the last look if that is fresh, for it ages from the look and not from now.
        """
        if self.now_s() - self._looked_s > FRESH_LOOK_S:
            self.look()
        return self._office.issue(purpose, self.state, self.now_s())

    def turning(self) -> None:
        """Note that the spin supply is going on; everything that must hold while turning must hold before."""
        if self.state is State.STARTING:
            self.look()
            self._refuse_missing(RUNNING | {When.BEFORE_TURNING})
            self.state = step(self.state, Event.TURN)

    def stopped_turning(self) -> None:
        """Note proven standstill; other outputs may stay on."""
        if self.state is State.TURNING:
            self.state = step(self.state, Event.STANDSTILL)

    # -- rest ------------------------------------------------------------------------------------------------------

    def rest(self) -> list[RestFailure]:
        """Take everything to the de-energised state, trying every step; a tripped bench stays tripped."""
        if self.state is not State.TRIPPED:
            self.state = step(self.state, Event.REST)
        failures = self._rest_outputs()
        if self.state is State.GOING_TO_REST and not failures:
            self.state = step(self.state, Event.RESTED)
        return failures

    def _rest_outputs(self) -> list[RestFailure]:
        self._resting = True
        try:
            failures = go_to_rest(self._rest_actions(), self.bench.clock)
        finally:
            self._resting = False
            self._office.withdraw()
            self.commanded.at_rest()
        now = self.now_s()
        self.events += [InterlockEvent(now, f.name, f.what, "going to rest failed in this step") for f in failures]
        return failures

    def _rest_actions(self) -> dict[str, Callable[[], None]]:
        bench = self.bench

        def open_pairs() -> None:
            for pair in PAIRS:
                bench.switch.open(f"pair_{pair}")

        def nothing() -> None:
            """Do nothing: the bench has no brake supply."""

        return {
            "spin supply off": bench.spin_supply.switch_off,
            # The reversing relay moves at standstill only, with all others.
            "spin relays open": lambda: bench.switch.open("spin_on"),
            "wait for standstill": self._await_standstill_contact,
            "winding pair open": open_pairs,
            "brake supply off": bench.brake_supply.switch_off if bench.brake_supply else nothing,
            "sensor supply off": bench.sensor_supply.switch_off,
            "all relays open": bench.switch.open_all,
        }

    def doubt_standstill(self) -> None:
        """Note that the standstill relay said standstill of a shaft that moved: until the run's end time alone counts."""
        self._standstill_doubted = True

    def _await_standstill_contact(self) -> None:
        end = self.now_s() + STANDSTILL_DEADLINE_S
        while not self._standstill_or_time():
            if self.now_s() > end:
                raise BenchFault("standstill relay", "read", f"still turning after {STANDSTILL_DEADLINE_S:g} s")
            self.bench.clock.wait(TICK_S)

    def _standstill_or_time(self) -> bool:
        """Read the standstill contact; where it cannot be believed, give the shaft the time to run out before relays move."""
        if self._standstill_doubted:
            self.bench.clock.wait(UNSEEN_COAST_S)
            return True
        try:
            return bool(self.bench.inputs.read().get("standstill"))
        except BenchFault:
            self.bench.clock.wait(UNSEEN_COAST_S)
            raise


def _row_of(fault: BenchFault) -> str:
    """Return the row of the interlock table that a fault of an instrument breaks."""
    match fault:
        case PairStuck():
            return "mirror contacts"
        case Refused() | InstrumentError():
            return "commands obeyed"
        case _:
            return "instruments answer"
