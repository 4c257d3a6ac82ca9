"""Findings of the encoder, the worse of both directions."""

from collections.abc import Callable, Sequence

from analysis.angles import wrap
from analysis.conformity import CONFORMING, NONCONFORMING, NOT_MEASURED
from analysis.crossings import zero_phase
from analysis.encoder import EncoderFigures, analyse_encoder
from analysis.estimate import Estimate, estimate, refused
from analysis.index_angle import index_to_emf
from station.capturing import Taken
from station.decision import Decision
from station.finding_names import FINDINGS
from station.findings import Finding
from station.run_facts import Gathered, RunFacts

BOTH = 2

FIGURES: dict[str, tuple[str, Callable[[EncoderFigures], Estimate]]] = {
    "counts_per_rev_x4": ("count", lambda f: f.counts_per_rev_x4),
    "edges_per_rev_A": ("count", lambda f: f.edges_per_rev_a),
    "edges_per_rev_B": ("count", lambda f: f.edges_per_rev_b),
    "dropped_counts": ("count", lambda f: f.dropped),
    "extra_counts": ("count", lambda f: f.extra),
    "illegal_states": ("count", lambda f: f.illegal),
    "quadrature_phase": ("deg_line", lambda f: f.quadrature_deg_line),
    "duty_A": ("percent", lambda f: f.duty_a),
    "duty_B": ("percent", lambda f: f.duty_b),
}


def measure_encoder(pool: Sequence[Taken], facts: RunFacts, gathered: Gathered, decision: Decision) -> None:
    """Add the encoder's findings from all its captures at speed."""
    lines = facts.motor_type.encoder.lines
    captures = [t for t in pool if t.group == "encoder" and t.drive == "spin"]
    figures = [(t, _analysed(t, lines)) for t in captures]
    nominal = {"counts_per_rev_x4": 4.0 * lines, "edges_per_rev_A": 2.0 * lines, "edges_per_rev_B": 2.0 * lines,
               "quadrature_phase": 90.0, "duty_A": 50.0, "duty_B": 50.0}  # fmt: skip
    for name, (unit, of) in FIGURES.items():
        estimates = [of(f) for _, f in figures]
        gathered.add(decision.finding(name, _worst(estimates, unit, nominal.get(name, 0.0))))
    gathered.add(decision.finding("index_to_emf", _index(figures)))
    gathered.add(_sense(figures, facts))
    for _, f in figures:
        if f.anomalies:
            places = ", ".join(f"{a.channel} {a.what} at {a.place:.4f} of turn {a.turn + 1}" for a in f.anomalies[:6])
            kind = "at the same place each turn, so on the disc" if f.repeats else "not at one place, so electrical"
            gathered.deviations.append(f"Encoder pulses out of step, {kind}: {places}.")


def _analysed(taken: Taken, lines: int) -> EncoderFigures:
    by_signal = {w.signal: w for w in taken.capture.waveforms}
    return analyse_encoder(by_signal["A"], by_signal["B"], by_signal["Z"], taken.capture.interval_s, lines)


def _worst(estimates: Sequence[Estimate], unit: str, nominal: float) -> Estimate:
    lacking = next((e for e in estimates if e.value is None), None)
    if lacking is not None or not estimates:
        return refused(unit, lacking.reason if lacking else "the encoder was not captured at speed")
    return max(estimates, key=lambda e: abs(float(e.value or 0.0) - nominal))


def _index(figures: Sequence[tuple[Taken, EncoderFigures]]) -> Estimate:
    """Rotor angle from the rising zero of the U-V EMF (going clockwise) to the middle of the index, both directions."""
    by_direction: dict[str, Estimate] = {}
    for taken, figure in figures:
        phase = zero_phase(taken.volts()["emf"], taken.capture.interval_s)
        if figure.refusal or phase is None or taken.pair != "U-V":
            return refused("deg_el", figure.refusal or "the EMF of U-V was not captured with the index")
        by_direction[taken.direction] = index_to_emf(figure.index_times_s, phase.at, taken.sign)
    lacking = next((e for e in by_direction.values() if e.value is None), None)
    if lacking is not None or len(by_direction) < BOTH:
        return refused("deg_el", lacking.reason if lacking else "the encoder was not captured in both directions")
    cw, ccw = by_direction["CW"], by_direction["CCW"]
    # The half sum is free of the hysteresis and delay of the index, which turn their sign with the direction.
    apart = float(wrap(float(cw.value or 0.0) - float(ccw.value or 0.0)))
    wider = max((cw, ccw), key=lambda e: e.u or 0.0)
    return estimate(float(wrap(float(ccw.value or 0.0) + apart / 2)), "deg_el", wider.budget)


def _sense(figures: Sequence[tuple[Taken, EncoderFigures]], facts: RunFacts) -> Finding:
    kind = FINDINGS["encoder_sense"]
    refusal = next((f.refusal for _, f in figures if f.refusal), "" if figures else "the encoder was not captured")
    if refusal:
        none = Estimate(None, "", reason=refusal)
        return Finding("encoder_sense", kind.label, kind.group, none, conformity=NOT_MEASURED, reason=refusal)
    leads = facts.motor_type.encoder.leads_going_cw
    wanted = 1 if leads == "A" else -1
    agrees = all(f.sense == wanted * t.sign for t, f in figures)
    text = f"{leads} leads going clockwise" if agrees else f"{'B' if leads == 'A' else 'A'} leads going clockwise"
    return Finding(
        "encoder_sense", kind.label, kind.group, Estimate(None, ""), conformity=CONFORMING if agrees else NONCONFORMING,
        reason="" if agrees else f"the type states that {leads} leads", text=text,
    )  # fmt: skip
