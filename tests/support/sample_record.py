"""Invented records of every sort a sheet must show. No motor, shop, person or instrument in them is real."""

import copy
import hashlib
import math
from collections.abc import Callable
from typing import Any

Record = dict[str, Any]
NOMINAL = {"H1": -30.0, "H2": 90.0, "H3": 210.0}
OWN = {"H1": "U-V", "H2": "V-W", "H3": "W-U"}
ZERO = {"U-V": -30.0, "V-W": 90.0, "W-U": 210.0}
TITLES = {"as-found": "What the motor came with", "as-left": "Proof after the last screw"}
LIMIT_SOURCE = "Data sheet NB-9920 rev C, section 4"


def digest_of(text: str) -> str:
    return "sha256:" + hashlib.sha256(text.encode()).hexdigest()


def wrapped(angle_deg: float) -> float:
    return (angle_deg + 180.0) % 360.0 - 180.0


def finding(name: str, label: str, group: str, value: float | None, unit: str, u: float | None, **more: Any) -> Record:
    budget = [] if u is None else [{"source": "repeatability", "kind": "A", "u": u, "dof": 11.0}]
    return {
        "name": name, "label": label, "group": group, "value": value, "text": None, "unit": unit, "u": u, "dof": None,
        "lower": None, "upper": None, "limit_source": "", "conformity": None, "probability": None, "rule": "",
        "reason": "", "budget": budget, "maker_value": None, "maker_unit": None, "compared": None,
    } | more  # fmt: skip


def limits(lower: float | None, upper: float | None, conformity: str = "conforming", **more: Any) -> Record:
    return {"lower": lower, "upper": upper, "limit_source": LIMIT_SOURCE, "conformity": conformity} | more


def findings(offsets: dict[str, float]) -> list[Record]:
    """Findings of a healthy motor whose sensors stand at these offsets [deg_el]."""
    mean = sum(offsets.values()) / 3.0
    timing = [
        finding("offset_mean", "mean offset of the sensors", "timing", mean, "deg_el", 0.048, **limits(-2.0, 2.0)),
        *(
            finding(
                f"offset_{s}", f"offset of {s}", "timing", offsets[s], "deg_el", 0.0574,
                **limits(-3.0, 3.0), maker_value=wrapped(offsets[s] + 30.0), maker_unit="deg_el",
            )
            for s in NOMINAL
        ),
        finding("hysteresis_H1", "hysteresis of H1", "timing", 3.921, "deg_el", 0.083),
        finding("delay_H1", "delay of H1", "timing", 43.6, "us", 4.6),
        finding("duty_H1", "duty of H1", "timing", 49.83, "percent", 0.12, **limits(47.0, 53.0)),
    ]  # fmt: skip
    return [
        *timing,
        finding("wiring", "wiring of sensors and windings", "wiring", None, "", None, text="as the type says",
                conformity="conforming"),
        finding("counts_per_rev_x4", "counts per turn, four per line", "encoder", 8192.0, "count", None,
                **limits(8192.0, 8192.0)),
        finding("dropped_counts", "dropped counts", "encoder", 0.0, "count", None, **limits(None, 0.0)),
        finding("quadrature_phase", "phase from A to B", "encoder", 91.37, "deg_line", 0.41, **limits(70.0, 110.0)),
        finding("index_to_emf", "index to rising EMF zero of U-V", "encoder", 0.44, "deg_el", 0.11, **limits(-5.0, 5.0)),
        finding("swing_H1", "swing of H1", "sensors", 4.782, "V", 0.021, **limits(2.0, None)),
        finding("low_level_H1", "low level of H1", "sensors", 0.112, "V", 0.018, **limits(None, 0.8)),
        finding("emf_constant", "EMF constant", "windings", 41.276, "V/krpm", 0.094, **limits(39.2, 43.4),
                maker_value=29.187, maker_unit="V rms/krpm"),
        finding("emf_balance", "EMF unbalance of the winding pairs", "windings", 0.213, "percent", 0.061,
                **limits(None, 1.0)),
        finding("winding_resistance_UV", "winding resistance U-V at 20\N{NO-BREAK SPACE}°C", "windings", 1.8427, "ohm", 0.0061,
                **limits(1.72, 1.90)),
        finding("insulation_resistance", "insulation resistance", "windings", 812.0, "Mohm", 41.0, **limits(100.0, None)),
        finding("drag_torque", "drag torque", "mechanics", 0.0427, "N*m", 0.0035, **limits(None, 0.09)),
        finding("speed_verified", "speed by EMF frequency", "checks", 601.48, "rpm", 0.12),
    ]  # fmt: skip


