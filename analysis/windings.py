"""Windings as their EMF shows them: constant in every stated form, balance, harmonics; resistances referred to a temperature."""

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.crossings import ZeroPhase
from analysis.estimate import BudgetLine, Estimate, estimate, refused, scaled

KRPM_RAD_S = 1000 * 2 * math.pi / 60
DEAD_PART = 0.05
"""EMF below this part of the best pair's is none: an open phase leaves the pairs that use it dead."""
ORDERS = range(2, 14)
COPPER_K = 234.5
"""Inferred zero-resistance temperature of copper (IEEE Std 118; IEC 60034-1 uses 235)."""


def constant_peak_v_per_krpm(
    amplitudes_v: Sequence[float], speeds_rpm: Sequence[float], *, gain_u: float, time_base_u: float
) -> Estimate:
    """Line-to-line EMF constant, peak volts of the fundamental per 1000 rpm.

    Parameters
    ----------
    amplitudes_v, speeds_rpm
        One each per capture.
    gain_u, time_base_u
        Relative standard uncertainties of the voltage scale and of the time base.
    """
    if not amplitudes_v:
        return refused("V/krpm", "no capture with a verified speed")
    figures = np.array(amplitudes_v) / np.array(speeds_rpm) * 1000
    mean = float(figures.mean())
    u_a = float(figures.std(ddof=1) / math.sqrt(figures.size)) if figures.size > 1 else 0.0
    return estimate(
        mean,
        "V/krpm",
        [
            BudgetLine("scatter from capture to capture", "A", u_a, max(1.0, figures.size - 1.0)),
            BudgetLine("voltage scale of probe and scope", "B", mean * gain_u),
            BudgetLine("time base", "B", mean * time_base_u),
        ],
    )


def constant_forms(line_peak: Estimate) -> dict[str, Estimate]:
    """Express a constant of a sinusoidal star machine in every form that makers state.

    Notes
    -----
    rms = peak / sqrt(2); phase = line / sqrt(3); per rad/s = per 1000 rpm / (1000 x 2 pi / 60).
    """
    forms = {}
    for value, by_value in (("peak", 1.0), ("rms", 1 / math.sqrt(2))):
        for across, by_across in (("line-to-line", 1.0), ("phase", 1 / math.sqrt(3))):
            forms[f"{value}, {across}, per 1000 rpm"] = scaled(line_peak, by_value * by_across, "V/krpm")
            forms[f"{value}, {across}, per rad/s"] = scaled(line_peak, by_value * by_across / KRPM_RAD_S, "V*s/rad")
    return forms


def unbalance_percent(values: Mapping[str, Estimate]) -> Estimate:
    """Largest deviation from the mean over the mean, in percent (NEMA MG 1, voltage unbalance).

    Scale errors common to all three cancel, so only type A lines of the budgets count.
    """
    lacking = [name for name, e in values.items() if e.value is None]
    if lacking:
        return refused("percent", f"not measured on {', '.join(lacking)}")
    figures = {name: float(e.value or 0.0) for name, e in values.items()}
    mean = sum(figures.values()) / len(figures)
    if mean == 0:
        return refused("percent", "all three are zero")
    worst = max(abs(v - mean) for v in figures.values())
    u_each = [math.sqrt(sum(line.u**2 for line in e.budget if line.kind == "A")) for e in values.values()]
    # The deviation of one of three from their mean takes 2/3 of its own variance and a ninth of the others'.
    u = 100 / abs(mean) * math.sqrt(2 / 3) * max(u_each)
    return estimate(100 * worst / abs(mean), "percent", [BudgetLine("scatter of the three figures", "A", u, 10.0)])


def dead_pairs(constants: Mapping[str, Estimate]) -> tuple[str, ...]:
    """Return the pairs whose EMF is less than 5 % of the best pair's."""
    figures = {p: abs(e.value or 0.0) for p, e in constants.items()}
    best = max(figures.values(), default=0.0)
    return tuple(p for p, v in figures.items() if v < DEAD_PART * best)


def open_phase(dead: Sequence[str]) -> str | None:
    """Name the open phase of a star: the lead that two dead pairs share."""
    if len(dead) != 2:  # noqa: PLR2004 - exactly two pairs use one lead
        return None
    return next(iter(set(dead[0].split("-")) & set(dead[1].split("-"))), None)


def harmonics_part(emf_v: NDArray[np.float64], interval_s: float, phase: ZeroPhase) -> dict[int, float]:
    """Amplitudes of orders 2 to 13 over that of the fundamental, by least squares on the phase over whole cycles.

    Fitted against position, a changing speed does not leak into them; the EMF is divided by the speed first.
    """
    times_s = np.arange(emf_v.size) * interval_s
    inside = (times_s >= phase.zeros_s[0]) & (times_s <= phase.zeros_s[-1])
    chi_deg = phase.at(times_s[inside])
    chi = np.radians(chi_deg)
    wave = (emf_v[inside] - phase.mean_v) / np.maximum(np.gradient(chi_deg), 1e-9)
    whole = chi <= chi[0] + 2 * np.pi * int((chi[-1] - chi[0]) / (2 * np.pi))
    bins = 720
    place = (np.degrees(chi[whole]) % 360 * bins / 360).astype(np.int64) % bins
    count = np.bincount(place, minlength=bins)
    if np.any(count == 0):
        return {}
    average = np.bincount(place, wave[whole], minlength=bins) / count
    spectrum = np.abs(np.fft.rfft(average))
    return {k: float(spectrum[k] / spectrum[1]) for k in ORDERS}


def thd_percent(parts: Mapping[int, float]) -> float:
    """Total harmonic distortion referred to the fundamental, orders as given [percent].

    Notes
    -----
    THD_F = sqrt(sum_{h >= 2} V_h^2) / V_1 (IEC 61000-4-7 defines the sum; orders 2 to 13 are taken here).
    """
    return 100 * math.sqrt(math.fsum(v * v for v in parts.values()))


def resistance_at(measured: Estimate, temperature_c: float, wanted_c: float, k: float = COPPER_K, u_temperature_c: float = 0.5) -> Estimate:
    """Refer a winding resistance to another temperature.

    Notes
    -----
    R(T) = R(t) (k + T) / (k + t), IEEE Std 118, k = 234.5 for copper.
    """
    if measured.value is None or measured.u is None:
        return measured
    factor = (k + wanted_c) / (k + temperature_c)
    value = measured.value * factor
    return estimate(
        value,
        measured.unit,
        [
            *(BudgetLine(line.source, line.kind, line.u * factor, line.dof) for line in measured.budget),
            BudgetLine("winding temperature", "B", value * u_temperature_c / (k + temperature_c)),
        ],
    )
