"""Numbers, units and times as a person reads them: the same text on any machine, in any locale and time zone."""

import re
import unicodedata
from datetime import UTC, datetime
from decimal import ROUND_HALF_EVEN, Context, Decimal
from importlib.resources import files
from typing import Any
from zoneinfo import ZoneInfo

MINUS = "\N{MINUS SIGN}"
TIMES = "\N{MULTIPLICATION SIGN}"
NOT_STATED = "not stated"

# Wide enough for any two finite doubles: 1.8e308 to the place of 5e-324.
_EXACT = Context(prec=700, rounding=ROUND_HALF_EVEN)
_SUPERSCRIPTS = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")
# Beyond these powers of ten a row of zeros is harder to read than the power.
_PLAIN_FROM, _PLAIN_TO = -5, 8

_SIGNS = {
    "1": "",
    "count": "",
    "deg_el": "° el",
    "deg_mech": "° mech",
    "deg_line": "° line",
    "degC": "°C",
    "percent": "%",
    "ohm": "Ω",
    "mohm": "mΩ",
    "kohm": "kΩ",
    "Mohm": "MΩ",
    "us": "µs",
    "us/s": "µs/s",
    "N*m": "N·m",
    "V*s": "V·s",
    "V*s/rad": "V·s/rad",
}
_SUFFIXES = {
    "_deg_mech": "deg_mech",
    "_deg_el": "deg_el",
    "_percent": "percent",
    "_ohm": "ohm",
    "_rpm": "rpm",
    "_hz": "Hz",
    "_us": "us",
    "_ms": "ms",
    "_mm": "mm",
    "_nm": "N*m",
    "_v": "V",
    "_a": "A",
    "_s": "s",
    "_c": "degC",
}
_ZONE_NAME = re.compile(r"[A-Za-z0-9_+-]+(/[A-Za-z0-9_+-]+)*")
# Characters that turn the reading direction: a name holding one could make its neighbours read backwards.
_TURNING = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def visible(text: str) -> str:
    """Return the text with control and direction-turning characters spelt out, so that nothing hides in a name."""
    return "".join(
        f"⟨U+{ord(c):04X}⟩" if c in _TURNING or (unicodedata.category(c) in ("Cc", "Cs") and c not in "\n\t") else c
        for c in text
    )


def _shown(value: Decimal) -> str:
    if value.is_zero():
        value = abs(value)
    if value.is_zero() or (_PLAIN_FROM <= value.adjusted() <= _PLAIN_TO):
        return format(value, "f").replace("-", MINUS)
    digits, _, power = format(value, "e").partition("e")
    return f"{digits.replace('-', MINUS)} {TIMES} 10{str(int(power)).translate(_SUPERSCRIPTS)}"


def _rounded(value: Decimal, place: int) -> Decimal:
    return value.quantize(Decimal((0, (1,), place)), context=_EXACT)


def _last_place(u: Decimal) -> int:
    place = u.adjusted() - 1
    # 0.0996 becomes 0.10, not 0.100: rounding up can add a digit.
    return place + 1 if _rounded(u, place).adjusted() > u.adjusted() else place


def number(value: float, *, digits: int = 6) -> str:
    """Return a number that has no uncertainty of its own.

    Parameters
    ----------
    value : float
        A finite number; whole numbers below 10^9 keep all their digits.
    digits : int
        Significant digits at most; trailing zeros are left out.
    """
    exact = Decimal(repr(float(value)))
    if exact == exact.to_integral_value() and exact.adjusted() <= _PLAIN_TO:
        return _shown(exact.to_integral_value())
    kept = _rounded(exact, exact.adjusted() - digits + 1).normalize(_EXACT)
    return _shown(kept if kept.adjusted() < 0 or kept != kept.to_integral_value() else kept.to_integral_value())


