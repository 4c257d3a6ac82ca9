"""Figures that the rest of the room rests on: times that bound what may go wrong, and voltages that may be touched.

Times are bench time. Voltages follow two editions of a standard that disagree; which set a bench uses is a setting,
and local codes come before both.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

PERMIT_VALID_S = 0.25
"""A permit, and the look it rests on, is stale after this much."""

LOOK_PERIOD_S = 0.1
"""The supervisor looks at everything at least this often while anything is energised."""

LINK_TIMEOUT_S = 0.1
"""An instrument that the supervisor asks has this long to answer."""

SPIN_OFF_WITHIN_S = 0.3
"""From a fault showing at an input or output of the bench to the spin supply being off."""

DEADMAN_WITHIN_S = 0.5
"""From the station's last sign of life to the dead-man relay having dropped the spin supply."""

SETTING_SPEED_RPM = 60.0
"""Highest speed with a hand at the feedback end; a default for the assessor of a bench to set."""


@dataclass(frozen=True, slots=True)
class TouchLimits:
    """Voltages that may be touchable in normal condition; above any of them a part is hazardous live.

    `ac_rms_v` and `ac_peak_v` hold for sinusoidal and other alternating voltage, `dc_v` for direct voltage.
    """

    name: str
    ac_rms_v: float
    ac_peak_v: float
    dc_v: float
    source: str


TOUCH_LIMITS: Mapping[str, TouchLimits] = MappingProxyType(
    {
        limits.name: limits
        for limits in (
            TouchLimits("lower", 30.0, 42.4, 60.0, "IEC 61010-1, 3rd edition, normal condition; from memory"),
            TouchLimits("higher", 33.0, 46.7, 70.0, "IEC 61010-1, 2nd edition, normal condition; from memory"),
            TouchLimits("wet", 16.0, 22.6, 35.0, "IEC 61010-1, wet locations; from memory"),
        )
    }
)
"""The editions disagree in public quotations, so a bench names its set; none is right for every place."""

TOUCH_DEFAULT = TOUCH_LIMITS["lower"]
