"""Quantities with units, as the station's YAML files write them: `5 V`, `300 rpm`, `3 deg_el`, `0.7 deg_mech`.

The registry knows the trade's few units and nothing else; electrical, mechanical and line degrees are dimensions of
their own, so that none passes for another, and a bare `deg` is refused.
"""

import functools
import math
import re
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

if TYPE_CHECKING:
    import pint

_DEFINITIONS = """
milli- = 1e-3 = m
micro- = 1e-6 = u
kilo- = 1e3 = k
mega- = 1e6 = M
nano- = 1e-9 = n
pico- = 1e-12 = p
volt = [voltage] = V
ampere = [electric_current] = A
second = [time] = s
minute = 60 * second = min
ohm = volt / ampere
farad = ampere * second / volt = F
hertz = 1 / second = Hz
newton_metre = [torque] = Nm
kelvin = [temperature] = K
degree_Celsius = kelvin; offset: 273.15 = degC
deg_el = [electrical_angle]
deg_mech = [mechanical_angle]
deg_line = [line_angle]
turn = [turn]
rpm = turn / minute
krpm = 1000 * rpm
rad = 0.15915494309189535 * turn
percent = [part]
"""
ZERO_CELSIUS_K = 273.15
_UNIT_WORDS = {"N*m": "Nm", "Mohm": "megaohm", "kohm": "kiloohm", "%": "percent"}
_QUANTITY = re.compile(r"\s*([-+]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?)\s*(.*?)\s*")
# Words joined by `*` or `/`: no powers and no numbers, which the library would work out however large.
_UNIT = re.compile(r"(?:[A-Za-z_%]+|1 ?/ ?[A-Za-z]+)(?: ?[*/] ?[A-Za-z_%]+)*")


@functools.cache
def _registry() -> "pint.UnitRegistry[float]":
    import pint

    registry: pint.UnitRegistry[float] = pint.UnitRegistry(None, autoconvert_offset_to_baseunit=False)
    registry.load_definitions(_DEFINITIONS.strip().splitlines())
    return registry


def parse(text: str, unit: str) -> float:
    """Read a quantity and return its number in `unit`.

    Raises
    ------
    ValueError
        No number, no unit, an unknown unit, or a unit of another kind; the message says what is allowed.
    """
    found = _QUANTITY.fullmatch(text)
    if found is None:
        raise ValueError(f"'{text}' is no quantity in {unit}, such as '5 {unit}'")
    number, given = float(found.group(1)), found.group(2)
    if not given:
        raise ValueError(f"'{text}' has no unit; it must be in {unit} or what converts to it")
    if given in ("deg", "degree", "degrees", "°"):
        raise ValueError(f"'{text}': a bare degree is ambiguous; write deg_el (electrical) or deg_mech (mechanical)")
    try:
        value = number if given == unit else _converted(number, given, unit)
    except LookupError:
        raise ValueError(f"'{text}': unknown unit '{given}'; it must be in {unit} or what converts to it") from None
    except ArithmeticError:
        raise ValueError(f"'{text}' is not in {unit} or what converts to it") from None
    if not math.isfinite(value):
        raise ValueError(f"'{text}' is too large for a number")
    return value


def _converted(number: float, given: str, unit: str) -> float:
    if given == "K" and unit == "degC":
        return number - ZERO_CELSIUS_K
    if "degC" in (given, unit):
        raise ArithmeticError
    # Fifteen digits: what a double holds for certain, so that 10 us is 1e-05 and not its lower neighbour.
    return float(f"{number * _factor(given, unit):.15g}")


@functools.lru_cache(maxsize=512)
def _factor(given: str, unit: str) -> float:
    """Return what one `given` is in `unit`; LookupError for no unit, ArithmeticError for one of another kind."""
    import pint

    registry = _registry()
    try:
        return float((1.0 * _parsed(registry, given)).to(_parsed(registry, unit)).magnitude)
    except pint.DimensionalityError:
        raise ArithmeticError from None
    except (pint.errors.PintError, ValueError, TypeError, AttributeError, SyntaxError, AssertionError):
        raise LookupError from None


def _parsed(registry: "pint.UnitRegistry[float]", unit: str) -> Any:
    if not _UNIT.fullmatch(unit):
        raise ValueError(unit)
    return registry.Unit(_UNIT_WORDS.get(unit, unit))


class Quantity:
    """Pydantic marker: a text with a unit, validated to a float in one base unit."""

    def __init__(self, unit: str, example: str) -> None:
        self.unit, self.example = unit, example

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Read the text before anything else looks at it; bounds given beside apply to the number."""
        del source, handler
        return core_schema.no_info_before_validator_function(self._read, core_schema.float_schema(strict=True))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        """Tell editors that a text with a unit is wanted."""
        del schema, handler
        return {"type": "string", "pattern": r"^\s*[-+]?[0-9.]+([eE][-+]?[0-9]+)?\s*\S+", "examples": [self.example]}

    def _read(self, value: object) -> float:
        if not isinstance(value, str):
            shown = "nothing" if value is None else f"'{value}'"
            raise PydanticCustomError(
                "polemark",
                "{what}; allowed: {allowed}",
                {"what": f"{shown} has no unit", "allowed": f"a number with a unit, such as '{self.example}'"},
            )
        try:
            return parse(value, self.unit)
        except ValueError as error:
            raise PydanticCustomError(
                "polemark",
                "{what}; allowed: {allowed}",
                {"what": str(error), "allowed": f"a quantity such as '{self.example}'"},
            ) from None


Volts = Annotated[float, Quantity("V", "5 V")]
Amperes = Annotated[float, Quantity("A", "0.2 A")]
Seconds = Annotated[float, Quantity("s", "50 ms")]
Rpm = Annotated[float, Quantity("rpm", "300 rpm")]
Hertz = Annotated[float, Quantity("Hz", "50 Hz")]
Ohms = Annotated[float, Quantity("ohm", "1.9 ohm")]
Farads = Annotated[float, Quantity("F", "20 pF")]
DegEl = Annotated[float, Quantity("deg_el", "3 deg_el")]
DegMech = Annotated[float, Quantity("deg_mech", "0.7 deg_mech")]
Celsius = Annotated[float, Quantity("degC", "20 degC")]
Percent = Annotated[float, Quantity("percent", "2 percent")]
NewtonMetres = Annotated[float, Quantity("N*m", "0.4 N*m")]
PerKelvin = Annotated[float, Quantity("1/K", "0.00393 1/K")]
VoltsPerKrpm = Annotated[float, Quantity("V/krpm", "50 V/krpm")]
VoltSecondsPerRad = Annotated[float, Quantity("V*s/rad", "0.25 V*s/rad")]
