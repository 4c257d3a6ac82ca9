"""A motor type: nameplate, maker's conventions, targets, and limits with their source, as one YAML file states them.

Targets and limits stand in this station's convention (clockwise seen facing the drive-end shaft, offsets against the
EMF of a winding pair); `convention` says how the maker states the same angles, for the sheet.
"""

import math
from collections.abc import Mapping
from typing import Annotated, Any, Literal, Self

from pydantic import Field, PrivateAttr, ValidatorFunctionWrapHandler, WrapValidator, model_validator
from pydantic_core import InitErrorDetails

from drivers.quantities import Amperes, Celsius, DegEl, Ohms, PerKelvin, Rpm, Seconds, Volts, VoltsPerKrpm
from station.file_model import FileModel, StrictModel, broken, refuse
from station.finding_names import SENSORS, Sensor, WindingPair
from station.or_none import OrNone
from station.stated_limits import FindingLimits, Source, StatedLimit, check_limits, resolved

Name = Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", examples=["ostrel-mt41"])]
Text = Annotated[str, Field(min_length=1)]

COVERED: Literal["incremental with commutation sensors"] = "incremental with commutation sensors"
WINDOW_PART = 1 / 3
"""Setting window over release limits: locking moves a unit by more than the measurement's uncertainty."""
PHASE_BEHIND_LINE_DEG_EL = 30.0
"""The EMF of a phase rises through zero 30 deg_el after that of the pair which it leads (star, sequence U, V, W)."""


class Emf(StrictModel):
    """The EMF constant in the form that the nameplate or the maker states it."""

    constant: VoltsPerKrpm
    """Number with unit, per 1000 rpm (`50 V/krpm`) or per rad/s (`0.48 V*s/rad`)."""
    value: Literal["rms", "peak"]
    """Whether the volts are root mean square or peak."""
    across: Literal["line-to-line", "phase"]
    """Where they are measured: between two leads, or from a lead to the star point."""
    _unit: str = PrivateAttr("V/krpm")

    @model_validator(mode="wrap")
    @classmethod
    def _keep_unit(cls, value: Any, handler: ValidatorFunctionWrapHandler) -> Self:
        model: Self = handler(value)
        if isinstance(value, Mapping) and "rad" in str(value.get("constant")):
            model._unit = "V*s/rad"
        return model

    @property
    def unit(self) -> str:
        """The unit in which the maker states it: `V/krpm` or `V*s/rad`."""
        return self._unit

    @property
    def form(self) -> str:
        """The stated form in words, for example `rms, line-to-line, per 1000 rpm`."""
        per = "rad/s" if self._unit == "V*s/rad" else "1000 rpm"
        return f"{self.value}, {self.across}, per {per}"

    @property
    def line_peak_v_per_krpm(self) -> float:
        """Peak volts between two leads per 1000 rpm, of a sinusoidal star machine."""
        return self.constant / self._over_line_peak

    def in_stated_form(self, line_peak_v_per_krpm: float) -> float:
        """Express a measured line-to-line peak constant as rms or peak, line or phase, still in V/krpm."""
        return line_peak_v_per_krpm * self._over_line_peak

    @property
    def _over_line_peak(self) -> float:
        rms = 1 / math.sqrt(2) if self.value == "rms" else 1.0
        phase = 1 / math.sqrt(3) if self.across == "phase" else 1.0
        return rms * phase


class Rated(StrictModel):
    """Rated figures of the nameplate."""

    speed: Annotated[Rpm, Field(gt=0)]
    current: Annotated[Amperes, Field(gt=0)]


class Winding(StrictModel):
    """Resistance between two leads."""

    resistance: Annotated[Ohms, Field(gt=0)]
    at: Celsius
    """The temperature that the resistance is stated for."""
    coefficient: PerKelvin
    """Temperature coefficient of resistance at 20 degC (copper about 0.00393 1/K)."""
    emf_coefficient: PerKelvin | None = None
    """Temperature coefficient of the EMF constant (negative); without it the constant is not referred to 20 degC."""


class CommutationSensor(StrictModel):
    """One commutation sensor: what the maker calls it and which winding pair it belongs to."""

    maker_name: Text
    pair: WindingPair
    with_emf: Literal["high", "low"]
    """Level while the EMF of its winding pair is positive, the shaft turning clockwise seen from the drive end."""
    target: DegEl
    """Offset that setting aims for."""


class SensorTable(StrictModel):
    """The three commutation sensors."""

    H1: CommutationSensor
    H2: CommutationSensor
    H3: CommutationSensor


