"""A sequence: the stages' steps as one YAML file writes them, before they are checked against motor type and bench."""

from collections.abc import Mapping
from typing import Annotated, Any, Literal, Self

from pydantic import ConfigDict, Field, PrivateAttr, ValidatorFunctionWrapHandler, model_validator
from pydantic_core import InitErrorDetails

from drivers.quantities import Rpm, Seconds
from station.ask_model import Ask
from station.file_model import FileModel, Name, OneOrMore, StrictModel, Text
from station.file_problems import broken, refuse
from station.finding_names import Direction, WindingPair
from station.wording import listed

SignalGroup = Literal[
    "sensors", "encoder", "encoder-sensor", "complements-sensors", "complements-encoder", "known-source", "none"
]
Drive = Literal["spin", "coast", "hand", "standstill"]
Stage = Literal["as-found", "setting", "as-left", "station-check"]
Quantity = Literal[
    "timing", "windings", "wiring", "encoder", "sensors", "mechanics", "hand_turn", "standstill", "correction",
    "self_test",
]  # fmt: skip
Contact = Literal[
    "stop_circuit",
    "drive_end_guard",
    "feedback_end_guard",
    "motor_clamp",
    "enabling_device",
    "setting_selector",
    "standstill",
    "winding_adapter_present",
    "feedback_adapter_present",
]
Length = Annotated[Seconds, Field(gt=0, le=3600)]

KINDS = ("ask", "energise", "spin", "capture", "measure", "compare", "wait", "rest", "over", "repeat")
"""The key that says what a step does; exactly one stands in each step."""
LENGTHS = ("cycles", "turns", "duration")
PULLED_UP = ("sensors", "encoder-sensor", "complements-sensors")
"""The signal groups whose wires the bench can pull up."""


class Energise(StrictModel):
    """Bring up one output; its voltage and current window come from the motor type."""

    output: Literal["sensor supply", "brake"]


class Spin(StrictModel):
    """Turn the shaft; what is not written comes from the loop around."""

    direction: Direction | None = None
    """As seen facing the drive-end shaft."""
    speed: Annotated[Rpm, Field(gt=0)] | None = None
    """A target: the station takes the nearest speed that keeps mains lines out of the result."""
    first: bool = False
    """The first powered spin of the run: short, slow, and checked before speed rises."""


class CaptureStep(StrictModel):
    """Take one capture: the EMF of one winding pair together with one group of signals."""

    signals: SignalGroup
    winding_pair: WindingPair | None = None
    """The pair whose EMF is captured; what is not written comes from the loop around."""
    drive: Drive = "spin"
    """What moves the shaft: the spin motor, its own momentum once that is switched off, the technician's hand, or nothing."""
    serves: Literal["everything", "wires"] = "everything"
    """A short, fine capture for levels and rise times alone serves the `wires`: timing and counts leave it out."""
    pull_up: bool | None = None
    """Whether the bench pulls the sensors' wires up during this capture, which then serves the wires alone.

    What is not written is as the motor type needs it.
    """
    where_fitted: bool = False
    """Leave this capture out for a motor type that has no such signals, instead of refusing the sequence."""
    cycles: Annotated[int, Field(ge=1, le=1000)] | None = None
    """Length in electrical cycles; exactly one of cycles, turns, duration."""
    turns: Annotated[float, Field(gt=0, le=1000, strict=False)] | None = None
    """Length in turns of the shaft."""
    duration: Length | None = None
    """Length in time; the only one where the spin motor does not set the speed."""
    interval: Annotated[Seconds, Field(gt=0)] | None = None
    """Time from sample to sample; 10 us for sensors and 5 us for an encoder by default."""

    @model_validator(mode="after")
    def _one_length(self) -> Self:
        given = [name for name in LENGTHS if getattr(self, name) is not None]
        errors: list[InitErrorDetails] = []
        if len(given) != 1:
            what = f"capture length given as {listed(given)}" if given else "capture without a length"
            errors.append(broken((), what, "exactly one of cycles, turns, duration"))
        elif self.drive != "spin" and given != ["duration"]:
            errors.append(
                broken((given[0],), f"{given[0]} at drive {self.drive}", "duration, since no set speed turns the shaft")
            )
        refuse("capture", [*errors, *self._odd_wires(), *self._odd_source()])
        return self

    def _odd_wires(self) -> list[InitErrorDetails]:
        errors: list[InitErrorDetails] = []
        if self.pull_up is not None and self.signals not in PULLED_UP:
            what = f"pull_up with signals {self.signals}"
            errors.append(broken(("pull_up",), what, f"pull_up with signals {listed(PULLED_UP)}"))
        for key, stated in (("pull_up", self.pull_up is not None), ("serves", self.serves == "wires")):
            if stated and self.drive != "spin":
                what = f"{key} at drive {self.drive}"
                errors.append(broken((key,), what, "drive spin, since wires are judged while they switch"))
        return errors

    def _odd_source(self) -> list[InitErrorDetails]:
        if self.signals != "known-source" or self.drive == "standstill":
            return []
        what = f"signals known-source at drive {self.drive}"
        return [broken(("signals",), what, "drive standstill, since the source takes the winding's place")]


