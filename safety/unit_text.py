"""Quantities written as text with a unit, for the few units that the interlock table needs."""

import math
import re

_QUANTITY = re.compile(r"([-+]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)) (ms|s|mV|V|mA|A|rpm|degC)")
_BASE = {
    "ms": (1e-3, "s"),
    "s": (1.0, "s"),
    "mV": (1e-3, "V"),
    "V": (1.0, "V"),
    "mA": (1e-3, "A"),
    "A": (1.0, "A"),
    "rpm": (1.0, "rpm"),
    "degC": (1.0, "degC"),
}
_SUFFIXES = {"_s": "s", "_v": "V", "_a": "A", "_rpm": "rpm", "_c": "degC"}

UNITS = ", ".join(_BASE)


def read_quantity(text: object) -> tuple[float, str] | None:
    """Read a text such as `20 ms` as value and base unit (`0.02`, `s`); None if it is no such text."""
    found = _QUANTITY.fullmatch(text) if isinstance(text, str) else None
    if found is None:
        return None
    factor, unit = _BASE[found.group(2)]
    value = float(found.group(1)) * factor
    return (value, unit) if math.isfinite(value) else None


def unit_of_name(name: str) -> str | None:
    """Return the base unit that a name carries in its suffix (`spin_current_a`: A), None if it carries none."""
    return next((unit for suffix, unit in _SUFFIXES.items() if name.endswith(suffix)), None)