def with_uncertainty(value: float, u: float | None) -> tuple[str, str]:
    """Return a value and its standard uncertainty, rounded to the same place.

    The uncertainty keeps two significant digits and the value ends at the same place (JCGM 100, 7.2.6). Without an
    uncertainty, or with one of zero, the value is shown by itself and the second text is empty.
    """
    if u is None or u <= 0.0:
        return number(value), ""
    exact = Decimal(repr(float(u)))
    place = _last_place(exact)
    return _shown(_rounded(Decimal(repr(float(value))), place)), _shown(_rounded(exact, place))


def at_place_of(value: float, u: float | None) -> str:
    """Return a value rounded to the place that the uncertainty `u` gives it."""
    return with_uncertainty(value, u)[0]


def unit_sign(unit: str | None) -> str:
    """Return the sign of a unit as it is printed, such as `° el` for `deg_el`; one not listed stays as it is."""
    return _SIGNS.get(unit, unit) if unit else ""


def quantity(value: float, unit: str | None) -> str:
    """Return a number with its unit, kept on one line by a no-break space."""
    sign = unit_sign(unit)
    return f"{number(value)}\N{NO-BREAK SPACE}{sign.replace(' ', chr(0xA0))}" if sign else number(value)


def plain(value: Any) -> str:
    """Return any JSON value as words; mappings in the order of their keys, so that the stored form reads the same."""
    if value is None or value == "":
        return NOT_STATED
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return number(value)
    if isinstance(value, dict):
        return "; ".join(": ".join(fact(str(key), value[key])) for key in sorted(value)) or "none"
    if isinstance(value, list | tuple):
        return ", ".join(plain(part) for part in value) or "none"
    return str(value)


def fact(name: str, value: Any) -> tuple[str, str]:
    """Return label and text of a named fact; the unit comes from the end of its name.

    Examples
    --------
    >>> fact("pole_pairs", 4)
    ('pole pairs', '4')
    """
    if isinstance(value, int | float) and not isinstance(value, bool):
        for suffix, unit in _SUFFIXES.items():
            if name.endswith(suffix) and name != suffix:
                return name.removesuffix(suffix).replace("_", " "), quantity(value, unit)
    return name.replace("_", " "), plain(value)


def zone_of(name: str | None) -> ZoneInfo | None:
    """Return the time zone of an IANA name, or None where it is not known.

    The zone package is asked before the machine's own files: two machines with the same packages must print the same
    sheet, whatever their systems hold.
    """
    if not name or not _ZONE_NAME.fullmatch(name):
        return None
    try:
        with files("tzdata").joinpath("zoneinfo", *name.split("/")).open("rb") as packed:
            return ZoneInfo.from_file(packed, key=name)
    except (OSError, ValueError):
        return None
    except ModuleNotFoundError:
        return _zone_of_machine(name)


def _zone_of_machine(name: str) -> ZoneInfo | None:
    try:
        return ZoneInfo(name)
    except (OSError, ValueError, KeyError):
        return None


def parsed_utc(text: str) -> datetime:
    """Return the time that an ISO 8601 text with offset or `Z` names, in UTC.

    Raises
    ------
    ValueError
        If the text is no ISO 8601 time, or has no offset and so names no moment.
    """
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"the time {text!r} has no offset; allowed: ISO 8601 with Z or an offset")
    return moment.astimezone(UTC)


def local_time(utc: str | None, zone: str | None) -> str:
    """Return a time in the record's zone with UTC beside it.

    Where the zone is not known the time is given in UTC alone and the zone is named.
    """
    if utc is None:
        return NOT_STATED
    moment = parsed_utc(utc)
    in_utc = f"{moment.isoformat(' ', 'seconds')[:19]} UTC"
    place = zone_of(zone)
    if place is None:
        return f"{in_utc} (zone {zone} not known here)" if zone else in_utc
    local = moment.astimezone(place).isoformat(" ", "seconds")
    return f"{local[:19]} {local[19:]} ({in_utc})"


def local_date(utc: str, zone: str | None) -> str:
    """Return the calendar day of a moment in the record's zone, as `2026-11-25`."""
    return parsed_utc(utc).astimezone(zone_of(zone) or UTC).date().isoformat()
