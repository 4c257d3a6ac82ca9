"""Findings of the station's test of its own paths: polarity, scale and skew, from the bench's known source."""

import math
from collections.abc import Sequence

import numpy as np

from analysis.edges import Edges, find_edges
from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.wire_levels import WireHealth, wire_health
from drivers.bench_file import BenchFile
from drivers.bench_parts import KnownSource
from drivers.scope import Waveform
from station.capturing import KNOWN_SOURCE, Taken
from station.decision import Decision
from station.finding_names import PAIRS
from station.findings import Finding
from station.run_facts import Gathered

ALLOWED_K = 3.0
"""A path is out of order where it departs by more than three standard uncertainties (common practice, no source)."""
THERE_PART = 0.5
"""Below half of its voltage the source has not come through (common practice, no source)."""
US_PER_S = 1e6


def measure_self_test(pool: Sequence[Taken], bench: BenchFile, gathered: Gathered, decision: Decision) -> None:
    """Add polarity and scale of each winding pair's path, and scale and skew of the other channels."""
    source = bench.known_source
    captures = {str(t.pair): t for t in pool if t.group == KNOWN_SOURCE}
    if source is None or not captures:
        gathered.add(decision.verdict("self_test_polarity", None, lacking="no capture of the known source"))
        return
    gathered.add(_polarity(captures, source, bench, decision))
    for pair, taken in captures.items():
        u_path = math.hypot(bench.errors.scope_gain, bench.errors.probe_gain)
        name = f"self_test_scale_{pair.replace('-', '')}"
        gathered.add(_scale(name, _health(taken.capture.waveforms[0], taken, u_path), source, decision))
    some = next(iter(captures.values()))
    for channel, waveform in enumerate(some.capture.waveforms[1:], start=2):
        health = _health(waveform, some, bench.errors.scope_gain)
        gathered.add(_scale(f"self_test_scale_{channel}", health, source, decision))
        gathered.add(_skew(f"self_test_skew_{channel}", some, waveform, bench, decision))


def _health(waveform: Waveform, taken: Taken, gain_percent: float) -> WireHealth:
    return wire_health(waveform.signal, waveform, taken.capture.interval_s, gain_u=gain_percent / 100)


def _polarity(captures: dict[str, Taken], source: KnownSource, bench: BenchFile, decision: Decision) -> Finding:
    wrong = [_wrong(pair, captures[pair], source, bench) for pair in PAIRS if pair in captures]
    missing = [pair for pair in PAIRS if pair not in captures]
    fails = "; ".join(words for words in wrong if words)
    if missing and not fails:
        return decision.verdict("self_test_polarity", None, lacking=f"not captured: {', '.join(missing)}")
    return decision.verdict("self_test_polarity", fails or "all as they should be", fails=fails)


def _wrong(pair: str, taken: Taken, source: KnownSource, bench: BenchFile) -> str:
    health = _health(taken.capture.waveforms[0], taken, bench.errors.scope_gain)
    low, high = health.low.value or 0.0, health.high.value or 0.0
    if high - low < THERE_PART * source.voltage:
        return f"{pair}: the known source does not come through"
    # The source swings from 0 V upwards; turned over it swings downwards.
    return f"{pair} is turned over" if high + low < 0 else ""


def _scale(name: str, health: WireHealth, source: KnownSource, decision: Decision) -> Finding:
    swing = health.swing
    if swing.value is None or swing.value < THERE_PART * source.voltage:
        none = refused("percent", "the known source does not come through")
        return decision.checked(name, none, fails=none.reason)
    percent = 100 / source.voltage
    found = estimate(
        (swing.value - source.voltage) * percent,
        "percent",
        [
            *(BudgetLine(line.source, line.kind, line.u * percent, line.dof) for line in swing.budget),
            BudgetLine("voltage of the known source", "B", source.uncertainty * percent * swing.value / source.voltage),
        ],
    )
    return decision.checked(name, found, fails=_beyond(found, "percent"))


def _skew(name: str, taken: Taken, waveform: Waveform, bench: BenchFile, decision: Decision) -> Finding:
    """Hold the edges of a channel against those of channel 1, which the bench file's delay of the probe may be late."""
    interval_s = taken.capture.interval_s
    first = find_edges(np.abs(taken.capture.waveforms[0].volts()), interval_s)
    found = _late(first, find_edges(waveform.volts(), interval_s), interval_s)
    if found.value is None:
        return decision.checked(name, found, fails=found.reason)
    stated = estimate(
        found.value + bench.probe.delay * US_PER_S,
        "us",
        [*found.budget, BudgetLine("skew as the bench file states it", "B", bench.errors.scope_skew * US_PER_S)],
    )
    return decision.checked(name, found, fails=_beyond(stated, "us"))


def _late(first: Edges, other: Edges, interval_s: float) -> Estimate:
    """How much later the edges come than on channel 1 [us]; each is paired with the nearest there."""
    if not first.times_s.size or not other.times_s.size:
        return refused("us", "the known source shows no edges")
    apart = other.times_s[:, None] - first.times_s[None, :]
    nearest = apart[np.arange(other.times_s.size), np.argmin(np.abs(apart), axis=1)] * US_PER_S
    # An edge at the very end of the record may have its partner outside.
    late_us = nearest[np.abs(nearest) < np.abs(np.median(nearest)) + 2 * interval_s * US_PER_S]
    scatter = float(np.std(late_us, ddof=1)) / math.sqrt(late_us.size) if late_us.size > 1 else 0.0
    return estimate(
        float(np.mean(late_us)),
        "us",
        [
            BudgetLine("scatter of the edges", "A", scatter, max(1.0, late_us.size - 1.0)),
            # Two edges of the grid (JCGM 100:2008, F.2.2.1); a source in step with the scope does not average it out.
            BudgetLine("sample grid", "B", interval_s * US_PER_S / math.sqrt(6)),
        ],
    )


def _beyond(departure: Estimate, unit: str) -> str:
    allowed = ALLOWED_K * (departure.u or 0.0)
    if abs(departure.value or 0.0) <= allowed:
        return ""
    return f"departs by {departure.value:.3g} {unit}; allowed: {allowed:.2g} {unit}, three standard uncertainties"