class Over(StrictModel):
    """Loops over the steps below: nested in the order written, the first outermost."""

    direction: OneOrMore[Direction] | None = None
    speed: OneOrMore[Annotated[Rpm, Field(gt=0)]] | None = None
    winding_pair: OneOrMore[WindingPair] | None = None
    _order: tuple[str, ...] = PrivateAttr(())

    @model_validator(mode="wrap")
    @classmethod
    def _keep_order(cls, value: Any, handler: ValidatorFunctionWrapHandler) -> Self:
        model: Self = handler(value)
        model._order = tuple(value) if isinstance(value, Mapping) else ()
        if not model._order:
            refuse("over", [broken((), "a loop over nothing", "one or more of direction, speed, winding_pair")])
        errors = []
        for axis in model._order:
            values = getattr(model, axis) or ()
            errors += [
                broken((axis, i), f"{axis} {v} comes twice", "each value once")
                for i, v in enumerate(values)
                if v in values[:i]
            ]
        refuse("over", errors)
        return model

    @property
    def axes(self) -> tuple[tuple[str, tuple[str | float, ...]], ...]:
        """Each loop with its values, the outermost first."""
        return tuple((axis, getattr(self, axis)) for axis in self._order)


class Repeat(StrictModel):
    """Repeat the steps below until a finding lies in the setting window, at most so many times.

    The finding is looked at before each round, the first included: if it lies in the window already, no round is needed.
    """

    at_most: Annotated[int, Field(ge=1, le=20)]
    until: Text
    """Name of the finding."""


class Measure(StrictModel):
    """Work out findings from the captures and answers so far."""

    quantities: OneOrMore[Quantity]


class Compare(StrictModel):
    """Compare findings with the job's latest as-found record, or with the motor type's limits."""

    against: Literal["as-found", "motor type"] = Field(alias="with")
    quantities: OneOrMore[Quantity]


class Wait(StrictModel):
    """Wait for a contact's state, or for a finding to lie within its limits; always with a deadline."""

    input: Contact | None = None
    state: Literal["open", "closed"] | None = None
    finding: Text | None = None
    within: Length
    """The deadline, in bench time."""

    @model_validator(mode="after")
    def _for_one_thing(self) -> Self:
        if (self.input is None) == (self.finding is None):
            what = "wait for a contact and a finding at once" if self.input else "wait for nothing"
            refuse("wait", [broken((), what, "input with state, or finding")])
        if (self.input is None) != (self.state is None):
            what = f"state of {self.input} is missing" if self.input else "state without an input"
            refuse("wait", [broken(("state",), what, "open or closed, together with input")])
        return self


class Rest(StrictModel):
    """Take everything to rest: outputs off, standstill proven."""


def _one_kind_each(schema: dict[str, Any]) -> None:
    """Tell editors that a step is of exactly one kind, and that loops have steps of their own."""
    needs = {kind: ["steps"] if kind in ("over", "repeat") else [] for kind in KINDS}
    schema["oneOf"] = [{"required": [kind, *more]} for kind, more in needs.items()]


class Step(StrictModel):
    """One line of work: an optional name and caution, and exactly one kind."""

    model_config = ConfigDict(json_schema_extra=_one_kind_each)

    name: Annotated[str, Field(min_length=1, max_length=80)] | None = None
    """What record and answers call this step; made from the kind if not written."""
    caution: Text | None = None
    """Shown before the step."""
    ask: Ask | None = None
    energise: Energise | None = None
    spin: Spin | None = None
    capture: CaptureStep | None = None
    measure: Measure | None = None
    compare: Compare | None = None
    wait: Wait | None = None
    rest: Rest | None = None
    over: Over | None = None
    repeat: Repeat | None = None
    steps: OneOrMore["Step"] | None = None
    """The steps inside a loop or a repeat."""

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        kinds = [kind for kind in KINDS if kind in self.model_fields_set]
        errors: list[InitErrorDetails] = []
        if len(kinds) != 1:
            what = f"a step that is {listed(kinds)} at once" if kinds else "a step that does nothing"
            errors.append(broken((), what, f"exactly one of {listed(KINDS)}"))
        looping = kinds[:1] in (["over"], ["repeat"])
        if kinds and looping != (self.steps is not None):
            what = f"{kinds[0]} without steps" if looping else f"steps inside {kinds[0]}"
            errors.append(broken(() if looping else ("steps",), what, "steps exactly below over or repeat"))
        refuse("step", errors)
        return self

    @property
    def kind(self) -> str:
        """The kind of this step."""
        return next(kind for kind in KINDS if getattr(self, kind) is not None)


class Sequence(FileModel):
    """A whole sequence."""

    name: Name = Field(alias="sequence")
    title: Text
    stage: Stage
    revision: Text
    about: str = ""
    serves: Literal["feedback", "windings-only"] = "feedback"
    """`windings-only` sequences use no feedback signal, so they serve motors of any feedback kind."""
    steps: OneOrMore[Step]
