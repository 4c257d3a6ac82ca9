"""Findings of wires: levels, rise and fall times, chatter, pull-ups, and complements of differential outputs."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from analysis.edges import find_edges
from analysis.estimate import Estimate, estimate, refused, scaled
from analysis.pulse_trains import WireLevels, pulses
from analysis.standstill import PullUpVerdict, pull_up_verdict
from analysis.wire_levels import LEAST_DIFFERENCE_V, DifferentialHealth, WireHealth, differential_health, wire_health
from drivers.scope import Waveform
from station.basis import Basis
from station.capturing import Taken
from station.decision import Decision
from station.finding_names import SENSORS
from station.findings import Detail, Finding
from station.run_facts import Gathered

ENCODER_WIRES = ("A", "B", "Z")
INDEX = "Z"
US_PER_S = 1e6


def measure_sensor_wires(pool: Sequence[Taken], basis: Basis, gathered: Gathered, decision: Decision) -> None:
    """Add what fine captures and the switchable pull-up say of the sensors; nothing where the sequence took none."""
    sensors = [t for t in pool if t.group == "sensors" and t.wires_only]
    needs = basis.machine.sensors.needs_pull_up
    without, pulled = ([t for t in sensors if t.pull_up is state] for state in (False, True))
    if without and pulled:
        for sensor in SENSORS:
            gathered.add(_pull_up(sensor, without[-1], pulled[-1], basis, decision))
    _differential(SENSORS, "sensors", pool, basis, gathered, decision)
    working = [t for t in sensors if t.pull_up is needs]
    if working:
        finest = min(working, key=lambda t: t.capture.interval_s)
        for sensor in SENSORS:
            _add_times(sensor, [_health(sensor, finest, basis)], gathered, decision)
            gathered.add(_chatter(sensor, finest, decision))


def measure_encoder_wires(pool: Sequence[Taken], basis: Basis, gathered: Gathered, decision: Decision) -> None:
    """Add levels of A, B and index, the worst of all captures at speed, and times where a fine capture was taken."""
    captures = [t for t in pool if t.group == "encoder" and t.drive == "spin"]
    _differential(ENCODER_WIRES, "encoder", pool, basis, gathered, decision)
    for wire in ENCODER_WIRES:
        shown = [t for t in captures if wire != INDEX or not t.wires_only]
        healths = [_health(wire, t, basis) for t in shown]
        lacking = refused("V", "the encoder was not captured at speed")
        for name, of, worst in _LEVELS:
            found = [of(h) for h in healths]
            level = worst(found, key=lambda e: e.value or 0.0) if found else lacking
            gathered.add(decision.finding(f"{name}_{wire}", level))
        fine = sorted((t for t in captures if t.wires_only), key=lambda t: t.capture.interval_s)
        if fine:
            # An index seldom falls into a fine capture; the next finer one that shows it stands for it.
            rest = sorted((t for t in captures if not t.wires_only), key=lambda t: t.capture.interval_s)
            _add_times(wire, (_health(wire, t, basis) for t in (*fine, *rest)), gathered, decision)


_Level = tuple[str, Callable[[WireHealth], Estimate], Callable[..., Estimate]]
_LEVELS: tuple[_Level, ...] = (
    ("low_level", lambda h: h.low, max),
    ("high_level", lambda h: h.high, min),
    ("swing", lambda h: h.swing, min),
)


def _of(taken: Taken, signal: str) -> Waveform:
    return next(w for w in taken.capture.waveforms if w.signal == signal)


def _health(signal: str, taken: Taken, basis: Basis) -> WireHealth:
    return wire_health(
        signal,
        _of(taken, signal),
        taken.capture.interval_s,
        gain_u=basis.errors.scope_gain / 100,
        rare=signal.startswith(INDEX),
    )


def _add_times(wire: str, healths: Iterable[WireHealth], gathered: Gathered, decision: Decision) -> None:
    """Add rise and fall time from the first capture that shows one."""
    seen = list(healths)
    for name, times in (("rise_time", [h.rise for h in seen]), ("fall_time", [h.fall for h in seen])):
        shown = next((e for e in times if e.value is not None), times[0])
        gathered.add(decision.finding(f"{name}_{wire}", scaled(shown, US_PER_S, "us")))


def _chatter(sensor: str, taken: Taken, decision: Decision) -> Finding:
    edges = find_edges(_of(taken, sensor).volts(), taken.capture.interval_s)
    if not edges.times_s.size:
        return decision.finding(f"chatter_{sensor}", refused("count", "no edge"))
    bounced = edges.chatter_s[edges.chatter_s > 0]
    longest = [Detail("longest", float(bounced.max()) * US_PER_S, "us")] if bounced.size else []
    return decision.finding(f"chatter_{sensor}", estimate(float(bounced.size), "count", []), detail=longest)


# -- pull-ups ----------------------------------------------------------------------------------------------------------


def _pull_up(sensor: str, without: Taken, pulled: Taken, basis: Basis, decision: Decision) -> Finding:
    sensors = basis.machine.sensors
    found = pull_up_verdict(_levels(sensor, without), _levels(sensor, pulled), sensors.supply)
    if found is PullUpVerdict.MISSING_PULL_UP and sensors.needs_pull_up:
        return decision.verdict(f"pull_up_{sensor}", f"works with the bench's pull-up, as its {sensors.output} needs")
    fails = "" if found is PullUpVerdict.WORKS else found.value
    return decision.verdict(f"pull_up_{sensor}", found.value, fails=fails)


def _levels(sensor: str, taken: Taken) -> WireLevels:
    return pulses(_of(taken, sensor)).levels


# -- differential outputs ----------------------------------------------------------------------------------------------


def _differential(
    wires: Sequence[str], group: str, pool: Sequence[Taken], basis: Basis, gathered: Gathered, decision: Decision
) -> None:
    """Hold lines against their complements, which come in captures of their own."""
    needs = basis.machine.sensors.needs_pull_up
    lines, complements = (
        [t for t in pool if t.group == name and t.drive == "spin" and (t.pull_up is needs or group == "encoder")]
        for name in (group, f"complements-{group}")
    )
    if not lines or not complements:
        return
    for wire in wires:
        shown = [t for t in lines if wire != INDEX or not t.wires_only]
        line, complement = _health(wire, shown[-1], basis), _health(f"{wire}-", complements[-1], basis)
        health = differential_health(wire, line, complement)
        gathered.add(_complement(wire, health, decision))
        gathered.add(decision.finding(f"differential_{wire}", _least(health)))


def _complement(wire: str, health: DifferentialHealth, decision: Decision) -> Finding:
    dead = {
        "": "",
        "line": f"{wire} does not switch, its complement does",
        "complement": f"the complement of {wire} does not switch, {wire} does",
        "both": f"neither {wire} nor its complement switches",
    }[health.dead]
    weak = "" if health.drives else f"less than {LEAST_DIFFERENCE_V:g} V between {wire} and its complement"
    fails = dead or weak
    return decision.verdict(f"complement_{wire}", fails or "both switch", fails=fails)


def _least(health: DifferentialHealth) -> Estimate:
    """Return the smaller of the voltages between line and complement, counted in the sense each should have [V]."""
    # Zero less the value, so that nothing reads as minus zero.
    low = replace(health.low, value=0.0 - (health.low.value or 0.0))
    return min(health.high, low, key=lambda e: e.value or 0.0)
