"""A motor type: nameplate, maker's conventions, targets, and limits with their source, as one YAML file states them.

Targets and limits stand in this station's convention (clockwise seen facing the drive-end shaft, offsets against the
EMF of a winding pair); `convention` says how the maker states the same angles, for the sheet.
"""

from typing import Annotated, Literal, Self

from pydantic import Field, WrapValidator, model_validator

from station.file_model import FileModel, Name, Text
from station.file_problems import broken, refuse
from station.motor_parts import Brake, Convention, Emf, Encoder, Rated, Sensors, Setting, Winding
from station.or_none import OrNone
from station.stated_limits import FindingLimits, Source, StatedLimit, check_limits, resolved

COVERED: Literal["incremental with commutation sensors"] = "incremental with commutation sensors"
WINDOW_PART = 1 / 3
"""Setting window over release limits: locking moves a unit by more than the measurement's uncertainty."""


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

    @property
    def counts_per_turn(self) -> int | None:
        """Counts of the encoder, four a line; None for a motor whose feedback is not covered."""
        return None if self.stated_encoder is None else 4 * self.stated_encoder.lines

    def facts(self) -> dict[str, str | int | float | None]:
        """Return what a record keeps of the type in plain figures, beside its whole text."""
        sensors, encoder = self.stated_sensors, self.stated_encoder
        return {
            "type": self.type,
            "pole_pairs": self.pole_pairs,
            "feedback": self.feedback,
            "emf_constant_v_per_krpm": self.emf.constant,
            "emf_form": self.emf.form,
            "rated_speed_rpm": self.rated.speed,
            "rated_current_a": self.rated.current,
            "winding_resistance_ohm": self.winding.resistance,
            "sensor_supply_v": None if sensors is None else sensors.supply,
            "sensor_output": None if sensors is None else sensors.output,
            "encoder_lines": None if encoder is None else encoder.lines,
            "encoder_output": None if encoder is None else encoder.output,
            "brake_v": None if self.brake is None else self.brake.voltage,
            "thermal_sensor": self.thermal_sensor,
            "zero": self.convention.zero,
            "viewing_end": self.convention.viewing_end,
            "reference": self.convention.reference,
            "positive": self.convention.positive,
        }

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
