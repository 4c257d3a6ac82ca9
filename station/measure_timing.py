"""Findings of timing: offset, hysteresis and delay of each sensor, spread, duty, and the way to turn the body."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from analysis.angles import wrap
from analysis.correction import correction
from analysis.estimate import BudgetLine, Estimate, estimate, refused, scatter_of_mean
from analysis.pairings import PAIR_ZERO_DEG_EL, PAIRS, SENSORS, nominal_deg_el
from analysis.sensor_timing import DISAGREE
from analysis.separation import AtSpeed, Separated, separate
from station.basis import Basis, Machine
from station.decision import Decision
from station.findings import Detail, finite
from station.measure_edges import measure_edges
from station.measure_poles import measure_poles
from station.run_facts import Gathered
from station.timed_captures import Key, Timed, by_key, speeds_both_ways

TRACE_POINTS = 320
TRACE_CYCLES = 2.0
NO_TARGETS = dict.fromkeys(SENSORS, 0.0)


def measure_timing(timed: Sequence[Timed], basis: Basis, gathered: Gathered, decision: Decision) -> None:
    """Add the findings of timing, the table of pairings and the pictures."""
    kind, found = basis.machine, by_key(timed)
    judged_zero = kind.convention.zero
    other_zero = "fundamental" if judged_zero == "waveform" else "waveform"
    separated = {s: _separated(s, found, kind, judged_zero) for s in SENSORS}
    for sensor, terms in separated.items():
        other = _separated(sensor, found, kind, other_zero).offset
        _add_sensor(sensor, terms, other, found, kind, gathered, decision)
    offsets = [terms.offset for terms in separated.values()]
    gathered.add(decision.finding("offset_mean", _mean_of(offsets)))
    gathered.add(decision.finding("spread", _spread_of(offsets)))
    measure_edges(timed, basis, gathered, decision)
    measure_poles(timed, basis, gathered, decision)
    gathered.pairings = _pairings(found, kind)
    gathered.pictures = {"traces": _traces(found), "dial": {"edges": _dial(found, kind)}}


def measure_by_position(timed: Sequence[Timed], basis: Basis, gathered: Gathered, decision: Decision) -> None:
    """Add the offset of each sensor that was captured together with the encoder, in both directions."""
    found, kind = by_key(timed), basis.machine
    captured = {s for t in timed for s in t.timing.sensors}
    for sensor in (s for s in SENSORS if s in captured):
        offset = _separated(sensor, found, kind, kind.convention.zero).offset
        note = next((t.timing.encoder_note for t in timed if t.timing.encoder is None), "")
        gathered.add(decision.finding(f"offset_by_position_{sensor}", refused("deg_el", note) if note else offset))


def _separated(sensor: str, found: dict[Key, Timed], kind: Machine, zero: str) -> Separated:
    """Separate a sensor's terms on its own pair, or on any pair that was captured both ways."""
    own = kind.sensors.pairs[sensor]
    pair = next((p for p in (own, *PAIRS) if speeds_both_ways(found, p)), None)
    if pair is None:
        none = refused("deg_el", "no winding pair was captured in both directions at one speed")
        return Separated(none, none, refused("us", none.reason), None, None)
    speeds = speeds_both_ways(found, pair)
    high = _at(sensor, pair, speeds[-1], found, kind, zero)
    low = _at(sensor, pair, speeds[0], found, kind, zero) if len(speeds) > 1 else None
    return separate(low, high)


def _at(sensor: str, pair: str, speed: float, found: dict[Key, Timed], kind: Machine, zero: str) -> AtSpeed:
    nominal = nominal_deg_el(kind.sensors.pairs, kind.sensors.polarity, NO_TARGETS)[sensor, pair]
    both = [found[direction, speed, pair].timing for direction in ("CW", "CCW")]
    frequencies = [t.f_e_hz for t in both if t.f_e_hz is not None]
    ys = [t.sensors[sensor].y_waveform if zero == "waveform" else t.sensors[sensor].y_fundamental for t in both]
    offsets = [_from_nominal(y, nominal) for y in ys]
    return AtSpeed(sum(frequencies) / max(1, len(frequencies)), offsets[0], offsets[1])


