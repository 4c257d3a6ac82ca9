"""The plan of a run: a sequence's steps with loops unrolled and every number resolved, in the order they are done."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from station.ask_model import Ask
from station.finding_names import Direction, WindingPair
from station.sequence_model import Compare, Drive, Energise, Measure, Rest, SignalGroup, Wait

Place = tuple[str | int, ...]
"""Where something stands in its file, as keys and indices from the top."""

USUAL_CAPTURE_S = 1.0
"""Length that a spin without captures of its own keeps the mains rule for [s]."""


@dataclass(frozen=True, slots=True)
class Context:
    """What the loops around a step have set; None where they set nothing."""

    direction: Direction | None = None
    speed_rpm: float | None = None
    winding_pair: WindingPair | None = None


@dataclass(frozen=True, slots=True)
class PlannedSpin:
    """Turn the shaft.

    `winding_pair` and `capture_s` are those of the captures to come at this speed: the pair to watch the EMF on, and
    the length [s] of the shortest record, for which the speed must keep the mains rule.
    """

    direction: Direction
    target_rpm: float
    first: bool
    winding_pair: WindingPair = "U-V"
    capture_s: float = USUAL_CAPTURE_S


@dataclass(frozen=True, slots=True)
class PlannedCapture:
    """Take one capture.

    `direction` and `target_rpm` are those of the spin going on or just switched off, None by hand and at standstill.
    `duration_s` holds at the target speed; `cycles` or `turns` say what the sequence asked for, so that it can be kept
    at the speed verified. `pull_up` is None where the bench's pull-ups stay as the motor type needs them.
    """

    group: SignalGroup
    winding_pair: WindingPair | None
    drive: Drive
    direction: Direction | None
    target_rpm: float | None
    duration_s: float
    interval_s: float
    cycles: float | None = None
    turns: float | None = None
    wires_only: bool = False
    pull_up: bool | None = None

    @property
    def samples(self) -> int:
        """Samples per channel at the target speed."""
        return round(self.duration_s / self.interval_s)


@dataclass(frozen=True, slots=True)
class PlannedRepeat:
    """Do `steps` until the finding lies in `window` (finding's unit), at most so many times."""

    at_most: int
    until: str
    window: tuple[float, float]
    steps: tuple["PlannedStep", ...]


Action = Ask | Energise | PlannedSpin | PlannedCapture | Measure | Compare | Wait | Rest | PlannedRepeat


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """One step to do. `kind` is the key in the file, and `repeat` for a repeat; `action` is the resolved step."""

    name: str
    kind: str
    place: Place
    context: Context
    caution: str | None
    action: Action


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A step of the sequence that this motor type has no use for, with the reason."""

    name: str
    why: str


def walk(steps: tuple[PlannedStep, ...]) -> Iterator[PlannedStep]:
    """Go through all steps once, repeats with the steps inside them."""
    for step in steps:
        yield step
        if isinstance(step.action, PlannedRepeat):
            yield from walk(step.action.steps)


def with_captures_ahead(steps: tuple[PlannedStep, ...]) -> tuple[PlannedStep, ...]:
    """Tell every spin the winding pair and the shortest length of the captures that follow at its speed."""
    done: list[PlannedStep] = []
    for index, step in enumerate(steps):
        action = step.action
        if isinstance(action, PlannedRepeat):
            action = replace(action, steps=with_captures_ahead(action.steps))
        elif isinstance(action, PlannedSpin):
            ahead = list(_captures_until_change(steps[index + 1 :]))
            pairs = [c.winding_pair for c in ahead if c.winding_pair is not None]
            action = replace(
                action,
                winding_pair=pairs[0] if pairs else action.winding_pair,
                # Wires are judged by levels, which no mains line moves, and a coasting shaft keeps no speed.
                capture_s=min(
                    (c.duration_s for c in ahead if c.drive == "spin" and not c.wires_only), default=action.capture_s
                ),
            )
        done.append(replace(step, action=action))
    return tuple(done)


def _captures_until_change(steps: tuple[PlannedStep, ...]) -> Iterator[PlannedCapture]:
    for step in walk(steps):
        if isinstance(step.action, PlannedSpin | Rest):
            return
        if isinstance(step.action, PlannedCapture):
            yield step.action
