"""Findings of the windings: EMF constant in every form, balance, angles, distortion, and the readings taken by hand."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from analysis.emf_asymmetry import asymmetry_split
from analysis.emf_forms import constant_forms, flux_linkage, torque_constant
from analysis.estimate import BudgetLine, Estimate, estimate, refused, scaled, scatter_of_mean
from analysis.insulation import InsulationKind, insulation_at_40_c
from analysis.pairings import pair_angles
from analysis.winding_faults import SOUND, winding_signature
from analysis.windings import (
    ORDERS,
    constant_at,
    constant_peak_v_per_krpm,
    dead_pairs,
    harmonics_part,
    mean_constant,
    open_phase,
    referred_resistance,
    thd_percent,
    unbalance_percent,
)
from station.basis import Basis
from station.decision import Decision
from station.finding_names import PAIRS
from station.findings import Detail, Finding
from station.nine_pairings import half_sums
from station.run_facts import Gathered
from station.timed_captures import Timed, by_key, own_sensor, speeds_both_ways

READING_U = 0.002
"""Relative standard uncertainty of a four-wire reading by hand (common practice, no source)."""
INSULATION_U = 0.03
THD_U_PERCENT = 0.1
CONSTANT_LEAST_RPM = 150.0
"""Slower captures carry too much of the converter's step."""
LEAST_ZERO_U_DEG_EL = 0.01
"""What noise and window leave of the distance of two zeros at best."""


def measure_windings(timed: Sequence[Timed], basis: Basis, gathered: Gathered, decision: Decision) -> None:
    """Add what the EMF says of the windings, and the readings of resistance and insulation where there are any."""
    constants: dict[str, Estimate] = {pair: _constant(pair, timed, basis) for pair in PAIRS}
    dead = dead_pairs(constants)
    phase = open_phase(dead)
    why = f"phase {phase} is open" if phase else f"no EMF on {', '.join(dead)}" if dead else ""
    # By the fundamental: shorted turns leave harmonics in a pair that shift the zeros of its waveform besides.
    angles = pair_angles(half_sums(timed, "fundamental"))
    _add_constants(constants, why, basis, gathered, decision)
    balance = unbalance_percent(constants)
    gathered.add(
        decision.finding("emf_balance", replace(balance, reason=why) if balance.value is None and why else balance)
    )
    for (first, _), angle in angles.items():
        gathered.add(decision.finding(_of_pair("pair_angle", first), angle))
    gathered.add(_thd(timed, decision))
    for pair in PAIRS:
        _add_zeros_apart(pair, timed, basis, gathered, decision)
    gathered.add(_signature(constants, angles, basis, decision))
    _add_readings(basis, gathered, decision)


def _of_pair(name: str, pair: str) -> str:
    return f"{name}_{pair.replace('-', '')}"


def _constant(pair: str, timed: Sequence[Timed], basis: Basis) -> Estimate:
    errors = basis.errors
    usable = [
        (t.timing.amplitude_v, t.timing.speed_rpm)
        for t in timed
        if t.taken.pair == pair and t.timing.amplitude_v and (t.timing.speed_rpm or 0.0) > CONSTANT_LEAST_RPM
    ]
    return constant_peak_v_per_krpm(
        [float(a or 0.0) for a, _ in usable],
        [float(s or 1.0) for _, s in usable],
        gain_u=float(np.hypot(errors.scope_gain, errors.probe_gain)) / 100,
        time_base_u=errors.time_base / 100,
    )


def _add_constants(
    constants: Mapping[str, Estimate], why: str, basis: Basis, gathered: Gathered, decision: Decision
) -> None:
    """Add the constant of each pair, and their mean in the form that the type states, with all other forms."""
    for pair, constant in constants.items():
        gathered.add(decision.finding(_of_pair("emf_constant", pair), constant))
    mean = mean_constant(constants)
    line_peak = refused(mean.unit, why) if why else mean
    emf, temperature = basis.machine.emf, gathered.answered("winding_temperature")
    form = "peak, line-to-line" if emf is None else f"{emf.value}, {emf.across}"
    stated = line_peak if emf is None else scaled(line_peak, emf.in_stated_form(1.0), "V/krpm")
    forms = _forms(line_peak, basis) if line_peak.value is not None else ()
    gathered.add(decision.finding("emf_constant", stated, f"EMF constant, {form}, as measured", forms))
    winding = basis.machine.winding
    referred = constant_at(
        stated,
        None if temperature is None else _temperature(float(temperature.value), basis),
        None if winding is None else winding.emf_coefficient,
    )
    gathered.add(decision.finding("emf_constant_20c", referred, f"EMF constant, {form}, referred to 20 degC"))


def _forms(line_peak: Estimate, basis: Basis) -> tuple[Detail, ...]:
    every = dict(constant_forms(line_peak))
    every["torque per r.m.s. ampere"] = torque_constant(line_peak)
    every["flux linkage of a phase, peak"] = flux_linkage(line_peak, basis.machine.pole_pairs)
    return tuple(Detail(name, of.value, of.unit) for name, of in every.items())