def _from_nominal(y: Estimate, nominal: float) -> Estimate:
    if y.value is None:
        return y
    return Estimate(float(wrap(y.value - nominal)), y.unit, y.u, y.dof, y.budget)


def _add_sensor(
    sensor: str,
    terms: Separated,
    other: Estimate,
    found: dict[Key, Timed],
    kind: Machine,
    gathered: Gathered,
    decision: Decision,
) -> None:
    offset = decision.finding(f"offset_{sensor}", terms.offset)
    if terms.offset.value is not None:
        maker = kind.convention.maker_offset_deg_el(terms.offset.value)
        label = f"{offset.label}, the maker's {kind.sensors.maker_names[sensor]}"
        offset = replace(offset, label=label, maker_value=round(float(wrap(maker)), 3), maker_unit="deg_el")
    gathered.add(offset)
    gathered.add(decision.finding(f"offset_other_zero_{sensor}", other, label=_other_label(sensor, kind)))
    gathered.add(decision.finding(f"hysteresis_{sensor}", terms.hysteresis))
    gathered.add(decision.finding(f"delay_{sensor}", terms.delay, detail=_covariance(terms)))
    _add_checks(sensor, terms, gathered, decision)
    _add_differences(sensor, found, kind, gathered, decision)
    gathered.add(decision.finding(f"duty_{sensor}", _duty(sensor, found)))


def _covariance(terms: Separated) -> tuple[Detail, ...]:
    """Return how the terms' errors hang together: a hysteresis found too large makes the delay too small."""
    if terms.covariance is None:
        return ()
    (_, _, _), (_, var_eta, cov), (_, _, var_tau) = terms.covariance
    return (Detail("covariance of hysteresis and delay", cov, "deg_el us"),
            Detail("correlation of hysteresis and delay", cov / math.sqrt(var_eta * var_tau), ""))  # fmt: skip


def _add_checks(sensor: str, terms: Separated, gathered: Gathered, decision: Decision) -> None:
    """Add what two speeds say of each other, and what one direction alone would have claimed."""
    lacking = refused("deg_el", terms.hysteresis.reason or terms.offset.reason)
    check = decision.finding(f"speed_check_{sensor}", terms.check or lacking)
    gathered.add(replace(check, reason=terms.note) if terms.note else check)
    gathered.add(decision.finding(f"offset_extrapolated_{sensor}", terms.extrapolated or lacking))
    claims = [Detail(f"{d} at the {speed} speed alone", y, "deg_el") for d, speed, y in terms.claims_deg_el]
    alone = terms.one_direction or refused("deg_el", lacking.reason)
    gathered.add(decision.finding(f"one_direction_{sensor}", alone, detail=claims))


def _add_differences(
    sensor: str, found: dict[Key, Timed], kind: Machine, gathered: Gathered, decision: Decision
) -> None:
    """Add what the two zeros and the two estimators differ by, the largest of the captures of the own pair."""
    own = kind.sensors.pairs[sensor]
    seen = [t.timing.sensors[sensor] for (_, _, pair), t in found.items() if pair == own]
    apart = [s.difference_deg for s in seen if s.difference_deg is not None]
    left = [s.unexplained_deg for s in seen if s.unexplained_deg is not None]
    notes = list(dict.fromkeys(s.note for s in seen if s.note))
    disagree = list(dict.fromkeys(s.y_waveform.reason for s in seen if s.y_waveform.reason.startswith(DISAGREE)))
    for name, values in (("zeros_apart", apart), ("unexplained", left)):
        if not values:
            none = refused("deg_el", "its own pair was not timed by two estimators")
            gathered.add(decision.finding(f"{name}_{sensor}", none))
            continue
        largest = max(values, key=abs)
        line = _single(values)
        made = estimate(largest, "deg_el", [line])
        if name == "zeros_apart":
            gathered.add(decision.finding(f"{name}_{sensor}", made))
            continue
        judged = decision.checked(f"{name}_{sensor}", made, fails="; ".join(disagree))
        gathered.add(replace(judged, reason="; ".join(notes)) if notes and not disagree else judged)


