"""Doing the steps of a plan, one after the other, and noting each with its times."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import assert_never

from drivers.errors import BenchFault
from drivers.scope import CaptureSettings
from station.ask_model import Ask
from station.asking import Asker, Question
from station.capturing import (
    KNOWN_SOURCE,
    Taken,
    acquire,
    connect,
    pull_up,
    pulled_up,
    settings_for,
    source_settings,
    verified_speed_rpm,
)
from station.comparing import compare
from station.decision import Decision
from station.energising import release_brake, sensor_supply_on
from station.exit_codes import RunStopped
from station.finding_names import SENSORS
from station.measuring import Measuring
from station.planned_steps import PlannedCapture, PlannedRepeat, PlannedSpin, PlannedStep
from station.run_facts import Gathered, Given, RunFacts, StepDone
from station.sequence_model import Compare, Energise, Measure, Rest, Wait
from station.sheet_parts import turning_words
from station.spinning import Spin
from station.supervisor import Supervisor

HAND_TURN_DEG_MECH = 450.0
"""A good turn and a quarter by hand, so that a whole turn certainly lies within the capture."""
BEFORE_LETTING_GO_S = 0.1
HAND_SPEED_RPM = 60.0
"""Range of the EMF channel for a hand turn is chosen for this speed; a hand is slower."""


@dataclass(slots=True)
class StepRunner:
    """Carries out planned steps on a watched bench.

    Parameters
    ----------
    show
        Called with (step name, kind, what is going on) before each step, for whoever watches.
    """

    facts: RunFacts
    supervisor: Supervisor
    spin: Spin
    gathered: Gathered
    asker: Asker
    decision: Decision
    show: Callable[[PlannedStep], None]
    measuring: Measuring = field(init=False)

    def __post_init__(self) -> None:
        """Give the measuring side the same facts."""
        self.measuring = Measuring(self.facts, self.gathered, self.decision, self.spin)

    def run(self, steps: tuple[PlannedStep, ...]) -> None:
        """Do steps in order.

        Raises
        ------
        RunStopped, BenchFault
            A step could not be done; it stands in the step list as failed, with the reason.
        """
        for planned in steps:
            started_s = self.supervisor.now_s()
            outcome, note = "failed", ""
            self.show(planned)
            if planned.caution:
                self.gathered.cautions.append(planned.caution)
            try:
                note = self._do(planned)
                outcome = "done"
            except (RunStopped, BenchFault) as error:
                note = str(error)
                raise
            finally:
                self._note(planned, started_s, outcome, note)

    def _note(self, planned: PlannedStep, started_s: float, outcome: str, note: str) -> None:
        context = {
            "direction": self.spin.direction or planned.context.direction,
            "speed_rpm": planned.context.speed_rpm,
            "winding_pair": planned.context.winding_pair,
        }
        try:
            ended_s = self.supervisor.now_s()
        except BenchFault:
            # The clock itself is out of reach; the step is noted all the same.
            ended_s = started_s
        self.gathered.steps.append(StepDone(planned.name, planned.kind, context, started_s, ended_s, outcome, note))

    def _do(self, planned: PlannedStep) -> str:  # noqa: C901 - one case a kind of step, nothing else
        action = planned.action
        match action:
            case Ask():
                return self._ask(planned, action)
            case Energise():
                return self._energise(action)
            case PlannedSpin():
                return self._spin(action)
            case PlannedCapture():
                return self._capture(planned.name, action)
            case Measure():
                return self.measuring.measure(action.quantities)
            case Compare():
                return compare(action, self.facts, self.gathered, self.decision)
            case Wait():
                return self._wait(action)
            case Rest():
                return self._rest()
            case PlannedRepeat():
                return self._repeat(action)
            case _:
                assert_never(action)

    # -- the kinds ---------------------------------------------------------------------------------------------------

    def _ask(self, planned: PlannedStep, ask: Ask) -> str:
        correction = self.gathered.correction if "turn body" in ask.hands else None
        prompt = ask.prompt if correction is None else f"{ask.prompt}. {turning_words({'correction': correction})}"
        turn = None if correction is None else float(correction["turn_deg_mech"])
        question = Question(planned.name, prompt, ask, planned.caution, turn)
        answer = self.asker.ask(question, self.supervisor.look)
        given = Given(planned.name, prompt, answer.value, ask.unit, answer.hand_instrument, ask.records)
        self.gathered.answers.append(given)
        if ask.answer == "confirm" and answer.value is False:
            raise RunStopped(f"{planned.name}: answered no")
        self.measuring.note_work(ask.hands)
        return "" if ask.answer == "confirm" else f"{answer.value}{f' {ask.unit}' if ask.unit else ''}"

    def _energise(self, energise: Energise) -> str:
        kind = self.facts.motor_type
        if energise.output == "brake":
            estimate, name = release_brake(self.supervisor, kind), "brake_current"
        else:
            estimate, name = sensor_supply_on(self.supervisor, kind, kind.sensors.needs_pull_up), "sensor_current"
        self.gathered.add(self.decision.finding(name, estimate))
        return f"{estimate.value:.3f} {estimate.unit}"

    def _spin(self, planned: PlannedSpin) -> str:
        self.spin.to(
            planned.direction, planned.target_rpm, planned.winding_pair, planned.capture_s, first=planned.first
        )
        verified = self.spin.speed_rpm
        return (
            "no EMF to verify the speed by" if verified is None else f"verified {verified:.1f} rpm {planned.direction}"
        )

    def _capture(self, name: str, planned: PlannedCapture) -> str:
        kind, supervisor = self.facts.motor_type, self.supervisor
        settings = self._settings(planned)
        supervisor.start()
        connect(supervisor, planned.group, planned.winding_pair)
        before = pulled_up(supervisor)
        pulled = before if planned.pull_up is None else planned.pull_up
        pull_up(supervisor, closed=pulled)
        capture = acquire(supervisor, settings, {"hand": self._hand_turn, "coast": self._run_out}.get(planned.drive))
        pull_up(supervisor, closed=before)
        turning = planned.drive == "spin"
        if planned.drive == "hand":
            self.spin.sense.note_hand(capture)
        if turning:
            self.spin.note_direction(capture)
        taken = Taken(
            index=len(self.gathered.taken) + 1,
            step=name,
            capture=capture,
            group=planned.group,
            pair=planned.winding_pair,
            direction="CW" if planned.drive == "hand" else self.spin.direction,
            drive=planned.drive,
            speed_target_rpm=self.spin.target_rpm if turning else planned.target_rpm,
            speed_rpm=verified_speed_rpm(capture, kind.pole_pairs) if turning else None,
            pull_up=pulled,
            wires_only=planned.wires_only,
        )
        self.gathered.taken.append(taken)
        self._after(planned)
        return f"capture {taken.index}: {settings.samples} samples x 4"

    def _settings(self, planned: PlannedCapture) -> CaptureSettings:
        kind, source = self.facts.motor_type, self.facts.bench_file.known_source
        if planned.group == KNOWN_SOURCE and source is not None:
            return source_settings(source, planned.winding_pair, planned.duration_s, planned.interval_s)
        self.spin.group = planned.group
        duration_s = planned.duration_s
        speed_rpm = planned.target_rpm or HAND_SPEED_RPM
        if planned.drive == "spin" and self.spin.speed_rpm:
            speed_rpm = self.spin.speed_rpm
            duration_s = _length_s(planned, speed_rpm, kind.pole_pairs)
        return settings_for(kind, planned.group, planned.winding_pair, speed_rpm, duration_s, planned.interval_s)

    def _after(self, planned: PlannedCapture) -> None:
        """Leave no source on the winding's path and no shaft running out; keep what the spin motor drew."""
        if planned.group == KNOWN_SOURCE:
            connect(self.supervisor, "none", None)
        if planned.drive == "coast":
            self.spin.stop()
        current_a = self.supervisor.seen.get("spin_current_a")
        if planned.drive == "spin" and current_a is not None:
            self.spin.note_current(float(current_a))

    def _hand_turn(self) -> None:
        """Let the hand turn the shaft clockwise, seen from the drive end, while the scope sweeps."""
        simulation = self.supervisor.bench.simulation
        if simulation is not None:
            simulation.hands("turn shaft", HAND_TURN_DEG_MECH)

    def _run_out(self) -> None:
        """Let go of the shaft once the record shows the speed that it had."""
        self.supervisor.wait(BEFORE_LETTING_GO_S)
        self.spin.let_go()

    def _wait(self, wait: Wait) -> str:
        if wait.input is not None:
            contact, wanted = wait.input, wait.state == "closed"

            def there() -> bool:
                return bool(self.supervisor.bench.inputs.read().get(contact)) == wanted

            if not self.supervisor.wait_until(there, wait.within):
                raise RunStopped(f"{contact} is not {wait.state} after {wait.within:g} s")
            return f"{contact} {wait.state}"
        finding = self.gathered.findings.get(wait.finding or "")
        if finding is None or finding.conformity != "conforming":
            shown = "not measured" if finding is None else finding.conformity
            raise RunStopped(f"{wait.finding} is {shown}; allowed: conforming, to go on")
        return f"{wait.finding} {finding.conformity}"

    def _rest(self) -> str:
        self.spin.stop()
        failures = self.supervisor.rest()
        if failures:
            raise RunStopped("the bench did not come to rest: " + "; ".join(f"{f.name}: {f.what}" for f in failures))
        return ""

    def _repeat(self, repeat: PlannedRepeat) -> str:
        """Look before each round: a unit that already stands in the window needs none."""
        lower, upper = repeat.window
        wiring = self.gathered.findings.get("wiring")
        if wiring is not None and wiring.conformity == "nonconforming":
            raise RunStopped(f"{repeat.until} cannot be set: {wiring.text}; mend the wiring first")
        for output in (self.gathered.findings.get(f"pull_up_{sensor}") for sensor in SENSORS):
            if output is not None and output.conformity == "nonconforming":
                raise RunStopped(f"{repeat.until} cannot be set: {output.label}: {output.text}")
        for turn in range(repeat.at_most + 1):
            finding = self.gathered.findings.get(repeat.until)
            value = None if finding is None else finding.estimate.value
            if value is not None and lower <= value <= upper:
                return f"{repeat.until} is in its window after {turn} rounds"
            if value is None:
                why = "not measured" if finding is None else finding.estimate.reason
                raise RunStopped(f"{repeat.until} cannot be set: {why}")
            if turn < repeat.at_most:
                self.run(repeat.steps)
        raise RunStopped(
            f"{repeat.until} is not in its window after {repeat.at_most} rounds; allowed: {lower:g} to {upper:g}"
        )


def _length_s(planned: PlannedCapture, speed_rpm: float, pole_pairs: int) -> float:
    """Length of a capture at the speed verified, so that the asked cycles or turns are really in it [s]."""
    if planned.cycles is not None:
        return planned.cycles * 60 / (speed_rpm * pole_pairs)
    if planned.turns is not None:
        return planned.turns * 60 / speed_rpm
    return planned.duration_s
