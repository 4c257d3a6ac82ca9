"""Unroll a sequence into a plan while following what state each step finds the bench in."""

from dataclasses import dataclass, field, replace
from itertools import product
from typing import Any, cast

from safety.strict_yaml import Problem
from station.finding_names import FINDINGS, PAIRS
from station.motor_type import MotorType
from station.order_rules import BenchState, OrderRules
from station.planned_steps import (
    Action,
    Context,
    LeftOut,
    Place,
    PlannedCapture,
    PlannedRepeat,
    PlannedSpin,
    PlannedStep,
)
from station.sequence_model import CaptureStep, Sequence, Spin, Step
from station.step_rules import StepRules

SENSOR_INTERVAL_S = 10e-6
ENCODER_INTERVAL_S = 5e-6
AXES = {"direction": "direction", "speed": "speed_rpm", "winding_pair": "winding_pair"}


@dataclass(slots=True)
class Planner:
    """Plans one sequence; `problems` and `left_out` fill while it does."""

    sequence: Sequence
    motor_type: MotorType
    names: dict[Place, str]
    rules: StepRules
    problems: list[Problem] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)
    _state: BenchState = field(default_factory=BenchState)

    def plan(self) -> tuple[PlannedStep, ...]:
        """Plan all steps; the result is to be used only if no problem was found."""
        return self._steps(self.sequence.steps, ("steps",), Context())

    def _steps(self, steps: tuple[Step, ...], place: Place, context: Context) -> tuple[PlannedStep, ...]:
        planned: list[PlannedStep] = []
        for index, step in enumerate(steps):
            here = (*place, index)
            self.problems += self.rules.alone(step, here)
            if step.over is not None and step.steps is not None:
                planned += self._loop(step, here, context)
            else:
                planned += self._one(step, here, context)
        return tuple(planned)

    def _loop(self, step: Step, place: Place, context: Context) -> list[PlannedStep]:
        if step.over is None or step.steps is None:
            return []
        planned: list[PlannedStep] = []
        axes = step.over.axes
        for choice in product(*(values for _, values in axes)):
            values: dict[str, Any] = {AXES[axis]: value for (axis, _), value in zip(axes, choice, strict=True)}
            planned += self._steps(step.steps, (*place, "steps"), replace(context, **values))
        return planned

    def _one(self, step: Step, place: Place, context: Context) -> list[PlannedStep]:
        if step.energise is not None and step.energise.output == "brake" and self.motor_type.brake is None:
            note = LeftOut(self.names[place], f"{self.motor_type.title} has no brake")
            self.left_out += [note] if note not in self.left_out else []
            return []
        if step.capture is not None and step.capture.where_fitted and self._lacks(step.capture.signals):
            note = LeftOut(self.names[place], f"{self.motor_type.title} has no signals '{step.capture.signals}'")
            self.left_out += [note] if note not in self.left_out else []
            return []
        order = OrderRules(self.sequence, self.motor_type, self._state)
        action = self._action(step, place, context)
        if action is not None:
            self.problems += order.enter(action, place)
        if isinstance(action, PlannedCapture):
            self.problems += self.rules.sampling(action, place)
        if step.repeat is not None:
            action = self._repeat(step, place, context)
        if action is None:
            return []
        return [PlannedStep(self.names[place], step.kind, place, context, step.caution, action)]

    def _action(self, step: Step, place: Place, context: Context) -> Action | None:
        if step.spin is not None:
            return self._spin(step.spin, (*place, "spin"), context)
        if step.capture is not None:
            return self._capture(step.capture, (*place, "capture"), context)
        return step.ask or step.energise or step.measure or step.compare or step.wait or step.rest

    def _spin(self, spin: Spin, place: Place, context: Context) -> PlannedSpin | None:
        direction = spin.direction or context.direction
        speed_rpm = spin.speed or context.speed_rpm
        if direction is None:
            self._problem(place, "spin without a direction", "direction: CW or CCW, here or in a loop around")
        if speed_rpm is None:
            self._problem(place, "spin without a speed", "speed, such as 200 rpm, here or in a loop around")
        if direction is None or speed_rpm is None:
            # The steps after it are still judged as if the shaft turned, so that one mistake is not told many times.
            self._state.spinning = self._state.spinning or ("CW", 0.0)
            return None
        return PlannedSpin(direction, speed_rpm, spin.first)

    def _capture(self, capture: CaptureStep, place: Place, context: Context) -> PlannedCapture | None:
        pair = capture.winding_pair or context.winding_pair
        if pair is None and (capture.drive != "standstill" or capture.signals == "known-source"):
            self._problem(
                place, "capture without a winding pair", "winding_pair: U-V, V-W or W-U, here or in a loop around"
            )
            pair = PAIRS[0]
        spinning = self._state.spinning if capture.drive in ("spin", "coast") else None
        direction, target_rpm = spinning or (None, None)
        duration_s = self._duration_s(capture, target_rpm)
        interval_s = capture.interval or (ENCODER_INTERVAL_S if "encoder" in capture.signals else SENSOR_INTERVAL_S)
        return PlannedCapture(
            capture.signals,
            pair,
            capture.drive,
            direction,
            target_rpm,
            duration_s,
            interval_s,
            capture.cycles,
            capture.turns,
            wires_only=capture.serves == "wires" or capture.pull_up is not None,
            pull_up=capture.pull_up,
        )

    def _lacks(self, signals: str) -> bool:
        return signals.startswith("complements") and signals not in self.motor_type.signal_groups()

    def _duration_s(self, capture: CaptureStep, target_rpm: float | None) -> float:
        """Length of a capture [s]; one that the sequence gives in turns or cycles holds at the target speed."""
        if capture.duration is not None:
            return capture.duration
        turns = capture.turns or (capture.cycles or 1) / self.motor_type.pole_pairs
        return 60 * turns / target_rpm if target_rpm else 1.0

    def _repeat(self, step: Step, place: Place, context: Context) -> PlannedRepeat | None:
        if step.repeat is None or step.steps is None:
            return None
        inside = (*place, "steps")
        steps = self._steps(step.steps, inside, context)
        # Once more for the problems alone: a second round begins in the state that the first one leaves.
        self._steps(step.steps, inside, context)
        until, window = step.repeat.until, self.motor_type.setting_window(step.repeat.until)
        kind = FINDINGS.get(until)
        measured = {q for s in steps if s.kind == "measure" for q in cast(Any, s.action).quantities}
        if kind is not None and kind.group not in measured:
            self._problem(
                (*place, "repeat", "until"),
                f"the steps do not measure {until}",
                f"a measure of {kind.group} among them",
            )
        return None if window is None else PlannedRepeat(step.repeat.at_most, until, window, steps)

    def _problem(self, place: Place, what: str, allowed: str) -> None:
        self.problems.append(self.sequence.document.problem(place, what, allowed))