def _single(values: Sequence[float]) -> BudgetLine:
    """Return the scatter of one of several values, not of their mean: the largest is one."""
    source = "scatter from capture to capture"
    if len(values) < 2:
        return BudgetLine(source, "A", abs(values[0]), 1.0)
    of_mean = scatter_of_mean(source, values)
    return replace(of_mean, u=of_mean.u * math.sqrt(len(values)))


def _other_label(sensor: str, kind: Machine) -> str:
    """Name the zero that the type's limits do not refer to; its offset is reported without limits."""
    other = "fundamental" if kind.convention.zero == "waveform" else "waveform"
    return f"offset of {sensor} to the {other}"


def _duty(sensor: str, found: dict[Key, Timed]) -> Estimate:
    duties = [t.timing.sensors[sensor].duty for t in found.values()]
    values = [d.value for d in duties if d.value is not None]
    if not values:
        return refused("percent", duties[0].reason if duties else "no capture of the sensors")
    u = max(d.u or 0.0 for d in duties)
    return estimate(float(np.mean(values)), "percent", [BudgetLine("scatter and sample grid of the edges", "A", u)])


def _mean_of(offsets: Sequence[Estimate]) -> Estimate:
    lacking = next((o for o in offsets if o.value is None), None)
    if lacking is not None:
        return refused("deg_el", lacking.reason)
    values = np.array([float(o.value or 0.0) for o in offsets])
    mean = float(wrap(values[0] + float(np.mean(wrap(values - values[0])))))
    # What is common to the three, such as mains and ripple, does not average out: the largest stands for all.
    return estimate(mean, "deg_el", max(offsets, key=lambda o: o.u or 0.0).budget)


def _spread_of(offsets: Sequence[Estimate]) -> Estimate:
    lacking = next((o for o in offsets if o.value is None), None)
    if lacking is not None:
        return refused("deg_el", lacking.reason)
    values = np.array([float(o.value or 0.0) for o in offsets])
    about = wrap(values - values[0])
    u = float(np.sqrt(2) * max(o.u or 0.0 for o in offsets))
    return estimate(float(np.ptp(about)), "deg_el", [BudgetLine("both extreme offsets", "B", u)])


def correction_of(basis: Basis, gathered: Gathered) -> dict[str, Any] | None:
    """Say which way and how far to turn the body, from the mean offset; None where that is not known."""
    kind, mean = basis.machine, gathered.findings.get("offset_mean")
    if mean is None or mean.estimate.value is None:
        return None
    target = sum(kind.sensors.targets_deg_el.values()) / len(SENSORS)
    counts = kind.counts_per_turn
    turn = correction(mean.estimate.value, target, kind.pole_pairs, counts or 1, mean.estimate.u)
    front, rear = ("CW", "CCW") if turn.body_cw_deg_mech > 0 else ("CCW", "CW")
    from_rear = kind.convention.viewing_end == "rear"
    return {
        "turn_deg_mech": turn.body_cw_deg_mech,
        "u_deg_mech": turn.u_deg_mech,
        "body_from_drive_end": front,
        "body_from_rear": rear,
        "hub_from_drive_end": rear,
        "offset_deg_el": mean.estimate.value,
        "target_deg_el": target,
        "encoder_counts": None if counts is None else round(turn.counts),
        "maker_offset_deg_el": float(wrap(kind.convention.maker_offset_deg_el(mean.estimate.value))),
        "maker_viewing_end": kind.convention.viewing_end,
        "body_from_maker_viewing_end": rear if from_rear else front,
    }


# -- the table and the pictures ------------------------------------------------------------------------------------------


