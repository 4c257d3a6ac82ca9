"""The parts of a bench file: instruments with their wiring, probe, errors, spin motor and limits."""

import datetime
from itertools import pairwise
from typing import Annotated, Literal, Self, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from drivers.quantities import Amperes, Celsius, Hertz, Ohms, Percent, Rpm, Seconds, Volts, VoltSecondsPerRad
from safety.limits import TOUCH_DEFAULT

Entry = TypeVar("Entry")
Text = Annotated[str, Field(min_length=1)]
NEEDED_RELAYS = (
    "spin_on",
    "spin_reverse",
    "pair_U-V",
    "pair_V-W",
    "pair_W-U",
    "group_sensors",
    "brake",
    "deadman_kick",
)
NEEDED_CONTACTS = (
    "stop_circuit", "drive_end_guard", "feedback_end_guard", "motor_clamp", "standstill", "overspeed_ok", "deadman_ok",
    "mirror_U-V", "mirror_V-W", "mirror_W-U", "winding_adapter_present", "feedback_adapter_present", "adapter_code",
)  # fmt: skip


def _date(value: object) -> object:
    if isinstance(value, str):
        try:
            return datetime.date.fromisoformat(value)
        except ValueError:
            raise ValueError(f"'{value}' is no date; allowed: a date such as 2026-05-31") from None
    return value


class Strict(BaseModel):
    """A part of the file: no other keys, no other types, never changed."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, use_attribute_docstrings=True)


class InstrumentEntry(Strict):
    """One instrument: where it is, what it is, and its calibration."""

    resource: Text
    """VISA resource name."""
    map: Text
    """Command map: a shipped name, or a file beside the bench file."""
    maker: Text
    model: Text
    serial: Text
    """Maker, model and serial as `*IDN?` answers them; another unit is refused."""
    calibration_due: Annotated[datetime.date, BeforeValidator(_date)] | None = None
    certificate: str | None = None

    @property
    def identity(self) -> tuple[str, str, str]:
        """Maker, model and serial number."""
        return self.maker, self.model, self.serial


class SwitchEntry(InstrumentEntry):
    """The relay card and what its channels are wired to."""

    relays: dict[str, int]

    @model_validator(mode="after")
    def _wired(self) -> Self:
        return _complete(self, self.relays, NEEDED_RELAYS, "relays")


class InputsEntry(InstrumentEntry):
    """The input card and what its channels are wired to."""

    contacts: dict[str, int]

    @model_validator(mode="after")
    def _wired(self) -> Self:
        return _complete(self, self.contacts, NEEDED_CONTACTS, "contacts")


def _complete(entry: Entry, wired: dict[str, int], needed: tuple[str, ...], what: str) -> Entry:
    missing = [name for name in needed if name not in wired]
    if missing:
        raise ValueError(f"{what} are missing: {', '.join(missing)}; allowed: a channel for each")
    channels = list(wired.values())
    twice = sorted({c for c in channels if channels.count(c) > 1})
    if twice:
        raise ValueError(f"{what} share channel {twice[0]}; allowed: a channel of its own for each")
    return entry


class Probe(Strict):
    """How the EMF of the floating winding is probed; an earth-referenced single-ended probe is not offered."""

    kind: Literal["isolated differential", "two channels subtracted"]
    ratio: Annotated[float, Field(gt=0, strict=False)]
    """Division, for the file only: the scope is told it and answers in volts at the winding."""
    rating: Annotated[Volts, Field(gt=0)]
    """Peak volts that it may see."""
    bandwidth: Annotated[Hertz, Field(gt=0)]
    delay: Annotated[Seconds, Field(ge=0)]
    bleed: Annotated[Ohms, Field(gt=0)]
    """Resistance that references the floating winding."""


class Errors(Strict):
    """Standard uncertainties of type B that every finding's budget draws on."""

    scope_gain: Annotated[Percent, Field(ge=0)]
    scope_offset: Annotated[Percent, Field(ge=0)]
    """Of the full scale, peak to peak."""
    scope_skew: Annotated[Seconds, Field(ge=0)]
    """Between two channels."""
    time_base: Annotated[Percent, Field(ge=0)]
    probe_gain: Annotated[Percent, Field(ge=0)]
    supply_current: Annotated[Percent, Field(ge=0)]
    thermometer: Annotated[Celsius, Field(ge=0)]


class KnownSource(Strict):
    """A square wave from 0 V to a known voltage that the relay `known_source` puts on all four channels.

    On channel 1 it takes the winding's place and comes through the path of the winding pair that is connected.
    """

    voltage: Annotated[Volts, Field(gt=0)]
    """Its high level, positive where the first lead of the pair goes in."""
    uncertainty: Annotated[Volts, Field(ge=0)]
    """Standard uncertainty of that level."""


class NoLoad(Strict):
    """One point of what the station itself draws, coupled to nothing."""

    speed: Annotated[Rpm, Field(ge=0)]
    current: Annotated[Amperes, Field(ge=0)]


class SpinMotor(Strict):
    """The DC motor that back-drives the shaft: V = R I + k w."""

    constant: Annotated[VoltSecondsPerRad, Field(gt=0)]
    resistance: Annotated[Ohms, Field(gt=0)]
    max_speed: Annotated[Rpm, Field(gt=0)]
    max_current: Annotated[Amperes, Field(gt=0)]
    constant_uncertainty: Annotated[Percent, Field(ge=0)]
    """Standard uncertainty of the constant."""
    no_load: Annotated[tuple[NoLoad, ...], Field(min_length=1, strict=False)]
    """What the station itself draws at speeds in rising order; taken off before drag is stated, and known up to the last."""
    no_load_uncertainty: Annotated[Amperes, Field(ge=0)]
    """Standard uncertainty of each of these currents."""

    @model_validator(mode="after")
    def _rising(self) -> Self:
        speeds = [point.speed for point in self.no_load]
        if any(b <= a for a, b in pairwise(speeds)):
            raise ValueError("no_load is not in order of speed; allowed: each speed above the one before")
        return self


class BenchLimits(Strict):
    """What this bench may not exceed, set by who assessed it."""

    emf: Annotated[Volts, Field(gt=0)]
    """Peak line-to-line EMF."""
    speed: Annotated[Rpm, Field(gt=0)]
    spin_voltage: Annotated[Volts, Field(gt=0)]
    touch: Annotated[Volts, Field(gt=0)] = TOUCH_DEFAULT.ac_peak_v
    """Peak volts above which a terminal must not be touchable; local codes come before the default."""
