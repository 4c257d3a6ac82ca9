"""Windings as their EMF shows them: constant, balance, harmonics; resistance at a temperature."""

import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.conformity import combined_u
from analysis.crossings import ZeroPhase
from analysis.estimate import BudgetLine, Estimate, estimate, refused, scaled, scatter_of_mean

Floats = NDArray[np.float64]

DEAD_PART = 0.05
"""EMF below this part of the best pair's is none: an open phase leaves the pairs that use it dead."""
ORDERS = range(2, 14)
ONE_CAPTURE, ONE_CAPTURE_PART = "one capture, scatter not seen (assumed)", 0.001
BINS = 720
LEAST_SEEN_PART = 0.5
COPPER_K = 234.5
"""Inferred temperature of zero resistance of copper (IEEE Std 118) [-degC]; IEC 60034-1 uses 235."""
COPPER_K_IEC, ALUMINIUM_K_IEC = 235.0, 225.0
"""IEC 60034-1, temperature rise by resistance [-degC]."""
REFERENCE_C = 20.0
"""The temperature at which coefficients of resistance and EMF are stated [degC]."""


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
    each = np.array(amplitudes_v) / np.abs(speeds_rpm) * 1000
    mean = float(each.mean())
    return estimate(
        mean,
        "V/krpm",
        [
            scatter_of_mean("scatter from capture to capture", each)
            if each.size > 1
            else BudgetLine(ONE_CAPTURE, "B", abs(mean) * ONE_CAPTURE_PART),
            BudgetLine("voltage scale of probe and scope", "B", mean * gain_u),
            BudgetLine("time base", "B", mean * time_base_u),
        ],
    )


def mean_constant(by_pair: Mapping[str, Estimate]) -> Estimate:
    """Mean of the pairs' constants; the scale they share is not averaged away, their scatter is."""
    return _mean_of(list(by_pair.items()))


def _mean_of(named: Sequence[tuple[str, Estimate]]) -> Estimate:
    for name, of in named:
        if of.value is None:
            return refused(of.unit, f"not measured on {name}: {of.reason}")
    known = [of for _, of in named]
    mean = math.fsum(of.value or 0.0 for of in known) / len(known)
    sources = {(line.source, line.kind): None for of in known for line in of.budget}
    return estimate(mean, known[0].unit, [_shared(source, kind, known) for source, kind in sources])


def _shared(source: str, kind: str, known: Sequence[Estimate]) -> BudgetLine:
    lines = [line for of in known for line in of.budget if (line.source, line.kind) == (source, kind)]
    together = math.hypot(*(line.u for line in lines)) if kind == "A" else math.fsum(line.u for line in lines)
    return BudgetLine(source, kind, together / len(known), math.fsum(line.dof for line in lines))


def constant_at(
    measured: Estimate, temperature: Estimate | None, coefficient_per_k: float | None, wanted_c: float = REFERENCE_C
) -> Estimate:
    """Refer an EMF constant to another magnet temperature.

    Parameters
    ----------
    temperature
        Measured, [degC]; None where it was not.
    coefficient_per_k
        The type's temperature coefficient of the EMF at 20 degC, negative for magnets; None where it states none.
    """
    lacking = _lacking(measured, temperature, coefficient_per_k)
    if (
        lacking
        or measured.value is None
        or temperature is None
        or temperature.value is None
        or coefficient_per_k is None
    ):
        return refused(measured.unit, lacking)
    at, wanted = (1 + coefficient_per_k * (t - REFERENCE_C) for t in (temperature.value, wanted_c))
    referred = scaled(measured, wanted / at, measured.unit)
    u = abs(measured.value * wanted / at**2 * coefficient_per_k) * (temperature.u or 0.0)
    return estimate(
        measured.value * wanted / at,
        measured.unit,
        [*referred.budget, BudgetLine("temperature of the motor", "B", u, temperature.dof)],
    )