class Sensors(StrictModel):
    """Supply and outputs of the commutation sensors; the encoder is fed with them."""

    supply: Annotated[Volts, Field(gt=0)]
    current_min: Annotated[Amperes, Field(ge=0)]
    """Below this the feedback unit is not connected."""
    current_max: Annotated[Amperes, Field(gt=0)]
    """Limit of the supply while it is ramped up and after."""
    output: Literal["open collector", "internal pull-up", "push-pull", "differential"]
    low_max: Volts
    """Highest voltage that still is low."""
    high_min: Volts
    """Lowest voltage that still is high."""
    table: SensorTable

    @model_validator(mode="after")
    def _windows(self) -> Self:
        errors: list[InitErrorDetails] = []
        if self.current_min > self.current_max:
            errors.append(
                broken(("current_min",), "current_min is above current_max", "a window: current_min below current_max")
            )
        if not self.low_max < self.high_min <= self.supply:
            errors.append(
                broken(("low_max",), "levels do not fit the supply", "low_max below high_min, high_min at most supply")
            )
        owners: dict[str, str] = {}
        for name in SENSORS:
            pair = self.of(name).pair
            if pair in owners:
                what = f"{owners[pair]} and {name} both belong to {pair}"
                errors.append(broken(("table", name, "pair"), what, "one sensor for each of U-V, V-W, W-U"))
            owners[pair] = name
        refuse("sensors", errors)
        return self

    def of(self, name: Sensor) -> CommutationSensor:
        """One sensor of the table."""
        return {"H1": self.table.H1, "H2": self.table.H2, "H3": self.table.H3}[name]

    @property
    def pairs(self) -> dict[str, str]:
        """Sensor to the winding pair it belongs to."""
        return {name: self.of(name).pair for name in SENSORS}

    @property
    def polarity(self) -> dict[str, int]:
        """Sensor to +1 (high follows its EMF going CW) or -1 (low follows it)."""
        return {name: 1 if self.of(name).with_emf == "high" else -1 for name in SENSORS}

    @property
    def targets_deg_el(self) -> dict[str, float]:
        """Sensor to the offset that setting aims for [deg_el]."""
        return {name: self.of(name).target for name in SENSORS}

    @property
    def maker_names(self) -> dict[str, str]:
        """Sensor to the maker's name for it."""
        return {name: self.of(name).maker_name for name in SENSORS}

    @property
    def needs_pull_up(self) -> bool:
        """Whether the bench must pull the outputs up."""
        return self.output == "open collector"


class Encoder(StrictModel):
    """The incremental encoder."""

    lines: Annotated[int, Field(ge=1)]
    """Lines per turn; four counts each."""
    output: Literal["single-ended", "differential"]
    leads_going_cw: Literal["A", "B"]
    """The channel that leads when the shaft turns clockwise seen from the drive end."""
    index_target: DegEl | None = None
    """Where the index lies against the rising zero of the U-V EMF, going clockwise; without it none is aimed for."""
    high_level: Volts | None = None
    """High level of the outputs where it is not the supply voltage."""


class Brake(StrictModel):
    """A holding brake that is released by its supply."""

    voltage: Annotated[Volts, Field(gt=0)]
    current_min: Annotated[Amperes, Field(gt=0)]
    """Below this the brake cannot be taken as released."""
    current_max: Annotated[Amperes, Field(gt=0)]
    release_time: Annotated[Seconds, Field(gt=0)]
    """From switching on until the shaft is free."""

    @model_validator(mode="after")
    def _window(self) -> Self:
        if self.current_min > self.current_max:
            refuse(
                "brake", [broken(("current_min",), "current_min is above current_max", "current_min below current_max")]
            )
        return self


class LeadNames(StrictModel):
    """The maker's names of the motor leads."""

    U: Text = "U"
    V: Text = "V"
    W: Text = "W"


class Convention(StrictModel):
    """How the maker states angles, and which zero its limits refer to."""

    zero: Literal["waveform", "fundamental"] = "waveform"
    """`waveform`: mean of the rising and falling zero of the EMF; `fundamental`: zero of its fundamental."""
    viewing_end: Literal["drive end", "rear"] = "drive end"
    reference: Literal["line-to-line", "phase"] = "line-to-line"
    """The EMF that the maker's angles refer to: that of the pair, or that of the pair's first lead, 30 deg_el later."""
    positive: Literal["clockwise", "counter-clockwise"] = "clockwise"
    """The sense, seen from the viewing end, in which the maker counts a sensor as further on."""
    leads: LeadNames = LeadNames()

    def maker_offset_deg_el(self, offset_deg_el: float) -> float:
        """Turn an offset of ours into the maker's figure [deg_el]."""
        if self.reference == "phase":
            offset_deg_el -= PHASE_BEHIND_LINE_DEG_EL
        same = (self.positive == "clockwise") == (self.viewing_end == "drive end")
        return offset_deg_el if same else -offset_deg_el


class Setting(StrictModel):
    """What setting aims for where it is not a third of the release limits."""

    window: Annotated[DegEl, Field(gt=0)]
    """Largest distance of the mean offset from its target at which setting ends."""


