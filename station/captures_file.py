"""The description of captures that were saved by any scope: which column is what, which way the shaft turned, which motor."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from drivers.bench_parts import Errors
from drivers.quantities import Celsius, Hertz, Percent, Rpm, Seconds, Volts, parse
from station.file_model import FileModel, OneOrMore, StrictModel, Text
from station.file_problems import broken, refuse
from station.finding_names import SENSORS, Direction, WindingPair
from station.motor_parts import Convention, Emf, Encoder, Sensors, Winding
from station.scope_text import Decimal, Delimiter

Signal = Literal["emf", "H1", "H2", "H3", "A", "B", "Z"]
READINGS = {
    "winding_temperature": "degC",
    "winding_resistance_UV": "ohm",
    "winding_resistance_VW": "ohm",
    "winding_resistance_WU": "ohm",
    "insulation_resistance": "Mohm",
}
"""Readings by hand that findings can be made of, with their units."""


def _short(value: object) -> object:
    return {"column": value} if isinstance(value, int | str) and not isinstance(value, bool) else value


class Channel(StrictModel):
    """One signal: the column that holds it, and what turns the file's numbers into volts at the winding or wire."""

    column: Annotated[int, Field(ge=1)] | Text
    """Its heading, or its number from 1; of a NumPy archive the array's name."""
    factor: Annotated[float, Field(strict=False)] = 1.0
    """What the numbers are to be multiplied by: a probe's division that the scope did not know, -1 for turned leads."""
    unit: Literal["V", "mV", "uV", "kV"] | None = None
    """Unit of the numbers; without it that of the column's heading, else volts."""
    full_scale: Annotated[Volts, Field(gt=0)] | None = None
    """Peak to peak, in volts at the winding, about zero: lets clipping and a small signal be seen for certain."""

    @model_validator(mode="after")
    def _not_nothing(self) -> Self:
        if self.factor == 0:
            refuse("signal", [broken(("factor",), "factor 0", "another number, negative for turned leads")])
        return self


class TextForm(StrictModel):
    """How a text file is written, where that cannot be found out."""

    delimiter: Delimiter | None = None
    decimal: Decimal | None = None


class SavedFile(StrictModel):
    """One file: one capture."""

    file: Text
    """Path, relative to this description."""
    direction: Direction
    """As seen facing the drive-end shaft."""
    winding_pair: WindingPair
    """The pair whose EMF was captured, the scope's plus on its first lead."""
    speed: Annotated[Rpm, Field(gt=0)] | None = None
    """Roughly; without it captures within 15 % of each other's measured speed belong together."""
    signals: dict[Signal, Annotated[Channel, BeforeValidator(_short)]] | None = None
    """Where this file differs from the signals above."""
    time: Annotated[int, Field(ge=1)] | Text | None = None
    interval: Annotated[Seconds, Field(gt=0)] | None = None


class StatedErrors(StrictModel):
    """Standard uncertainties of the instruments; what is not stated is assumed as for a common bench scope."""

    scope_gain: Annotated[Percent, Field(ge=0)] = 1.0
    scope_offset: Annotated[Percent, Field(ge=0)] = 1.0
    scope_skew: Annotated[Seconds, Field(ge=0)] = 1e-7
    time_base: Annotated[Percent, Field(ge=0)] = 0.005
    probe_gain: Annotated[Percent, Field(ge=0)] = 1.0
    thermometer: Annotated[Celsius, Field(ge=0)] = 1.0

    def errors(self) -> Errors:
        """Return them as a bench states them."""
        return Errors.model_construct(**self.model_dump(), supply_current=0.0)


OURS = Convention()


