"""Findings of the windings: EMF constant, balance, distortion, and the resistances that were read by hand."""

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.conformity import CONFORMING, NONCONFORMING, NOT_MEASURED
from analysis.estimate import BudgetLine, Estimate, estimate, refused, scaled
from analysis.winding_faults import SOUND, winding_signature
from analysis.windings import (
    constant_peak_v_per_krpm,
    dead_pairs,
    harmonics_part,
    open_phase,
    resistance_at,
    thd_percent,
    unbalance_percent,
)
from station.decision import Decision
from station.finding_names import FINDINGS, PAIRS
from station.findings import Finding
from station.run_facts import Gathered, RunFacts

if TYPE_CHECKING:
    from station.measuring import Timed

READING_U = 0.002
"""Relative standard uncertainty of a four-wire reading by hand (common practice, no source)."""
INSULATION_U = 0.03
CONSTANT_LEAST_RPM = 150.0
"""Slower captures carry too much of the converter's step."""


def measure_windings(timed: Sequence["Timed"], facts: RunFacts, gathered: Gathered, decision: Decision) -> None:
    """Add what the EMF says of the windings, and the readings of resistance and insulation where there are any."""
    constants: dict[str, Estimate] = {pair: _constant(pair, timed, facts) for pair in PAIRS}
    dead = dead_pairs(constants)
    phase = open_phase(dead)
    why = f"phase {phase} is open" if phase else f"no EMF on {', '.join(dead)}" if dead else ""
    gathered.add(_constant_finding(constants, why, facts, decision))
    balance = unbalance_percent(constants)
    gathered.add(
        decision.finding("emf_balance", replace(balance, reason=why) if balance.value is None and why else balance)
    )
    gathered.add(decision.finding("thd", _thd(timed)))
    gathered.add(_signature(constants, facts))
    _add_readings(facts, gathered, decision)


def _constant(pair: str, timed: Sequence["Timed"], facts: RunFacts) -> Estimate:
    errors = facts.bench_file.errors
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


def _constant_finding(constants: dict[str, Estimate], why: str, facts: RunFacts, decision: Decision) -> Finding:
    """Mean of the three pairs, in the form that the type states, and raw: no winding temperature refers it elsewhere."""
    emf = facts.motor_type.emf
    known = [e for e in constants.values() if e.value is not None]
    if len(known) < len(constants):
        lacking = next((e.reason for e in constants.values() if e.value is None), "")
        return decision.finding("emf_constant", refused("V/krpm", why or lacking))
    mean = float(np.mean([float(e.value or 0.0) for e in known]))
    line_peak = estimate(mean, "V/krpm", max(known, key=lambda e: e.u or 0.0).budget)
    stated = scaled(line_peak, emf.in_stated_form(1.0), "V/krpm")
    return decision.finding("emf_constant", stated, label=f"EMF constant, {emf.value}, {emf.across}, as measured")


def _signature(constants: dict[str, Estimate], facts: RunFacts) -> Finding:
    """Say in words what the three constants point to: shorted turns, an open phase, weak magnets, or nothing."""
    kind = FINDINGS["winding_signature"]
    found = winding_signature(constants, facts.motor_type.emf.line_peak_v_per_krpm)
    lacking = any(e.value is None for e in constants.values())
    conformity = NOT_MEASURED if lacking else CONFORMING if found.verdict == SOUND else NONCONFORMING
    reason = "" if conformity == CONFORMING else found.text
    text = None if lacking else found.text
    return Finding(
        kind.name,
        kind.label,
        kind.group,
        Estimate(None, "", reason=reason),
        conformity=conformity,
        reason=reason,
        text=text,
    )


def _thd(timed: Sequence["Timed"]) -> Estimate:
    """Mean over the fastest captures of each pair and direction."""
    fastest = max((t.taken.speed_target_rpm or 0.0 for t in timed), default=0.0)
    figures = []
    for t in timed:
        if t.taken.speed_target_rpm == fastest and t.timing.phase is not None:
            parts = harmonics_part(t.taken.volts()["emf"], t.taken.capture.interval_s, t.timing.phase)
            if parts:
                figures.append(thd_percent(parts))
    if not figures:
        return refused("percent", "no capture with whole cycles of EMF")
    u = float(np.std(figures, ddof=1) / np.sqrt(len(figures))) if len(figures) > 1 else 0.1
    return estimate(
        float(np.mean(figures)),
        "percent",
        [BudgetLine("scatter from capture to capture", "A", u, max(1, len(figures) - 1))],
    )


def _add_readings(facts: RunFacts, gathered: Gathered, decision: Decision) -> None:
    resistances: dict[str, Estimate] = {}
    for pair in PAIRS:
        name = f"winding_resistance_{pair.replace('-', '')}"
        given = gathered.answered(name)
        if given is None:
            continue
        reading = _reading(float(given.value), "ohm", READING_U)
        referred, label = _referred(reading, facts, gathered)
        resistances[pair] = reading
        gathered.add(decision.finding(name, referred, label=f"winding resistance {pair}, {label}"))
    if len(resistances) == len(PAIRS):
        gathered.add(decision.finding("resistance_unbalance", unbalance_percent(resistances)))
    insulation = gathered.answered("insulation_resistance")
    if insulation is not None:
        gathered.add(decision.finding("insulation_resistance", _reading(float(insulation.value), "Mohm", INSULATION_U)))


def _reading(value: float, unit: str, relative_u: float) -> Estimate:
    return estimate(value, unit, [BudgetLine("hand instrument", "A", abs(value) * relative_u, 50.0)])


def _referred(reading: Estimate, facts: RunFacts, gathered: Gathered) -> tuple[Estimate, str]:
    """Refer a resistance to the type's temperature where a winding temperature was read; else it stands as read."""
    winding, temperature = facts.motor_type.winding, gathered.answered("winding_temperature")
    if temperature is None:
        return reading, "as read"
    # The coefficient holds at 20 degC, so the inferred zero lies 1/alpha below that.
    k = 1 / winding.coefficient - 20.0
    u_c = facts.bench_file.errors.thermometer
    return resistance_at(reading, float(temperature.value), winding.at, k, u_c), f"referred to {winding.at:g} degC"
