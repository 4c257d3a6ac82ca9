"""The forms in which makers state an EMF constant, and what follows from it: torque constant and flux linkage."""

import math
from collections.abc import Mapping
from types import MappingProxyType

from analysis.estimate import Estimate, scaled

KRPM_RAD_S = 1000 * 2 * math.pi / 60
"""Angular speed of 1000 rpm [rad/s]."""
FORMS: Mapping[str, float] = MappingProxyType(
    {
        f"{value}, {across}, per {per}": by_value * by_across * by_per
        for value, by_value in (("peak", 1.0), ("rms", 1 / math.sqrt(2)))
        for across, by_across in (("line-to-line", 1.0), ("phase", 1 / math.sqrt(3)))
        for per, by_per in (("1000 rpm", 1.0), ("rad/s", 1 / KRPM_RAD_S))
    }
)
"""Every form in which makers state the constant of a sinusoidal star machine, over peak volts line to line per 1000 rpm."""


def form_unit(form: str) -> str:
    """Return the unit of a form of the EMF constant."""
    return "V*s/rad" if form.endswith("rad/s") else "V/krpm"


def constant_forms(line_peak: Estimate) -> dict[str, Estimate]:
    """Express a constant of a sinusoidal star machine in every form that makers state.

    Notes
    -----
    rms = peak / sqrt(2); phase = line / sqrt(3); per rad/s = per 1000 rpm / (1000 x 2 pi / 60).
    """
    return {form: scaled(line_peak, factor, form_unit(form)) for form, factor in FORMS.items()}


def line_peak_from(of: Estimate, form: str) -> Estimate:
    """Express a constant stated in one of the `FORMS` as peak volts line to line per 1000 rpm.

    Raises
    ------
    ValueError
        There is no such form.
    """
    if form not in FORMS:
        raise ValueError(f"unknown form of EMF constant '{form}'; allowed: {'; '.join(FORMS)}")
    return scaled(of, 1 / FORMS[form], "V/krpm")


def torque_constant(line_peak: Estimate) -> Estimate:
    """Torque per r.m.s. ampere of a sinusoidal star machine [N*m/A].

    Notes
    -----
    K_t = sqrt(3) K_e, K_e in r.m.s. volts line to line per rad/s: power at the shaft is that of three phases.
    """
    return scaled(line_peak, math.sqrt(3) * FORMS["rms, line-to-line, per rad/s"], "N*m/A")


def flux_linkage(line_peak: Estimate, pole_pairs: int) -> Estimate:
    """Peak flux linkage of one phase of a star machine [Wb]: phase EMF over electrical angular speed."""
    return scaled(line_peak, FORMS["peak, phase, per rad/s"] / pole_pairs, "Wb")
