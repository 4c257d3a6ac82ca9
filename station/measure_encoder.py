"""Findings of the encoder, the worse of both directions."""

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np

from analysis.angles import wrap
from analysis.crossings import zero_phase
from analysis.encoder import EncoderFigures, analyse_encoder
from analysis.estimate import Estimate, estimate, refused
from analysis.index_angle import index_to_emf, index_to_fundamental, pole_pairs_found
from station.basis import Basis
from station.capturing import Taken
from station.decision import Decision
from station.findings import Detail, Finding
from station.measure_poles import add_pole_pairs
from station.run_facts import Gathered

BOTH = 2
MOST_PLACES = 12
SHOWN_WITH: dict[str, tuple[str, ...]] = {"dropped_counts": ("lost", "narrow"), "extra_counts": ("false",)}
"""Which places of lost and false pulses stand beside which count."""
Analysed = tuple[Taken, EncoderFigures]

FIGURES: dict[str, tuple[str, Callable[[EncoderFigures], Estimate]]] = {
    "counts_per_rev_x4": ("count", lambda f: f.counts_per_rev_x4),
    "edges_per_rev_A": ("count", lambda f: f.edges_per_rev_a),
    "edges_per_rev_B": ("count", lambda f: f.edges_per_rev_b),
    "dropped_counts": ("count", lambda f: f.dropped),
    "extra_counts": ("count", lambda f: f.extra),
    "reversals": ("count", lambda f: f.reversals),
    "illegal_states": ("count", lambda f: f.illegal),
    "quadrature_phase": ("deg_line", lambda f: f.quadrature_deg_line),
    "duty_A": ("percent", lambda f: f.duty_a),
    "duty_B": ("percent", lambda f: f.duty_b),
    "index_width": ("count", lambda f: f.index_width_counts),
}


def measure_encoder(pool: Sequence[Taken], basis: Basis, gathered: Gathered, decision: Decision) -> None:
    """Add the encoder's findings from all its captures at speed."""
    lines = basis.machine.encoder.lines
    captures = [t for t in pool if t.group == "encoder" and t.drive == "spin"]
    figures = [(t, _analysed(t, lines)) for t in captures]
    nominal = {"counts_per_rev_x4": 4.0 * lines, "edges_per_rev_A": 2.0 * lines, "edges_per_rev_B": 2.0 * lines,
               "quadrature_phase": 90.0, "duty_A": 50.0, "duty_B": 50.0}  # fmt: skip
    for name, (unit, of) in FIGURES.items():
        estimates = [of(f) for _, f in figures]
        places = _places(figures, SHOWN_WITH.get(name, ()))
        gathered.add(decision.finding(name, _worst(estimates, unit, nominal.get(name, 0.0)), detail=places))
    gathered.add(decision.finding("index_to_emf", _both_ways(figures, _index_to_emf)))
    gathered.add(
        decision.finding("index_to_fundamental", _both_ways(figures, partial(_index_to_fundamental, basis=basis)))
    )
    if figures:
        add_pole_pairs(_pole_pairs(figures), basis, gathered, decision)
    gathered.add(_sense(figures, basis, decision))
    gathered.deviations += _deviations(figures)


def _deviations(figures: Sequence[Analysed]) -> list[str]:
    """Say for each capture what kind of fault its lost and false pulses point to."""
    notes = []
    for taken, f in figures:
        if f.anomalies:
            known = [a.repeats for a in f.anomalies if a.repeats is not None]
            kind = (
                "at the same place each turn, so on the disc"
                if any(known)
                else "not at one place, so electrical"
                if known
                else "at a place that was passed once"
            )
            told = ", ".join(f"{a.channel} {a.what} at {a.place:.4f} of turn {a.turn + 1}" for a in f.anomalies[:6])
            notes.append(f"Encoder pulses out of step going {taken.direction}, {kind}: {told}.")
    return notes