def pairings(offsets: dict[str, float], hysteresis: float = 3.9) -> Record:
    def read(angle: float) -> Record:
        return {"value": wrapped(angle), "u": 0.061}

    rows = [
        {
            "sensor": s, "pair": p, "own": OWN[s] == p, "nominal_deg_el": wrapped(NOMINAL[s] - ZERO[p]),
            "CW": read(NOMINAL[s] - ZERO[p] + offsets[s] + hysteresis),
            "CCW": read(NOMINAL[s] - ZERO[p] + offsets[s] - hysteresis),
        }
        for s in NOMINAL for p in ZERO
    ]  # fmt: skip
    return {"zero": "waveform", "rows": rows}


def trace(direction: str, rpm: float, offsets: dict[str, float]) -> Record:
    """Two electrical turns of a four-pole-pair motor, U-V against the sensors, 5 % of fifth harmonic."""
    sign, f_hz, n = (1 if direction == "CW" else -1), rpm * 4 / 60.0, 400
    t_ms = [1000.0 * i * 2.0 / f_hz / n for i in range(n)]
    theta = [sign * 360.0 * f_hz * t / 1000.0 for t in t_ms]
    emf = [
        round(sign * 0.0413 * rpm * (math.sin(math.radians(a + 30)) - 0.05 * math.sin(math.radians(5 * (a + 30)))), 3)
        for a in theta
    ]
    states = {s: [int(0.0 < (a - NOMINAL[s] - offsets[s]) % 360.0 < 180.0) for a in theta] for s in NOMINAL}
    return {
        "title": f"U-V, {direction}, {rpm:g} rpm", "direction": direction, "speed_rpm": rpm,
        "t_ms": [round(t, 4) for t in t_ms], "emf_v": emf, "sensors": states,
    }  # fmt: skip


def dial(offsets: dict[str, float]) -> Record:
    edges = [
        {
            "sensor": s, "edge": edge, "pair": OWN[s], "nominal_deg_el": (NOMINAL[s] + half) % 360.0,
            "angle_deg_el": (NOMINAL[s] + offsets[s] + half + wobble) % 360.0,
        }
        for s in NOMINAL for edge, half, wobble in (("rising", 0.0, 0.3), ("falling", 180.0, -0.3))
    ]  # fmt: skip
    return {"edges": edges}


