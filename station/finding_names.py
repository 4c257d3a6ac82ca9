"""The stable names of findings: what each is called on screen and sheet, its unit, and the group it belongs to."""

import itertools
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


PLACES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "sensor": SENSORS,
        "pair": tuple(p.replace("-", "") for p in PAIRS),
        "wire": ("A", "B", "Z"),
        "channel": ("2", "3", "4"),
        "sector": ("101", "100", "110", "010", "011", "001", "000", "111"),
    }
)
"""What stands for a place in a finding's name; a sector is called by the levels of H1, H2 and H3 in it."""

# Name, label, unit, group.
_ROWS = (
    ("offset_mean", "mean offset of the sensors", "deg_el", "timing"),
    ("spread", "spread of the sensors' offsets", "deg_el", "timing"),
    ("offset_{sensor}", "offset of {sensor}", "deg_el", "timing"),
    ("offset_other_zero_{sensor}", "offset of {sensor} to the other zero", "deg_el", "timing"),
    ("offset_extrapolated_{sensor}", "offset of {sensor} for ever higher speed", "deg_el", "timing"),
    ("offset_by_position_{sensor}", "offset of {sensor}, referred to the encoder", "deg_el", "timing"),
    ("speed_check_{sensor}", "offset of {sensor} at the low speed less that at the high one", "deg_el", "timing"),
    ("one_direction_{sensor}", "offset of {sensor} as one clockwise capture alone would claim", "deg_el", "timing"),
    ("zeros_apart_{sensor}", "offset of {sensor}, waveform less fundamental", "deg_el", "timing"),
    ("unexplained_{sensor}", "{sensor}: what two estimators of one zero leave unexplained", "deg_el", "timing"),
    ("hysteresis_{sensor}", "hysteresis of {sensor}", "deg_el", "timing"),
    ("delay_{sensor}", "delay of {sensor}", "us", "timing"),
    ("duty_{sensor}", "duty of {sensor}", "percent", "timing"),
    ("rising_{sensor}", "offset of the rising edge of {sensor}", "deg_el", "timing"),
    ("falling_{sensor}", "offset of the falling edge of {sensor}", "deg_el", "timing"),
    ("pole_scatter_{sensor}", "largest departure of a pole's edge of {sensor}", "deg_el", "timing"),
    ("jitter_{sensor}", "jitter of the edges of {sensor}", "deg_el", "timing"),
    ("sector_{sector}", "width of sector {sector}", "deg_el", "timing"),
    ("sector_smallest", "width of the smallest sector", "deg_el", "timing"),
    ("sector_largest", "width of the largest sector", "deg_el", "timing"),
    ("pairing_{sensor}_{pair}", "{sensor} against {pair}, half sum of both directions", "deg_el", "pairings"),
    ("wiring", "wiring of sensors and windings", "", "wiring"),
    ("emf_constant", "EMF constant", "V/krpm", "windings"),
    ("emf_constant_{pair}", "EMF constant of {pair}, peak", "V/krpm", "windings"),
    ("emf_constant_20c", "EMF constant referred to 20 degC", "V/krpm", "windings"),
    ("pair_angle_{pair}", "angle from the fundamental of {pair} to that of the next pair", "deg_el", "windings"),
    ("emf_asymmetry_{pair}", "asymmetry of the waveform of {pair}", "deg_el", "windings"),
    ("locked_ripple_{pair}", "speed ripple locked to the rotation, seen on {pair}", "deg_el", "windings"),
    ("winding_signature", "what the EMF of the pairs points to", "", "windings"),
    ("emf_balance", "EMF unbalance of the winding pairs (NEMA MG 1)", "percent", "windings"),
    ("thd", "harmonic distortion of the EMF", "percent", "windings"),
    ("winding_resistance_read_{pair}", "winding resistance {pair}, as read", "ohm", "windings"),
    ("winding_resistance_{pair}", "winding resistance {pair}", "ohm", "windings"),
    ("resistance_unbalance", "unbalance of the winding resistances (NEMA MG 1)", "percent", "windings"),
    ("insulation_resistance", "insulation resistance", "Mohm", "windings"),
    ("insulation_resistance_40c", "insulation resistance referred to 40 degC", "Mohm", "windings"),
    ("counts_per_rev_x4", "counts per turn, four per line", COUNT, "encoder"),
    ("edges_per_rev_A", "edges of A per turn", COUNT, "encoder"),
    ("edges_per_rev_B", "edges of B per turn", COUNT, "encoder"),
    ("dropped_counts", "dropped counts", COUNT, "encoder"),
    ("extra_counts", "extra counts", COUNT, "encoder"),
    ("encoder_sense", "sense of A and B", "", "encoder"),
    ("reversals", "steps of the count against the rotation", COUNT, "encoder"),
    ("illegal_states", "changes of A and B at once", COUNT, "encoder"),
    ("quadrature_phase", "phase from A to B", "deg_line", "encoder"),
    ("duty_A", "duty of A", "percent", "encoder"),
    ("duty_B", "duty of B", "percent", "encoder"),
    ("index_to_emf", "index to rising EMF zero of U-V", "deg_el", "encoder"),
    ("index_to_fundamental", "index to the fundamental's zero of U-V", "deg_el", "encoder"),
    ("index_width", "width of the index", "count", "encoder"),
    ("low_level_{wire}", "low level of {wire}", "V", "encoder"),
    ("high_level_{wire}", "high level of {wire}", "V", "encoder"),
    ("swing_{wire}", "swing of {wire}", "V", "encoder"),
    ("rise_time_{wire}", "rise time of {wire}, 10 % to 90 %", "us", "encoder"),
    ("fall_time_{wire}", "fall time of {wire}, 10 % to 90 %", "us", "encoder"),
    ("complement_{wire}", "{wire} and its complement", "", "encoder"),
    ("differential_{wire}", "least voltage from {wire} to {wire}-", "V", "encoder"),
    ("pull_up_{sensor}", "output and pull-up of {sensor}", "", "sensors"),
    ("complement_{sensor}", "{sensor} and its complement", "", "sensors"),
    ("differential_{sensor}", "least voltage from {sensor} to {sensor}-", "V", "sensors"),
    ("low_level_{sensor}", "low level of {sensor}", "V", "sensors"),
    ("high_level_{sensor}", "high level of {sensor}", "V", "sensors"),
    ("swing_{sensor}", "swing of {sensor}", "V", "sensors"),
    ("glitches_{sensor}", "glitches of {sensor}", COUNT, "sensors"),
    ("chatter_{sensor}", "edges of {sensor} that chatter", COUNT, "sensors"),
    ("rise_time_{sensor}", "rise time of {sensor}, 10 % to 90 %", "us", "sensors"),
    ("fall_time_{sensor}", "fall time of {sensor}, 10 % to 90 %", "us", "sensors"),
    ("sensor_current", "current of the sensor supply", "A", "sensors"),
    ("drag_torque", "drag torque", "N*m", "mechanics"),
    ("brake_current", "current of the brake", "A", "mechanics"),
    ("coast_down", "coast-down time", "s", "mechanics"),
    ("hand_turn", "hand turn: all signals answer and agree", "", "checks"),
    ("standstill", "standstill: no signal moves", "", "checks"),
    ("standstill_offset", "offset of the EMF channel at standstill", "V", "checks"),
    ("standstill_noise", "noise of the EMF channel at standstill, rms", "V", "checks"),
    ("standstill_mains", "mains pick-up of the EMF channel, peak", "V", "checks"),
    ("self_test_polarity", "polarity of each winding pair's path", "", "checks"),
    (
        "self_test_scale_{pair}",
        "known source through the path of {pair}, departure from its voltage",
        "percent",
        "checks",
    ),
    ("self_test_scale_{channel}", "known source on channel {channel}, departure from its voltage", "percent", "checks"),
    ("self_test_skew_{channel}", "channel {channel} after channel 1", "us", "checks"),
    ("closure", "closure of the nine pairings", "deg_el", "checks"),
    ("pole_pairs_found", "pole pairs as the captures show them", COUNT, "checks"),
    ("sound_as_target", "fit to be the target that setting aims for", "", "checks"),
    ("speed_verified", "speed by EMF frequency", "rpm", "checks"),
)


def _spelled_out() -> Mapping[str, FindingKind]:
    kinds: dict[str, FindingKind] = {}
    for name, label, unit, group in _ROWS:
        keys = [key for key in PLACES if f"{{{key}}}" in name]
        for places in itertools.product(*(PLACES[key] for key in keys)):
            said = dict(zip(keys, places, strict=True))
            full = name.format(**said)
            kinds[full] = FindingKind(full, label.format(**said), unit, group)
    return MappingProxyType(kinds)


FINDINGS: Mapping[str, FindingKind] = _spelled_out()
"""Every stable finding name; `wiring` is a verdict in words and takes no limits."""

LIMITED = tuple(name for name, kind in FINDINGS.items() if kind.unit)
"""The findings that can have limits."""