def _signature(
    constants: Mapping[str, Estimate], angles: Mapping[tuple[str, str], Estimate], basis: Basis, decision: Decision
) -> Finding:
    """Say in words what the three constants point to: shorted turns, an open phase, weak magnets, or nothing."""
    emf = basis.machine.emf
    found = winding_signature(constants, None if emf is None else emf.line_peak_v_per_krpm, angles)
    if any(e.value is None for e in constants.values()):
        return decision.verdict("winding_signature", None, lacking=found.text)
    return decision.verdict("winding_signature", found.text, fails="" if found.verdict == SOUND else found.text)


def _thd(timed: Sequence[Timed], decision: Decision) -> Finding:
    """Mean over the fastest captures of each pair and direction."""
    fastest = max((t.taken.speed_target_rpm or 0.0 for t in timed), default=0.0)
    parts = []
    for t in timed:
        if t.taken.speed_target_rpm == fastest and t.timing.phase is not None:
            found = harmonics_part(t.taken.volts()["emf"], t.taken.capture.interval_s, t.timing.phase)
            parts += [found] if found else []
    label = f"harmonic distortion of the EMF, orders 2 to {max(ORDERS)}"
    if not parts:
        return decision.finding("thd", refused("percent", "no capture with whole cycles of EMF"), label)
    figures = [thd_percent(p) for p in parts]
    line = (
        scatter_of_mean("scatter from capture to capture", figures)
        if len(figures) > 1
        else BudgetLine("one capture only (assumed)", "B", THD_U_PERCENT)
    )
    orders = tuple(
        Detail(f"order {k}", 100 * float(np.mean([p[k] for p in parts if k in p])), "percent")
        for k in sorted({k for p in parts for k in p})
    )
    return decision.finding("thd", estimate(float(np.mean(figures)), "percent", [line]), label, orders)


def _add_zeros_apart(pair: str, timed: Sequence[Timed], basis: Basis, gathered: Gathered, decision: Decision) -> None:
    """Split the distance of the two zeros into what the waveform makes and what ripple locked to the rotation makes."""
    found = by_key(timed)
    speeds = speeds_both_ways(found, pair)
    at: list[tuple[float, Estimate]] = []
    for speed in (speeds[0], speeds[-1]) if len(speeds) > 1 else ():
        both = [found[direction, speed, pair].timing for direction in ("CW", "CCW")]
        sensors = [t.sensors.get(own_sensor(basis, pair)) for t in both]
        apart = [s.difference_deg for s in sensors if s is not None and s.difference_deg is not None]
        if len(apart) == len(both):
            # As different as the two directions say, at least what noise leaves of a zero's place.
            u = max(abs(apart[0] - apart[1]) / 2, LEAST_ZERO_U_DEG_EL)
            at.append((speed, estimate(sum(apart) / 2, "deg_el", [BudgetLine("both directions", "A", u, 1.0)])))
    none = refused("deg_el", f"{pair} was not timed by both zeros in both directions at two speeds")
    asymmetry, ripple = asymmetry_split(at[0], at[1]) if len(at) > 1 else (none, none)
    gathered.add(decision.finding(_of_pair("emf_asymmetry", pair), asymmetry))
    gathered.add(decision.finding(_of_pair("locked_ripple", pair), ripple))


def _add_readings(basis: Basis, gathered: Gathered, decision: Decision) -> None:
    given_c = gathered.answered("winding_temperature")
    temperature = None if given_c is None else _temperature(float(given_c.value), basis)
    winding = basis.machine.winding
    readings: dict[str, Estimate] = {}
    for pair in PAIRS:
        given = gathered.answered(_of_pair("winding_resistance", pair))
        if given is None:
            continue
        readings[pair] = _reading(float(given.value), "ohm", READING_U)
        gathered.add(decision.finding(_of_pair("winding_resistance_read", pair), readings[pair]))
        at_c = 20.0 if winding is None else winding.at
        referred = referred_resistance(
            readings[pair], temperature, None if winding is None else winding.coefficient, at_c
        )
        label = f"winding resistance {pair}, referred to {at_c:g} degC"
        gathered.add(decision.finding(_of_pair("winding_resistance", pair), referred, label))
    if len(readings) == len(PAIRS):
        gathered.add(decision.finding("resistance_unbalance", unbalance_percent(readings)))
    insulation = gathered.answered("insulation_resistance")
    if insulation is not None:
        reading = _reading(float(insulation.value), "Mohm", INSULATION_U)
        gathered.add(decision.finding("insulation_resistance", reading))
        kind = InsulationKind.HALVING if winding is None else InsulationKind(winding.insulation)
        at_40_c = insulation_at_40_c(reading, temperature, kind)
        label = f"insulation resistance referred to 40 degC ({kind.value})"
        gathered.add(decision.finding("insulation_resistance_40c", at_40_c, label))


def _temperature(value_c: float, basis: Basis) -> Estimate:
    return estimate(value_c, "degC", [BudgetLine("thermometer", "B", basis.errors.thermometer)])


def _reading(value: float, unit: str, relative_u: float) -> Estimate:
    return estimate(value, unit, [BudgetLine("hand instrument", "A", abs(value) * relative_u, 50.0)])