def _base(number: str, kind: str, stage: str, offsets: dict[str, float]) -> Record:
    return {
        "format": "polemark-record-1", "number": number, "kind": kind, "stage": stage, "outcome": "complete",
        "stop_reason": None, "started_utc": "2026-03-28T23:41:07.120Z", "ended_utc": "2026-03-28T23:52:44.003Z",
        "zone": "Europe/Vienna", "clock": "monotonic",
        "job": {
            "number": "J-26-0418", "work_order": "WO 55120", "customer": "Alder Packaging (invented)",
            "received_on": "2026-03-24", "complaint": "runs hot, trips the drive with a following error",
            "condition": "coupling mark on the shaft, rear cover screws not original",
        },
        "motor": {
            "serial": "NB4-20771", "shop_tag": "T-118",
            "nameplate": {
                "Maker": "Nordbach (invented)", "Type": "NB 4-100", "Serial": "NB4-20771", "Rated speed": "3000 rpm",
                "Rated current": "6.1 A", "Stall torque": "4.2 N·m", "EMF constant": "41.3 V/krpm peak line-to-line",
                "Feedback": "2048 lines, 8-pole commutation tracks",
            },
        },
        "motor_type": {
            "name": "nb4-100", "maker": "Nordbach (invented)", "revision": "3", "digest": digest_of("nb4"), "text": "…",
            "facts": {
                "pole_pairs": 4, "encoder_lines": 2048, "sensor_supply_v": 5.0, "zero": "waveform",
                "output": "open collector", "viewing_end": "drive end", "reference": "phase EMF",
            },
        },
        "adapter": {"name": "nb-17-pin", "code": 12, "code_read": 12, "digest": digest_of("adapter"), "text": "…"},
        "sequence": {"name": stage, "title": TITLES[stage], "revision": "1", "digest": digest_of(stage),
                     "text": "…"},
        "bench": {
            "name": "bench-2", "station": "station-2", "place": "Test room, Ferry Lane Rebuilds (invented)",
            "simulated": False, "digest": digest_of("bench"), "text": "…", "mains_hz": 50.0,
            "probe": {"ratio": 100.0, "rated_v": 1000.0},
        },
        "people": [{"role": "technician", "name": "Robin Sample", "status": "stated, not verified"}],
        "software": {"name": "polemark", "version": "0.1.0"},
        "instruments": [
            {"role": "scope", "kind": "scope", "maker": "Invented Instruments", "model": "W4", "serial": "II-0031",
             "firmware": "2.4", "calibration_due": "2026-11-02", "certificate": "C-1187"},
            {"role": "spin supply", "kind": "supply", "maker": "Invented Instruments", "model": "P60", "serial": "II-0207",
             "firmware": "1.1", "calibration_due": "2026-02-14", "certificate": "C-0992"},
            {"role": "sensor supply", "kind": "supply", "maker": "Invented Instruments", "model": "P15",
             "serial": "II-0208", "firmware": "1.1", "calibration_due": "2026-09-30", "certificate": "C-1004"},
            {"role": "switch", "kind": "switch", "maker": "Invented Instruments", "model": "R40", "serial": "II-0090",
             "firmware": "1.0", "calibration_due": None, "certificate": None},
        ],
        "hand_instruments": [{"name": "milliohm meter", "serial": "H-12", "calibration_due": "2026-12-01"}],
        "temperatures": [
            {"where": "winding", "value": 21.5, "unit": "degC", "how": "read with surface thermometer"},
            {"where": "ambient", "value": 20.25, "unit": "degC", "how": "stated"},
        ],
        "answers": [
            {"step": "resistance U-V", "prompt": "Resistance between U and V", "value": 1.853, "unit": "ohm",
             "hand_instrument": "milliohm meter"},
            {"step": "condition", "prompt": "Condition on the bench", "value": "clean, no play felt", "unit": None,
             "hand_instrument": None},
        ],
        "steps": [
            {"index": 1, "name": "sensor supply", "kind": "energise", "context": {"direction": None, "speed_rpm": None,
             "winding_pair": None}, "started_s": 0.4, "ended_s": 1.9, "outcome": "done", "note": ""},
            {"index": 2, "name": "capture 1", "kind": "capture", "context": {"direction": "CW", "speed_rpm": 200.0,
             "winding_pair": "U-V"}, "started_s": 60.0, "ended_s": 61.2, "outcome": "done", "note": ""},
        ],
        "captures": [
            {"index": 1, "step": "capture 1", "group": "sensors", "winding_pair": "U-V", "direction": "CW",
             "speed_target_rpm": 200.0, "speed_rpm": 201.37, "interval_s": 1e-5, "samples": 150000,
             "waveforms": [{"channel": c, "signal": s, "scale_v": 0.02, "offset_v": 0.0, "digest": digest_of(s)}
                           for c, s in enumerate(("U-V", "H1", "H2", "H3"), start=1)]},
        ],
        "findings": findings(offsets), "pairings": pairings(offsets),
        "pictures": {"traces": [trace("CW", 600.0, offsets), trace("CCW", 600.0, offsets)], "dial": dial(offsets)},
        "wiring": {"verdict": "Sensors and windings are wired as the motor type says.", "explanations": [],
                   "cannot_tell": ["the same cyclic shift of all three sensors and all three leads: the same for the drive"],
                   "question": None},
        "correction": None,
        "speeds": [
            {"target_rpm": 200.0, "commanded_v": 4.61, "verified_rpm": 201.37, "direction": "CW"},
            {"target_rpm": 200.0, "commanded_v": 4.61, "verified_rpm": 200.92, "direction": "CCW"},
            {"target_rpm": 600.0, "commanded_v": 13.2, "verified_rpm": 601.48, "direction": "CW"},
            {"target_rpm": 600.0, "commanded_v": 13.2, "verified_rpm": 600.73, "direction": "CCW"},
        ],
        "decision_rule": {"name": "guard band",
                          "text": "A finding conforms if it lies inside its limits by at least 1.65 u (ISO 14253-1, one-sided "
                          "95 %); it is nonconforming if it lies outside by that much; between, it is undecided."},
        "interlock_events": [], "deviations": [],
        "not_tested": [
            {"what": "surge test of the windings", "why": "not part of this sequence"},
            {"what": "brake", "why": "the motor type has none"},
        ],
        "as_found_record": None,
        "disposition": {"proposed": "rework", "would_be": "rework", "reason": "nothing against setting the feedback unit"},
        "cautions": ["The motor's terminals are live whenever its shaft turns; cover them before turning it by hand."],
        "setting": None, "approved": None,
    }  # fmt: skip


