"""The bench file: instruments, wiring, probe, limits and the errors that belong to them."""

import datetime
from pathlib import Path
from typing import Annotated, Any, Literal, Self, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PrivateAttr, ValidationError, model_validator

from drivers.command_map import CommandMap, read_command_map
from drivers.quantities import Amperes, Celsius, Hertz, Ohms, Percent, Rpm, Seconds, Volts, VoltSecondsPerRad
from safety.limits import TOUCH_DEFAULT
from safety.strict_yaml import Document, Problem, YamlError, read_file

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
            raise ValueError(f"'{value}' is no date such as 2026-05-31") from None
    return value


class _Strict(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, use_attribute_docstrings=True)


class InstrumentEntry(_Strict):
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
        raise ValueError(f"{what} are missing: {', '.join(missing)}")
    channels = list(wired.values())
    twice = sorted({c for c in channels if channels.count(c) > 1})
    if twice:
        raise ValueError(f"{what} share channel {twice[0]}")
    return entry


class Probe(_Strict):
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


class Errors(_Strict):
    """Standard uncertainties of type B that every finding's budget draws on."""

    scope_gain: Annotated[Percent, Field(ge=0)]
    scope_skew: Annotated[Seconds, Field(ge=0)]
    time_base: Annotated[Percent, Field(ge=0)]
    probe_gain: Annotated[Percent, Field(ge=0)]
    supply_current: Annotated[Percent, Field(ge=0)]
    thermometer: Annotated[Celsius, Field(ge=0)]


class SpinMotor(_Strict):
    """The DC motor that back-drives the shaft: V = R I + k w."""

    constant: Annotated[VoltSecondsPerRad, Field(gt=0)]
    resistance: Annotated[Ohms, Field(gt=0)]
    max_current: Annotated[Amperes, Field(gt=0)]
    no_load_current: Annotated[Amperes, Field(ge=0)]
    """What the station itself draws, coupled to nothing; taken off before drag is stated."""


class BenchLimits(_Strict):
    """What this bench may not exceed, set by who assessed it."""

    emf: Annotated[Volts, Field(gt=0)]
    """Peak line-to-line EMF."""
    speed: Annotated[Rpm, Field(gt=0)]
    spin_voltage: Annotated[Volts, Field(gt=0)]
    touch: Annotated[Volts, Field(gt=0)] = TOUCH_DEFAULT.ac_peak_v
    """Peak volts above which a terminal must not be touchable; local codes come before the default."""


class BenchFile(_Strict):
    """A whole bench."""

    name: Text = Field(alias="bench")
    station: Text
    place: Text
    simulated: bool = False
    clock: Literal["monotonic", "stepped", "scaled"] = "monotonic"
    clock_factor: Annotated[float, Field(ge=1, le=5, strict=False)] = 1.0
    mains: Annotated[Hertz, Field(gt=0)]
    spin_supply: InstrumentEntry
    sensor_supply: InstrumentEntry
    brake_supply: InstrumentEntry | None = None
    scope: InstrumentEntry
    switch: SwitchEntry
    inputs: InputsEntry
    simulation: InstrumentEntry | None = None
    """The control side of a simulated bench; a real one has none."""
    probe: Probe
    errors: Errors
    spin_motor: SpinMotor
    limits: BenchLimits
    _document: Document = PrivateAttr()
    _maps: dict[str, CommandMap] = PrivateAttr({})

    @model_validator(mode="after")
    def _honest(self) -> Self:
        if not self.simulated and (self.clock != "monotonic" or self.simulation is not None):
            raise ValueError(
                "only a bench with `simulated: true` may have another clock than monotonic, or a control side"
            )
        if self.simulated and self.simulation is None:
            raise ValueError("a simulated bench needs its control side under `simulation`")
        return self

    @property
    def document(self) -> Document:
        """The file this bench was read from."""
        return self._document

    @property
    def text(self) -> str:
        """The file's text, as the record keeps it."""
        return self._document.text

    @property
    def digest(self) -> str:
        """SHA-256 of the file's text."""
        return self._document.digest

    def entries(self) -> dict[str, InstrumentEntry]:
        """Every instrument by role, the control side too."""
        roles = ("spin_supply", "sensor_supply", "brake_supply", "scope", "switch", "inputs", "simulation")
        return {role: entry for role in roles if (entry := getattr(self, role)) is not None}

    def command_map(self, role: str) -> CommandMap:
        """Return the command map of one role."""
        return self._maps[role]


def read_bench(path: Path) -> BenchFile:
    """Read a bench file and the command maps it names.

    Raises
    ------
    YamlError
        The file or a map is wrong; all problems in one go, with their positions.
    """
    document = read_file(path)
    bench = parse_bench(document)
    unstarted = [f"{role}" for role, e in bench.entries().items() if "{" in e.resource]
    if unstarted:
        raise YamlError(
            [document.problem((unstarted[0], "resource"), "the simulated bench of this file has not been started",
                              "the file that `polemark bench simulate` writes")]
        )  # fmt: skip
    return bench


def parse_bench(document: Document) -> BenchFile:
    """Check a bench file's document, whether or not its simulated bench runs.

    Raises
    ------
    YamlError
        Something in it is wrong.
    """
    try:
        bench = BenchFile.model_validate(document.data)
    except ValidationError as error:
        raise YamlError(_problems(document, error)) from None
    bench._document = document  # noqa: SLF001 - of this module
    maps = bench._maps  # noqa: SLF001 - of this module
    problems: list[Problem] = []
    for role, entry in bench.entries().items():
        if role == "simulation":
            continue
        try:
            maps[role] = read_command_map(entry.map, Path(document.name).parent)
        except YamlError as error:
            problems.append(document.problem((role, "map"), f"command map '{entry.map}': {error}", "a usable map"))
            continue
        kind, wanted = maps[role].kind, "supply" if role.endswith("_supply") else role
        if kind != wanted:
            problems.append(
                document.problem((role, "map"), f"command map '{entry.map}' is for {kind}", f"one for {wanted}")
            )
    if problems:
        raise YamlError(problems)
    return bench


def _problems(document: Document, error: ValidationError) -> list[Problem]:
    made: list[Problem] = []
    for details in error.errors():
        context = details.get("ctx") or {}
        if details["type"] == "polemark":
            made.append(document.problem(details["loc"], str(context["what"]), str(context["allowed"])))
        elif details["type"] == "value_error":
            made.append(document.problem(details["loc"], str(context["error"]), "see the shipped bench file"))
        else:
            made += document.problems([dict(details)], _keys_at)
    return made


def _keys_at(loc: tuple[str | int, ...]) -> list[str]:
    """Name the keys that a place of the file may have."""
    model: Any = BenchFile
    for part in loc:
        found = model.model_fields.get(part) if isinstance(part, str) else None
        kinds = [] if found is None else [found.annotation, *getattr(found.annotation, "__args__", ())]
        model = next((k for k in kinds if isinstance(k, type) and issubclass(k, BaseModel)), None)
        if model is None:
            return []
    return [f.alias or name for name, f in model.model_fields.items()]