def _pairings(found: dict[Key, Timed], kind: Machine) -> dict[str, Any]:
    nominal = nominal_deg_el(kind.sensors.pairs, kind.sensors.polarity, kind.sensors.targets_deg_el)
    rows = [
        {
            "sensor": sensor,
            "pair": pair,
            "CW": _cell(sensor, pair, "CW", found, kind),
            "CCW": _cell(sensor, pair, "CCW", found, kind),
            "nominal_deg_el": nominal[sensor, pair],
            "own": kind.sensors.pairs[sensor] == pair,
        }
        for sensor in SENSORS
        for pair in PAIRS
    ]
    return {"zero": kind.convention.zero, "rows": rows}


def _cell(
    sensor: str, pair: str, direction: str, found: dict[Key, Timed], kind: Machine
) -> dict[str, float | None] | None:
    at_speed = max((s for d, s, p in found if d == direction and p == pair), default=None)
    if at_speed is None:
        return None
    timing = found[direction, at_speed, pair].timing.sensors[sensor]
    y = timing.y_waveform if kind.convention.zero == "waveform" else timing.y_fundamental
    return None if y.value is None else {"value": y.value, "u": finite(y.u)}


def _traces(found: dict[Key, Timed]) -> list[dict[str, Any]]:
    """Two cycles of the fastest capture of U-V (or of what there is) in each direction."""
    made = []
    for direction in ("CW", "CCW"):
        keys = [k for k in found if k[0] == direction and found[k].timing.phase is not None]
        if keys:
            made.append(_trace(found[max(keys, key=lambda k: (k[2] == "U-V", k[1]))]))
    return made


def _trace(timed: Timed) -> dict[str, Any]:
    taken, phase = timed.taken, timed.timing.phase
    volts = taken.volts()
    emf = volts.pop("emf")
    f_e_hz = phase.f_e_hz if phase is not None else 1.0
    samples = min(emf.size, round(TRACE_CYCLES / f_e_hz / taken.capture.interval_s))
    at = np.linspace(0, samples - 1, TRACE_POINTS).astype(np.int64)
    logic = {}
    for name, v in volts.items():
        middle = timed.timing.sensors[name].levels.middle_v
        logic[name] = (
            [int(x) for x in v[at] > middle] if timed.timing.sensors[name].levels.swing_v >= 2.0 else [0] * at.size
        )
    return {
        "title": f"EMF of {taken.pair} and the sensors, {taken.direction}",
        "direction": taken.direction,
        "speed_rpm": None if taken.speed_rpm is None else round(taken.speed_rpm, 2),
        "t_ms": [round(float(i * taken.capture.interval_s * 1000), 4) for i in at],
        "emf_v": [round(float(v), 3) for v in emf[at]],
        "sensors": logic,
    }


def _dial(found: dict[Key, Timed], kind: Machine) -> list[dict[str, Any]]:
    """Edges of each sensor by rotor angle theta, from the fastest clockwise capture of its own pair."""
    edges = []
    for sensor in SENSORS:
        own = kind.sensors.pairs[sensor]
        pair = next((p for p in (own, *PAIRS) if any(k[0] == "CW" and k[2] == p for k in found)), None)
        if pair is None:
            continue
        speed = max(k[1] for k in found if k[0] == "CW" and k[2] == pair)
        timing = found["CW", speed, pair].timing.sensors[sensor]
        nominal = nominal_deg_el(kind.sensors.pairs, kind.sensors.polarity, kind.sensors.targets_deg_el)[sensor, pair]
        zero = PAIR_ZERO_DEG_EL[pair]
        for edge, y, half in (("rising", timing.rise_deg, 0.0), ("falling", timing.fall_deg, 180.0)):
            if y is not None:
                edges.append(
                    {
                        "sensor": sensor,
                        "edge": edge,
                        "angle_deg_el": round(float((zero + y + half) % 360), 4),
                        "nominal_deg_el": round(float((zero + nominal + half) % 360), 4),
                        "pair": own,
                    }
                )
    return edges