AS_FOUND_OFFSETS = {"H1": 12.41, "H2": 11.87, "H3": 12.66}
AS_LEFT_OFFSETS = {"H1": 0.312, "H2": -0.247, "H3": 0.541}


def as_found() -> Record:
    """Timing 12 deg_el wrong on receipt."""
    record = _base("PM-000117", "production", "as-found", AS_FOUND_OFFSETS)
    record |= {"started_utc": "2026-03-25T08:02:55.000Z", "ended_utc": "2026-03-25T08:14:12.500Z"}
    for f in record["findings"]:
        if f["name"].startswith("offset"):
            f["conformity"] = "nonconforming"
    record["correction"] = {
        "turn_deg_mech": -3.0783, "body_from_drive_end": "CCW", "body_from_rear": "CW", "hub_from_drive_end": "CW",
        "offset_deg_el": 12.313,
    }  # fmt: skip
    record["disposition"] |= {"reason": "offset of H1: nonconforming"}
    return record


def as_left() -> Record:
    """Conforming proof after setting, compared with as found."""
    record = _base("PM-000121", "production", "as-left", AS_LEFT_OFFSETS)
    record["as_found_record"] = "PM-000117"
    before = {f["name"]: f["value"] for f in as_found()["findings"]}
    for f in record["findings"]:
        if f["name"].startswith("offset"):
            f["compared"] = {
                "as_found_record": "PM-000117", "value": before[f["name"]], "change": f["value"] - before[f["name"]],
                "significance": "clear",
            }  # fmt: skip
    record["setting"] = {
        "rounds": [
            {"round": 1, "offset_deg_el": 12.313, "turn_deg_mech": -3.0783},
            {"round": 2, "offset_deg_el": 0.2, "turn_deg_mech": 0.0},
        ],
        "locked": True, "shift_deg_el": 0.06,
    }  # fmt: skip
    record["disposition"] = {"proposed": "release", "would_be": "release", "reason": "all findings conform"}
    return record


def nonconforming() -> Record:
    """A motor that drops counts, has a weak magnet and one limit without a source; two leads are swapped."""
    record = as_left() | {"number": "PM-000130"}
    by_name = {f["name"]: f for f in record["findings"]}
    by_name["dropped_counts"] |= {"value": 14.0, "conformity": "nonconforming",
                                  "reason": "same place each turn: 0.3127 of a turn after the index"}  # fmt: skip
    by_name["emf_constant"] |= {"value": 39.26, "conformity": "undecided", "reason": "within the guard band of a limit"}
    by_name["index_to_emf"] |= {"conformity": "undecided", "limit_source": "", "reason": "the limit has no source"}
    by_name["delay_H1"] |= {"value": None, "u": None, "conformity": "not measured",
                            "reason": "one speed cannot tell delay from hysteresis"}  # fmt: skip
    record["wiring"] = {
        "verdict": "Two leads are swapped.",
        "explanations": ["leads U and V swapped", "sensors H2 and H3 swapped and all sensors inverted"],
        "cannot_tell": ["whether the leads or the sensor wires were changed"],
        "question": "Was the motor turning clockwise seen from the drive end?",
    }
    record["interlock_events"] = [
        {"t_s": 212.4, "row": "drive-end guard", "what": "opened while at rest", "reaction": "start refused"}
    ]
    record["deviations"] = ["Run at 580 rpm instead of 600 rpm: the spin supply was at its limit."]
    record["disposition"] = {"proposed": "rework", "would_be": "rework", "reason": "dropped counts: nonconforming"}
    return record