FeedbackKind = Literal["incremental with commutation sensors", "resolver", "sine-cosine", "absolute"]
ThermalSensor = Literal["none", "PTC thermistor", "NTC thermistor", "platinum resistance", "thermal switch"]


class MotorType(FileModel):
    """One motor type."""

    name: Name = Field(alias="motor_type")
    """Short name that runs and records refer to."""
    maker: Text
    type: Text
    """The maker's type designation."""
    revision: Text
    """Revision of this file."""
    about: str = ""
    nameplate: dict[str, Text] = Field(default_factory=dict)
    """What the plate says, label to text."""
    pole_pairs: Annotated[int, Field(ge=1, le=60)]
    emf: Emf
    rated: Rated
    winding: Winding
    feedback: FeedbackKind
    """Kinds other than the first are not covered: only a windings-only sequence serves such a motor."""
    stated_sensors: Sensors | None = Field(None, alias="sensors")
    stated_encoder: Encoder | None = Field(None, alias="encoder")
    brake: Annotated[Brake | None, OrNone("voltage, current_min, current_max and release_time of the brake")]
    thermal_sensor: ThermalSensor
    adapter: Name
    """The adapter that brings this type's connectors to the bench."""
    convention: Convention = Convention()
    setting: Setting | None = None
    sources: dict[str, Source] = Field(default_factory=dict)
    """Where limits come from, by a short name that limits refer to."""
    stated_limits: Annotated[dict[str, StatedLimit], WrapValidator(check_limits)] = Field(
        default_factory=dict, alias="limits"
    )
    """Limits by finding name."""

    @model_validator(mode="after")
    def _feedback_is_described(self) -> Self:
        sections = {"sensors": self.stated_sensors, "encoder": self.stated_encoder}
        errors = [
            broken((), f"{section} is missing", f"{section}, since feedback is '{COVERED}'")
            for section, stated in sections.items()
            if self.is_covered and stated is None
        ]
        refuse("motor type", errors)
        return self

    @property
    def title(self) -> str:
        """Maker and type, as people say it."""
        return f"{self.maker} {self.type}"

    @property
    def is_covered(self) -> bool:
        """Whether the station can measure this kind of feedback; if not, only windings-only sequences serve it."""
        return self.feedback == COVERED

    @property
    def sensors(self) -> Sensors:
        """The commutation sensors.

        Raises
        ------
        ValueError
            The type has none: its feedback kind is not covered.
        """
        if self.stated_sensors is None:
            raise ValueError(self.refusal("commutation sensors"))
        return self.stated_sensors

    @property
    def encoder(self) -> Encoder:
        """The incremental encoder.

        Raises
        ------
        ValueError
            The type has none: its feedback kind is not covered.
        """
        if self.stated_encoder is None:
            raise ValueError(self.refusal("an incremental encoder"))
        return self.stated_encoder

    def refusal(self, wanted: str) -> str:
        """Say why this type's feedback cannot be measured."""
        return (
            f"{self.title} has {self.feedback} feedback, which this station does not cover: {wanted} cannot be measured"
        )

    def limits(self) -> dict[str, FindingLimits]:
        """Limits by finding name, in the finding's unit; the EMF constant's are in the stated form, V/krpm."""
        return {name: resolved(name, stated, self.sources) for name, stated in self.stated_limits.items()}

    def setting_window(self, finding: str) -> tuple[float, float] | None:
        """Return the window in which setting ends, in the finding's unit, or None where the type gives none.

        A third of the release limits about their middle, or `setting.window` about the mean target for `offset_mean`.
        """
        if finding == "offset_mean" and self.setting is not None and self.stated_sensors is not None:
            targets = self.sensors.targets_deg_el.values()
            middle = sum(targets) / len(targets)
            return middle - self.setting.window, middle + self.setting.window
        limits = self.limits().get(finding)
        if limits is None or limits.lower is None or limits.upper is None:
            return None
        middle, half = (limits.lower + limits.upper) / 2, (limits.upper - limits.lower) / 2 * WINDOW_PART
        return middle - half, middle + half

    def signal_groups(self) -> tuple[str, ...]:
        """Return the signal groups that this type has: complements only where outputs are differential."""
        if not self.is_covered:
            return ("none",)
        groups = ["none", "sensors", "encoder", "encoder-sensor"]
        if self.sensors.output == "differential":
            groups.append("complements-sensors")
        if self.encoder.output == "differential":
            groups.append("complements-encoder")
        return tuple(groups)

    def logic_high_v(self, group: str) -> float:
        """High level to expect of a signal group [V], to choose the scope's range by."""
        if not self.is_covered:
            return 0.0
        encoder_high = self.encoder.high_level
        return encoder_high if "encoder" in group and encoder_high is not None else self.sensors.supply