def unbalance_percent(values: Mapping[str, Estimate]) -> Estimate:
    """Largest deviation from the mean over the mean, in percent (NEMA MG 1, voltage unbalance).

    Scale errors that the figures share cancel, so only type A lines of the budgets count, and what stands for them where
    a figure comes from one capture.
    """
    lacking = [name for name, e in values.items() if e.value is None]
    if lacking:
        return refused("percent", f"not measured on {', '.join(lacking)}")
    each = np.array([e.value for e in values.values()], dtype=np.float64)
    mean = float(each.mean())
    if mean == 0:
        return refused("percent", "the mean is zero")
    away = each - mean
    worst = int(np.argmax(np.abs(away)))
    # Largest deviation D = |x_k - m|: dD/dx_i = +-(delta_ik - 1/n), and division by m adds -D/(n m).
    slopes = np.sign(away[worst]) * (np.eye(each.size)[worst] - 1 / each.size) - abs(away[worst]) / (each.size * mean)
    own = [[line for line in e.budget if line.kind == "A" or line.source == ONE_CAPTURE] for e in values.values()]
    u_each = [math.sqrt(math.fsum(line.u**2 for line in lines)) for lines in own]
    dof = math.fsum(line.dof for lines in own for line in lines)
    u = combined_u(list(100 / abs(mean) * slopes), u_each)
    return estimate(
        100 * abs(float(away[worst])) / abs(mean),
        "percent",
        [BudgetLine("scatter of the figures", "A", u, max(1.0, dof))],
    )


def dead_pairs(constants: Mapping[str, Estimate]) -> tuple[str, ...]:
    """Return the pairs whose EMF is less than 5 % of the best pair's."""
    best = max((abs(e.value) for e in constants.values() if e.value is not None), default=0.0)
    return tuple(p for p, e in constants.items() if e.value is not None and abs(e.value) < DEAD_PART * best)


def open_phase(dead: Sequence[str]) -> str | None:
    """Name the open phase of a star: the lead that two dead pairs share.

    In a delta an open phase leaves every EMF as it was; only a resistance shows it.
    """
    shared = set.intersection(*(set(pair.split("-")) for pair in dead)) if len(dead) > 1 else set()
    return next(iter(shared)) if len(shared) == 1 else None


def harmonics_by_phase(
    emf: Floats, phase_deg: Floats, orders: Iterable[int] = ORDERS
) -> dict[int, tuple[float, float]]:
    """Amplitude over that of the fundamental, and phase, of each order, by least squares on the phase of the EMF.

    Parameters
    ----------
    emf, phase_deg
        Samples of an EMF, already over speed where that changes, and the phase chi at each, shape (n,).

    Returns
    -------
    dict
        By order: share of the fundamental, and psi in e = sin(chi) + sum a_k sin(k chi + psi_k) [deg].

    Raises
    ------
    ValueError
        The samples cover less than one cycle, or are too few for the orders.
    """
    span = float(phase_deg[-1] - phase_deg[0]) if phase_deg.size > 1 else 0.0
    # The last sample stands for a step of its own, which closes the last cycle.
    cycles = int((span + span / max(1, phase_deg.size - 1)) / 360 + 1e-6)
    if cycles < 1:
        raise ValueError("harmonics need at least one whole cycle of the EMF")
    # Whole cycles only, so that orders that are not fitted do not lean on those that are.
    whole = phase_deg < phase_deg[0] + 360.0 * cycles - 1e-9
    chi, wanted = np.radians(phase_deg[whole]), (1, *(k for k in orders if k != 1))
    design = np.column_stack([np.ones_like(chi), *(f(k * chi) for k in wanted for f in (np.sin, np.cos))])
    if design.shape[0] < 2 * design.shape[1]:
        raise ValueError(f"{len(wanted)} orders need {2 * design.shape[1]} samples or more, got {design.shape[0]}")
    # Over whole cycles the columns are all but orthogonal, so the normal equations lose nothing and are quick.
    found = np.linalg.solve(design.T @ design, design.T @ emf[whole])
    lines = {k: complex(found[1 + 2 * i], found[2 + 2 * i]) for i, k in enumerate(wanted)}
    first = lines.pop(1)
    turn = np.angle(first)
    return {k: (abs(c) / abs(first), float(np.degrees(np.angle(c * np.exp(-1j * k * turn))))) for k, c in lines.items()}


