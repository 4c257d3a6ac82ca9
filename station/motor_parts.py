"""The sections of a motor type file: EMF constant, ratings, winding, sensors, encoder, brake, the maker's convention."""

import math
from collections.abc import Mapping
from typing import Annotated, Any, Literal, Self

from pydantic import Field, PrivateAttr, ValidatorFunctionWrapHandler, model_validator
from pydantic_core import InitErrorDetails

from drivers.quantities import Amperes, Celsius, DegEl, Ohms, PerKelvin, Rpm, Seconds, Volts, VoltsPerKrpm
from station.file_model import StrictModel, Text
from station.file_problems import broken, refuse
from station.finding_names import SENSORS, Sensor, WindingPair

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
    insulation: Literal["halves every 10 K", "thermoset, 2013"] = "halves every 10 K"
    """The rule that refers its insulation resistance to 40 degC (IEEE Std 43)."""


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