@dataclass(frozen=True, slots=True)
class BareMachine:
    """A motor of which only pole pairs and lines are known: sensors by this station's own convention, nothing else."""

    pole_pairs: int
    lines: int | None
    convention: Convention = OURS
    emf: Emf | None = None
    winding: Winding | None = None

    @property
    def counts_per_turn(self) -> int | None:
        """Four counts a line."""
        return None if self.lines is None else 4 * self.lines

    @property
    def sensors(self) -> Sensors:
        """H1 with U-V, H2 with V-W, H3 with W-U, high while the EMF is positive going clockwise."""
        table = {
            name: {"maker_name": name, "pair": pair, "with_emf": "high", "target": "0 deg_el"}
            for name, pair in zip(SENSORS, ("U-V", "V-W", "W-U"), strict=True)
        }
        return Sensors.model_validate(
            {
                "supply": "5 V", "current_min": "0 A", "current_max": "1 A", "output": "push-pull",
                "low_max": "0.8 V", "high_min": "4 V", "table": table,
            }
        )  # fmt: skip

    @property
    def encoder(self) -> Encoder:
        """The encoder by its lines alone.

        Raises
        ------
        ValueError
            The lines are not stated.
        """
        if self.lines is None:
            raise ValueError("encoder_lines is not stated")
        return Encoder.model_validate({"lines": self.lines, "output": "single-ended", "leads_going_cw": "A"})


class Captures(FileModel):
    """A description of one or more saved captures of one motor."""

    title: Text = Field(alias="captures")
    """What these captures are; heads the page."""
    motor_type: Text | None = None
    """A shipped name or a file: conventions, targets and limits. Without it `pole_pairs`."""
    pole_pairs: Annotated[int, Field(ge=1, le=60)] | None = None
    encoder_lines: Annotated[int, Field(ge=1)] | None = None
    mains: Hertz | None = None
    """Given, a capture whose EMF has a harmonic on it is refused."""
    errors: StatedErrors = StatedErrors()
    signals: dict[Signal, Annotated[Channel, BeforeValidator(_short)]]
    """The columns of every file that states none of its own."""
    time: Annotated[int, Field(ge=1)] | Text | None = None
    """Column of times."""
    interval: Annotated[Seconds, Field(gt=0)] | None = None
    """Time from sample to sample, where there is no such column."""
    text_form: TextForm = Field(TextForm(), alias="text")
    readings: dict[str, Text] = Field(default_factory=dict)
    """Readings by hand, with units."""
    files: OneOrMore[SavedFile]

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        errors = []
        if (self.motor_type is None) == (self.pole_pairs is None):
            what = "neither motor_type nor pole_pairs" if self.motor_type is None else "motor_type beside pole_pairs"
            errors.append(broken((), what, "one of motor_type and pole_pairs"))
        if self.encoder_lines is not None and self.pole_pairs is None:
            what = "encoder_lines beside motor_type, which states them"
            errors.append(broken(("encoder_lines",), what, "encoder_lines with pole_pairs", at_key=True))
        for i, of in enumerate(self.files):
            if "emf" not in (of.signals or self.signals):
                errors.append(broken(("files", i), "no column for emf", "emf among the signals"))
            time, interval = (of.time, of.interval) if of.time or of.interval else (self.time, self.interval)
            if (time is None) == (interval is None):
                what = "neither time nor interval" if time is None else "time beside interval"
                errors.append(broken(("files", i), what, "a column of times, or the interval"))
            if of.file in [other.file for other in self.files[:i]]:
                errors.append(broken(("files", i, "file"), f"{of.file} comes twice", "each file once"))
        refuse("captures", [*errors, *_wrong_readings(self.readings)])
        return self

    def read_by_hand(self) -> Mapping[str, float]:
        """Return the readings in their units."""
        return {name: parse(text, READINGS[name]) for name, text in self.readings.items()}


def _wrong_readings(readings: Mapping[str, str]) -> list[Any]:
    errors = []
    for name, text in readings.items():
        if name not in READINGS:
            errors.append(broken(("readings", name), f"unknown reading '{name}'", ", ".join(READINGS), at_key=True))
            continue
        try:
            parse(text, READINGS[name])
        except ValueError as error:
            errors.append(broken(("readings", name), str(error), f"a quantity in {READINGS[name]}"))
    return errors
