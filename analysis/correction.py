"""Which way and how far to turn the loosened feedback unit.

A sensor of offset +x switches too far clockwise; turning the body counter-clockwise seen from the drive end by x / P
mechanical mends it (turning the hub on the shaft: the opposite way).
"""

from dataclasses import dataclass

from analysis.angles import wrap

CW, CCW = "clockwise", "counter-clockwise"


@dataclass(frozen=True, slots=True)
class Correction:
    """How to turn: `body_cw_deg_mech` is positive clockwise as seen facing the drive end."""

    body_cw_deg_mech: float
    counts: float
    u_deg_mech: float | None = None

    @property
    def amount_deg_mech(self) -> float:
        """How far [deg_mech]."""
        return abs(self.body_cw_deg_mech)

    @property
    def hub_cw_deg_mech(self) -> float:
        """The same done by the hub on the shaft, the body held: the other way [deg_mech]."""
        return -self.body_cw_deg_mech

    @property
    def from_drive_end(self) -> str:
        """Which way to turn the body, seen facing the drive end."""
        return CW if self.body_cw_deg_mech > 0 else CCW

    @property
    def from_rear(self) -> str:
        """Which way to turn the body, seen from the rear, where the technician stands."""
        return CCW if self.body_cw_deg_mech > 0 else CW


def correction(
    offset_deg_el: float, target_deg_el: float, pole_pairs: int, counts_per_rev: int, u_deg_el: float | None = None
) -> Correction:
    """Turn that brings a mean offset to its target, the shorter way round.

    Parameters
    ----------
    counts_per_rev
        Counts of the unit's own encoder per turn, to follow the turn with.
    u_deg_el
        Standard uncertainty of the offset.

    Raises
    ------
    ValueError
        There is no pole pair.
    """
    if pole_pairs < 1:
        raise ValueError(f"pole_pairs must be at least 1, got {pole_pairs}")
    body = -float(wrap(offset_deg_el - target_deg_el)) / pole_pairs
    u_deg_mech = None if u_deg_el is None else u_deg_el / pole_pairs
    return Correction(body, abs(body) * counts_per_rev / 360, u_deg_mech)