def harmonics_part(
    emf_v: Floats, interval_s: float, phase: ZeroPhase, orders: Iterable[int] = ORDERS
) -> dict[int, float]:
    """Amplitudes of orders 2 to 13 over that of the fundamental, over whole cycles.

    Taken over position, a changing speed does not leak into them; the EMF is divided by the speed first. Every 720th
    of a cycle is averaged, so that noise does not add up to a distortion. Empty where the record is too short for that.
    """
    times_s = np.arange(emf_v.size) * interval_s
    inside = (times_s >= phase.zeros_s[0]) & (times_s <= phase.zeros_s[-1])
    chi_deg = phase.at(times_s[inside])
    if chi_deg.size < BINS or chi_deg[-1] - chi_deg[0] < 360:
        return {}
    wave = (emf_v[inside] - phase.mean_v) / np.maximum(np.gradient(chi_deg), 1e-9)
    whole = chi_deg <= chi_deg[0] + 360.0 * int((chi_deg[-1] - chi_deg[0]) / 360)
    place = (chi_deg[whole] % 360 * BINS / 360).astype(np.int64) % BINS
    count = np.bincount(place, minlength=BINS)
    seen = count > 0
    if np.mean(seen) < LEAST_SEEN_PART:
        return {}
    average = np.bincount(place, wave[whole], minlength=BINS)[seen] / count[seen]
    # The mean phase of what fell into a bin, so that few samples a bin do not shift it.
    middle = np.bincount(place, chi_deg[whole] % 360, minlength=BINS)[seen] / count[seen]
    found = harmonics_by_phase(np.append(average, average[0]), np.append(middle, middle[0] + 360.0), orders)
    return {k: share for k, (share, _) in found.items()}


def thd_percent(parts: Mapping[int, float]) -> float:
    """Total harmonic distortion referred to the fundamental, orders as given [percent].

    Notes
    -----
    THD_F = sqrt(sum_{h >= 2} V_h^2) / V_1; the highest order is stated with the figure (IEC 61000-4-7 and IEEE 519 end
    the sum at 40 or 50; orders 2 to 13 are taken here unless others are asked for).
    """
    return 100 * math.sqrt(math.fsum(v * v for v in parts.values()))


def resistance_at(
    measured: Estimate, temperature_c: float, wanted_c: float, k: float = COPPER_K, u_temperature_c: float = 0.5
) -> Estimate:
    """Refer a winding resistance to another temperature.

    Parameters
    ----------
    k
        Inferred temperature of zero resistance, sign turned [degC].

    Notes
    -----
    R(T) = R(t) (k + T) / (k + t), IEEE Std 118, k = 234.5 for copper.
    """
    if measured.value is None:
        return measured
    factor = (k + wanted_c) / (k + temperature_c)
    u = measured.value * factor * u_temperature_c / (k + temperature_c)
    lines = scaled(measured, factor, measured.unit).budget
    return estimate(
        measured.value * factor, measured.unit, [*lines, BudgetLine("temperature of the winding", "B", abs(u))]
    )


def referred_resistance(
    measured: Estimate, temperature: Estimate | None, coefficient_per_k: float | None, wanted_c: float = REFERENCE_C
) -> Estimate:
    """Refer a winding resistance to another temperature by the type's coefficient at 20 degC, or say what is lacking.

    Parameters
    ----------
    temperature
        Measured on the winding [degC]; None where it was not.
    coefficient_per_k
        Of the type; None where it states none.
    """
    lacking = _lacking(measured, temperature, coefficient_per_k)
    if lacking or temperature is None or temperature.value is None or coefficient_per_k is None:
        return refused(measured.unit, lacking)
    k = 1 / coefficient_per_k - REFERENCE_C
    return resistance_at(measured, temperature.value, wanted_c, k, temperature.u or 0.0)


def _lacking(measured: Estimate, temperature: Estimate | None, coefficient_per_k: float | None) -> str:
    if measured.value is None:
        return measured.reason
    if temperature is None or temperature.value is None:
        return "no temperature was measured"
    return "" if coefficient_per_k else "the type states no temperature coefficient"


def temperature_rise_k(
    cold_ohm: float, hot_ohm: float, cold_c: float, ambient_c: float, k: float = COPPER_K_IEC
) -> float:
    """Rise of a winding over the ambient temperature by its resistance [K].

    Notes
    -----
    rise = (R2 / R1) (k + t1) - (k + ta), IEC 60034-1, k = 235 for copper, 225 for aluminium.
    """
    return hot_ohm / cold_ohm * (k + cold_c) - (k + ambient_c)
