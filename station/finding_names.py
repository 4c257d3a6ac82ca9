"""The stable names of findings: what each is called on screen and sheet, its unit, and the group it belongs to."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Sensor = Literal["H1", "H2", "H3"]
WindingPair = Literal["U-V", "V-W", "W-U"]
Direction = Literal["CW", "CCW"]

SENSORS: tuple[Sensor, ...] = ("H1", "H2", "H3")
PAIRS: tuple[WindingPair, ...] = ("U-V", "V-W", "W-U")

COUNT = "count"
"""The unit of a bare number: pulses, edges, glitches. In a file it is written without a unit."""


@dataclass(frozen=True, slots=True)
class FindingKind:
    """One name with its label, unit and group."""

    name: str
    label: str
    unit: str
    group: str


# Name, label, unit, group. {sensor} stands for H1, H2, H3 and {pair} for UV, VW, WU.
_ROWS = (
    ("offset_mean", "mean offset of the sensors", "deg_el", "timing"),
    ("spread", "spread of the sensors' offsets", "deg_el", "timing"),
    ("offset_{sensor}", "offset of {sensor}", "deg_el", "timing"),
    ("offset_other_zero_{sensor}", "offset of {sensor} to the other zero", "deg_el", "timing"),
    ("hysteresis_{sensor}", "hysteresis of {sensor}", "deg_el", "timing"),
    ("delay_{sensor}", "delay of {sensor}", "us", "timing"),
    ("duty_{sensor}", "duty of {sensor}", "percent", "timing"),
    ("wiring", "wiring of sensors and windings", "", "wiring"),
    ("emf_constant", "EMF constant", "V/krpm", "windings"),
    ("winding_signature", "what the EMF of the pairs points to", "", "windings"),
    ("emf_balance", "EMF unbalance of the winding pairs", "percent", "windings"),
    ("thd", "harmonic distortion of the EMF", "percent", "windings"),
    ("winding_resistance_{pair}", "winding resistance {pair}", "ohm", "windings"),
    ("resistance_unbalance", "unbalance of the winding resistances", "percent", "windings"),
    ("insulation_resistance", "insulation resistance", "Mohm", "windings"),
    ("counts_per_rev_x4", "counts per turn, four per line", COUNT, "encoder"),
    ("edges_per_rev_A", "edges of A per turn", COUNT, "encoder"),
    ("edges_per_rev_B", "edges of B per turn", COUNT, "encoder"),
    ("dropped_counts", "dropped counts", COUNT, "encoder"),
    ("extra_counts", "extra counts", COUNT, "encoder"),
    ("encoder_sense", "sense of A and B", "", "encoder"),
    ("illegal_states", "changes of A and B at once", COUNT, "encoder"),
    ("quadrature_phase", "phase from A to B", "deg_line", "encoder"),
    ("duty_A", "duty of A", "percent", "encoder"),
    ("duty_B", "duty of B", "percent", "encoder"),
    ("index_to_emf", "index to rising EMF zero of U-V", "deg_el", "encoder"),
    ("low_level_{sensor}", "low level of {sensor}", "V", "sensors"),
    ("high_level_{sensor}", "high level of {sensor}", "V", "sensors"),
    ("swing_{sensor}", "swing of {sensor}", "V", "sensors"),
    ("glitches_{sensor}", "glitches of {sensor}", COUNT, "sensors"),
    ("sensor_current", "current of the sensor supply", "A", "sensors"),
    ("drag_torque", "drag torque", "N*m", "mechanics"),
    ("brake_current", "current of the brake", "A", "mechanics"),
    ("coast_down", "coast-down time", "s", "mechanics"),
    ("hand_turn", "hand turn: all signals answer and agree", "", "checks"),
    ("standstill", "standstill: no signal moves", "", "checks"),
    ("closure", "closure of the nine pairings", "deg_el", "checks"),
    ("speed_verified", "speed by EMF frequency", "rpm", "checks"),
)


def _spelled_out() -> Mapping[str, FindingKind]:
    kinds: dict[str, FindingKind] = {}
    for name, label, unit, group in _ROWS:
        places = SENSORS if "{sensor}" in name else [p.replace("-", "") for p in PAIRS] if "{pair}" in name else [""]
        for place in places:
            full = name.format(sensor=place, pair=place)
            kinds[full] = FindingKind(full, label.format(sensor=place, pair=place), unit, group)
    return MappingProxyType(kinds)


FINDINGS: Mapping[str, FindingKind] = _spelled_out()
"""Every stable finding name; `wiring` is a verdict in words and takes no limits."""

LIMITED = tuple(name for name, kind in FINDINGS.items() if kind.unit)
"""The findings that can have limits."""