def _places(figures: Sequence[Analysed], kinds: tuple[str, ...]) -> tuple[Detail, ...]:
    """Say where pulses were lost or false, and whether they come there again: then the disc has it, else the signal."""
    again = {True: "comes there each turn", False: "does not come there again", None: "passed once"}
    return tuple(
        Detail(
            f"{a.channel} {a.what}, {t.direction}, turn {a.turn + 1}, {again[a.repeats]}, at part of the turn",
            a.place,
            "",
        )
        for t, f in figures
        for a in [a for a in f.anomalies if a.what in kinds][:MOST_PLACES]
    )


def _analysed(taken: Taken, lines: int) -> EncoderFigures:
    by_signal = {w.signal: w for w in taken.capture.waveforms}
    return analyse_encoder(by_signal["A"], by_signal["B"], by_signal["Z"], taken.capture.interval_s, lines, taken.sign)


def _worst(estimates: Sequence[Estimate], unit: str, nominal: float) -> Estimate:
    lacking = next((e for e in estimates if e.value is None), None)
    if lacking is not None or not estimates:
        return refused(unit, lacking.reason if lacking else "the encoder was not captured at speed")
    return max(estimates, key=lambda e: abs(float(e.value or 0.0) - nominal))


def _both_ways(figures: Sequence[Analysed], of: Callable[[Taken, EncoderFigures], Estimate]) -> Estimate:
    """Half the sum of both directions: free of hysteresis and delay of the index, which turn their sign."""
    by_direction: dict[str, Estimate] = {}
    for taken, figure in figures:
        if figure.refusal or taken.pair != "U-V":
            return refused("deg_el", figure.refusal or "the EMF of U-V was not captured with the index")
        by_direction[taken.direction] = of(taken, figure)
    lacking = next((e for e in by_direction.values() if e.value is None), None)
    if lacking is not None or len(by_direction) < BOTH:
        return refused("deg_el", lacking.reason if lacking else "the encoder was not captured in both directions")
    cw, ccw = by_direction["CW"], by_direction["CCW"]
    apart = float(wrap(float(cw.value or 0.0) - float(ccw.value or 0.0)))
    wider = max((cw, ccw), key=lambda e: e.u or 0.0)
    return estimate(float(wrap(float(ccw.value or 0.0) + apart / 2)), "deg_el", wider.budget)


def _index_to_emf(taken: Taken, figure: EncoderFigures) -> Estimate:
    """Rotor angle from the rising zero of the EMF, going clockwise, to the middle of the index."""
    phase = zero_phase(taken.volts()["emf"], taken.capture.interval_s)
    if phase is None:
        return refused("deg_el", "no EMF with whole cycles in the record")
    return index_to_emf(figure.index_times_s, phase.at, taken.sign)


def _index_to_fundamental(taken: Taken, figure: EncoderFigures, basis: Basis) -> Estimate:
    """Find the same from the fundamental of the EMF over the encoder's own position, which knows no ripple."""
    return index_to_fundamental(
        taken.volts()["emf"],
        taken.capture.interval_s,
        (figure.edge_times_s, figure.edge_counts.astype(np.float64)),
        figure.index_times_s,
        basis.machine.pole_pairs,
        taken.sign,
    )


def _pole_pairs(figures: Sequence[Analysed]) -> Estimate:
    """Cycles of the EMF per turn of the index, the first capture that shows whole turns."""
    none = refused("count", "no capture of an EMF with two index pulses")
    for taken, figure in figures:
        phase = None if figure.refusal else zero_phase(taken.volts()["emf"], taken.capture.interval_s)
        found = none if phase is None else pole_pairs_found(figure.index_times_s, phase.at)
        if found.value is not None or found.reason != none.reason:
            return found
    return none


def _sense(figures: Sequence[Analysed], basis: Basis, decision: Decision) -> Finding:
    refusal = next((f.refusal for _, f in figures if f.refusal), "" if figures else "the encoder was not captured")
    if refusal:
        return decision.verdict("encoder_sense", None, lacking=refusal)
    leads = basis.machine.encoder.leads_going_cw
    wanted = 1 if leads == "A" else -1
    agrees = all(f.sense == wanted * t.sign for t, f in figures)
    text = f"{leads} leads going clockwise" if agrees else f"{'B' if leads == 'A' else 'A'} leads going clockwise"
    return decision.verdict("encoder_sense", text, fails="" if agrees else f"the type states that {leads} leads")
