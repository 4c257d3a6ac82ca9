"""The bench file: instruments, wiring, probe, limits and the errors that belong to them."""

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field, PrivateAttr, ValidationError

from drivers.bench_parts import (
    BenchLimits,
    Errors,
    InputsEntry,
    InstrumentEntry,
    KnownSource,
    Probe,
    SpinMotor,
    Strict,
    SwitchEntry,
    Text,
)
from drivers.command_map import CommandMap, read_command_map
from drivers.quantities import Hertz, Seconds
from safety.limits import DEADMAN_WITHIN_S, LOOK_PERIOD_S
from safety.strict_yaml import Document, Problem, YamlError, read_file

Place = tuple[str, ...]
ROLES = ("spin_supply", "sensor_supply", "brake_supply", "scope", "switch", "inputs")
CONTROL = "simulation"


class BenchFile(Strict):
    """A whole bench."""

    name: Text = Field(alias="bench")
    station: Text
    place: Text
    simulated: bool = False
    clock: Literal["monotonic", "stepped", "scaled"] = "monotonic"
    clock_factor: Annotated[float, Field(ge=1, le=5, strict=False)] = 1.0
    mains: Annotated[Hertz, Field(gt=0)]
    deadman_period: Annotated[Seconds, Field(ge=2 * LOOK_PERIOD_S, le=DEADMAN_WITHIN_S)]
    """The hardwired dead-man relay drops the spin supply when it has not been kicked for so long."""
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
    known_source: KnownSource | None = None
    """For the station's test of its own paths; needs the relay `known_source`."""
    limits: BenchLimits
    _document: Document = PrivateAttr()
    _maps: dict[str, CommandMap] = PrivateAttr({})

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
        return {role: entry for role in (*ROLES, CONTROL) if (entry := getattr(self, role)) is not None}

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
    unstarted = [role for role, entry in bench.entries().items() if "{" in entry.resource]
    if unstarted:
        what, allowed = (
            "the simulated bench of this file has not been started",
            "the file that `polemark bench simulate` writes",
        )
        raise YamlError([document.problem((unstarted[0], "resource"), what, allowed)])
    return bench


def parse_bench(document: Document) -> BenchFile:
    """Check a bench file's document, whether or not its simulated bench runs.

    Raises
    ------
    YamlError
        Something in it, or in a command map that it names, is wrong; all problems in one go.
    """
    maps, problems = _maps_of(document)
    bench: BenchFile | None = None
    try:
        bench = BenchFile.model_validate(document.data)
    except ValidationError as error:
        problems += _problems(document, error)
    else:
        problems += broken_rules(bench, document)
    if problems or bench is None:
        raise YamlError(sorted(problems, key=lambda p: (p.file != document.name, p.file, p.line, p.column)))
    bench._document, bench._maps = document, maps  # noqa: SLF001 - of this module
    return bench


def _maps_of(document: Document) -> tuple[dict[str, CommandMap], list[Problem]]:
    """Read the command maps that a file names, whatever else is wrong with it."""
    maps: dict[str, CommandMap] = {}
    problems: list[Problem] = []
    data = document.data if isinstance(document.data, dict) else {}
    for role in ROLES:
        name = data[role].get("map") if isinstance(data.get(role), dict) else None
        if not isinstance(name, str) or not name:
            continue
        try:
            maps[role] = read_command_map(name, Path(document.name).parent)
        except YamlError as error:
            problems.append(document.problem((role, "map"), f"command map '{name}' cannot be used", "a usable map"))
            problems += error.problems
            continue
        kind, wanted = maps[role].kind, "supply" if role.endswith("_supply") else role
        if kind != wanted:
            problems.append(document.problem((role, "map"), f"command map '{name}' is for {kind}", f"one for {wanted}"))
    return maps, problems


def broken_rules(bench: BenchFile, document: Document) -> list[Problem]:
    """Find what does not fit within a bench whose every part is sound."""
    checks: list[tuple[bool, Place, str, str]] = [
        (not bench.simulated and bench.clock != "monotonic", ("clock",), f"a real bench on a {bench.clock} clock",
         "monotonic; another clock only with `simulated: true`"),
        (not bench.simulated and bench.simulation is not None, (CONTROL,), "a real bench with a control side",
         "`simulation` only with `simulated: true`"),
        (bench.simulated and bench.simulation is None, ("simulated",), "a simulated bench without its control side",
         "one with its control side under `simulation`"),
        (bench.simulated and bench.clock == "monotonic", ("simulated",), "a simulated bench on a monotonic clock",
         "`clock: stepped` or `clock: scaled`"),
        (bench.known_source is not None and "known_source" not in bench.switch.relays, ("known_source",),
         "a known source without its relay", "`known_source` among the relays of the switch"),
        (bench.limits.speed > bench.spin_motor.max_speed, ("limits", "speed"),
         f"{bench.limits.speed:g} rpm is more than the spin motor may turn", f"{bench.spin_motor.max_speed:g} rpm or less"),
        (bench.limits.emf > bench.probe.rating, ("limits", "emf"),
         f"{bench.limits.emf:g} V is more than the probe may see", f"{bench.probe.rating:g} V or less"),
    ]  # fmt: skip
    return [document.problem(place, what, allowed) for broken, place, what, allowed in checks if broken]


def _problems(document: Document, error: ValidationError) -> list[Problem]:
    made: list[Problem] = []
    for details in error.errors():
        if details["type"] == "polemark":
            context = details["ctx"]
            made.append(document.problem(details["loc"], str(context["what"]), str(context["allowed"])))
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