def stopped() -> Record:
    """The feedback-end guard was opened while the shaft turned."""
    record = as_left() | {"number": "PM-000131", "outcome": "stopped"}
    record["stop_reason"] = "feedback_end_guard opened while turning; spin supply off in 0.08 s"
    record |= {"findings": record["findings"][:2], "pairings": None, "wiring": None, "setting": None}
    record["pictures"] = {"traces": [], "dial": {"edges": []}}
    record["steps"][-1] |= {"outcome": "failed", "note": "trip: feedback_end_guard"}
    record["interlock_events"] = [
        {"t_s": 60.7, "row": "feedback-end guard", "what": "open", "reaction": "category 1 stop"}
    ]
    record["not_tested"] += [{"what": "encoder", "why": "the run was stopped before it"}]
    record["disposition"] = {"proposed": "rework", "would_be": "rework", "reason": "the run was stopped"}
    return record


def simulated() -> Record:
    """A good motor of the simulated bench; nothing may be released."""
    record = as_left() | {"number": "SIM-000012", "kind": "simulated", "clock": "stepped"}
    record["bench"] |= {"simulated": True, "name": "simulated", "place": "in this computer"}
    record["disposition"] |= {"proposed": None, "reason": "simulated run: it can never be released"}
    return record


def training() -> Record:
    """A run made for practice on a real bench."""
    record = as_left() | {"number": "TRN-000003", "kind": "training"}
    record["disposition"] |= {"proposed": None, "reason": "training run: it can never be released"}
    return record


def windings_only() -> Record:
    """A motor with a resolver: its windings are tested, its feedback is not."""
    record = _base("PM-000140", "production", "as-left", AS_LEFT_OFFSETS)
    feedback = ("timing", "encoder", "sensors", "wiring")
    for f in record["findings"]:
        if f["group"] in feedback:
            f |= {"value": None, "u": None, "text": None, "conformity": "not measured", "budget": [],
                  "maker_value": None, "reason": "the motor's feedback kind (resolver) is not covered"}  # fmt: skip
    record |= {"pairings": None, "wiring": None, "as_found_record": None}
    record["pictures"] = {"traces": [], "dial": {"edges": []}}
    record["disposition"] = {"proposed": "rework", "would_be": "rework", "reason": "offset of H1: not measured"}
    return record


def hostile() -> Record:
    """Every text a person can type tries to break out of the page, of its style and of the reading direction."""
    attack = "</style></title><script>alert(1)</script><img src=x onerror=alert(2)>\"'\\}*/{{7*7}}\u202egnihton\x07"

    def spoiled(value: Any, key: str = "") -> Any:
        if isinstance(value, dict):
            return {k: spoiled(v, k) for k, v in value.items()}
        if isinstance(value, list):
            return [spoiled(v, key) for v in value]
        return f"{value}{attack}" if isinstance(value, str) and value and key not in _MACHINE_KEYS else value

    spoilt: Record = spoiled(copy.deepcopy(nonconforming()))
    spoilt["motor"]["nameplate"][attack] = attack
    return spoilt


_MACHINE_KEYS = {
    "format", "kind", "stage", "outcome", "started_utc", "ended_utc", "zone", "sensor", "pair", "edge", "group",
    "conformity", "calibration_due", "role", "as_found_record",
}  # fmt: skip

ALL: dict[str, Callable[[], Record]] = {
    make.__name__: make
    for make in (as_found, as_left, nonconforming, stopped, simulated, training, windings_only, hostile)
}
