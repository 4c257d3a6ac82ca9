"""Insulation resistance read by hand: referred to 40 degC, its least value, and the polarization index.

After IEEE Std 43-2013; which rule holds depends on the winding, so the caller states it.
"""

import math
from enum import Enum

from analysis.estimate import BudgetLine, Estimate, estimate, refused

REFERENCE_C = 40.0
ZERO_C_IN_K = 273.0
"""As rounded in the thermoset rule."""
INDEX_NOT_JUDGED_MOHM = 5000.0
"""Above this after one minute the polarization index says nothing (from memory)."""


class InsulationKind(Enum):
    """How insulation resistance changes with temperature."""

    HALVING = "halves every 10 K"
    THERMOSET = "thermoset, 2013"


def factor_to_40_c(temperature_c: float, kind: InsulationKind = InsulationKind.HALVING) -> float:
    """Return K_T in R(40) = K_T R(T).

    Notes
    -----
    Halving rule: 0.5^((40 - T) / 10). Thermoset insulation: exp(-4230 (1/(T + 273) - 1/313)) from 40 degC up,
    exp(-1245 (1/(T + 273) - 1/313)) from 10 to 40 degC (constants from memory).

    Raises
    ------
    ValueError
        The thermoset rule was asked for below 10 degC.
    """
    if kind is InsulationKind.HALVING:
        return float(0.5 ** ((REFERENCE_C - temperature_c) / 10))
    if temperature_c < 10:
        raise ValueError(f"the thermoset rule holds from 10 degC up, got {temperature_c:g} degC")
    constant = 4230.0 if temperature_c >= REFERENCE_C else 1245.0
    return math.exp(-constant * (1 / (temperature_c + ZERO_C_IN_K) - 1 / (REFERENCE_C + ZERO_C_IN_K)))


def insulation_at_40_c(
    measured: Estimate, temperature: Estimate | None, kind: InsulationKind = InsulationKind.HALVING
) -> Estimate:
    """Refer an insulation resistance to 40 degC, or say what is lacking.

    Parameters
    ----------
    measured
        After one minute [Mohm].
    temperature
        Of the winding, measured [degC]; None where it was not.
    """
    if measured.value is None:
        return refused(measured.unit, measured.reason)
    if temperature is None or temperature.value is None:
        return refused(measured.unit, "no temperature was measured")
    try:
        factor = factor_to_40_c(temperature.value, kind)
        near = factor_to_40_c(temperature.value + (0.1 if temperature.value < REFERENCE_C else -0.1), kind)
    except ValueError as problem:
        return refused(measured.unit, str(problem))
    slope = abs(near - factor) / 0.1 * measured.value
    lines = [BudgetLine(x.source, x.kind, x.u * factor, x.dof) for x in measured.budget]
    u = slope * (temperature.u or 0.0)
    return estimate(
        measured.value * factor,
        measured.unit,
        [*lines, BudgetLine("temperature of the winding", "B", u, temperature.dof)],
    )


def least_by_rated_voltage_mohm(rated_kv: float) -> float:
    """Least insulation resistance at 40 degC by the rule of one megohm and one for each kilovolt [Mohm].

    Older machines and fields; for others the least is a figure of the machine's kind, which its limits state.
    """
    return rated_kv + 1.0


def polarization_index(one_minute: Estimate, ten_minutes: Estimate) -> Estimate:
    """Ratio of the insulation resistance after ten minutes to that after one."""
    if one_minute.value is None or ten_minutes.value is None:
        return refused("", one_minute.reason or ten_minutes.reason)
    if one_minute.value <= 0:
        return refused("", "the reading after one minute is not positive")
    if one_minute.value > INDEX_NOT_JUDGED_MOHM:
        return refused("", f"not judged above {INDEX_NOT_JUDGED_MOHM:g} Mohm after one minute")
    ratio = ten_minutes.value / one_minute.value
    # One instrument reads both, so its scale error cancels and only type A is left.
    relative = [
        math.sqrt(math.fsum(x.u**2 for x in e.budget if x.kind == "A")) / e.value
        for e in (one_minute, ten_minutes)
        if e.value
    ]
    return estimate(ratio, "", [BudgetLine("scatter of both readings", "A", ratio * math.hypot(*relative))])
