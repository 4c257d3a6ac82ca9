"""The parts of a sheet that need more than printing: what stands in its bands, rows and marks, all as text.

Nothing is measured, judged or computed here: a sheet shows what the record says.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from station.formatting import at_place_of, fact, local_date, number, plain, quantity, unit_sign, with_uncertainty

Record = Mapping[str, Any]

TITLES = {
    "as-found": "As found: the motor on receipt, before anything is loosened",
    "setting": "Setting: the feedback unit turned to its timing",
    "as-left": "As left: proof after the last screw",
    "station-check": "Station check: the station proves itself on a check standard",
}
GROUPS = {
    "timing": "Timing of the sensors",
    "pairings": "Pairings of sensors and winding pairs",
    "wiring": "Wiring of sensors and windings",
    "encoder": "Encoder",
    "sensors": "Electrical state of the sensors",
    "windings": "Windings",
    "mechanics": "Mechanics",
    "checks": "Checks of the measurement",
}
CONFORMITIES = ("nonconforming", "undecided", "not measured", "conforming")
FOR_INFORMATION = "no limit"
DETAIL_DIGITS = 3
PAIRS = ("U-V", "V-W", "W-U")
_TURNS = {"CW": "clockwise", "CCW": "counter-clockwise"}
_TURNING_KEYS = ("turn_deg_mech", "body_from_drive_end", "body_from_rear")

DISPOSITIONS = ("release", "release under concession", "rework", "quarantine", "scrap", "return unrepaired")


@dataclass(frozen=True, slots=True)
class Band:
    """A notice across the whole sheet; `word` is repeated on every printed page."""

    word: str
    text: str


@dataclass(frozen=True, slots=True)
class FindingRow:
    """One finding as printed; `limit_source` is a number in the list of sources, `worded` a verdict without number."""

    label: str
    worded: bool
    value: str
    u: str
    unit: str
    limits: str
    limit_source: int | None
    conformity: str
    reason: str
    maker: str
    before: str
    change: str
    significance: str
    detail: str
    probability: str


@dataclass(frozen=True, slots=True)
class FindingGroup:
    """The findings of one group."""

    title: str
    rows: tuple[FindingRow, ...]


@dataclass(frozen=True, slots=True)
class Pairing:
    """One cell of the pairing table."""

    own: bool
    nominal: str
    cw: tuple[str, str]
    ccw: tuple[str, str]


def bands(record: Record, amendments: Sequence[Mapping[str, Any]]) -> list[Band]:
    """Return the notices that no reader may miss, the gravest first."""
    kind, found = record["kind"], []
    if kind == "simulated" or (record["bench"]["simulated"] and kind == "production"):
        found.append(Band("SIMULATED", "No real motor was tested. The numbers come from a simulated bench."))
    if kind == "training":
        simulated = " on a simulated bench" if record["bench"]["simulated"] else ""
        found.append(Band("TRAINING", f"Made for practice{simulated}. It decides nothing about a motor."))
    if kind == "analysis":
        found.append(
            Band(
                "SAVED CAPTURES",
                "Worked out from captures saved elsewhere, by a description. No motor is released by it.",
            )
        )
    if any(a.get("kind") == "void" for a in amendments):
        found.append(Band("VOID", "This record does not count. Who declared it void, and why, stands below."))
    elif amendments:
        found.append(Band("AMENDED", "This record was amended later. What changed, and why, stands below."))
    if record["outcome"] == "stopped":
        found.append(Band("STOPPED", f"The run did not reach its end: {record['stop_reason'] or 'no reason recorded'}"))
    if record["approved"] is False:
        found.append(
            Band(
                "UNAPPROVED", "A sequence, motor type, adapter, bench or interlock table was used that is not approved."
            )
        )
    return found


def heading(record: Record) -> str:
    """Return the title by stage; a stopped run never bears the name of the proof it did not give."""
    title = TITLES.get(record["stage"], str(record["stage"]))
    return (
        title if record["outcome"] == "complete" else f"Stopped run ({title.partition(':')[0].lower()}, not finished)"
    )


def _limits(finding: Record) -> str:
    lower, upper = finding["lower"], finding["upper"]
    if lower is None and upper is None:
        return ""
    if upper is None:
        return f"at least {number(lower)}"
    return f"at most {number(upper)}" if lower is None else f"{number(lower)} to {number(upper)}"


def _value(finding: Record) -> tuple[str, str]:
    if finding["value"] is None:
        return finding["text"] or "", ""
    value, u = with_uncertainty(finding["value"], finding["u"])
    return (f"{value} ({finding['text']})" if finding["text"] else value), u


def _before(finding: Record, as_found: Record | None) -> tuple[str, str, str]:
    """Return the value as found, the change since and its significance; the sheet itself subtracts nothing."""
    compared, u = finding["compared"], finding["u"]
    if compared is None:
        same = [f for f in (as_found["findings"] if as_found else ()) if f["name"] == finding["name"]]
        return (_value(same[0])[0] or "not measured", "", "") if same else ("", "", "")
    before = "not measured" if compared["value"] is None else at_place_of(compared["value"], u)
    change = "" if compared["change"] is None else at_place_of(compared["change"], u)
    sign = "+" if change and (compared["change"] or 0) > 0 else ""
    note = compared["significance"]
    return before, f"{sign}{change}", f"{number(note, digits=2)} u" if isinstance(note, int | float) else (note or "")


def limit_sources(record: Record) -> list[str]:
    """Return every source of a limit once, in the order of the findings; the sheet refers to them by number."""
    return list(dict.fromkeys(_source(f) for f in record["findings"] if _limits(f)))


def _source(finding: Record) -> str:
    return finding["limit_source"] or "no source stated"


def _row(finding: Record, as_found: Record | None, sources: Sequence[str]) -> FindingRow:
    value, u = _value(finding)
    before, change, significance = _before(finding, as_found)
    maker = finding["maker_value"]
    limits = _limits(finding)
    return FindingRow(
        label=finding["label"][:1].upper() + finding["label"][1:],
        worded=finding["value"] is None,
        value=value,
        u=u,
        unit=unit_sign(finding["unit"]),
        limits=limits,
        limit_source=sources.index(_source(finding)) + 1 if limits else None,
        conformity=finding["conformity"] or FOR_INFORMATION,
        reason=finding["reason"] or "",
        maker="" if maker is None else quantity(maker, finding["maker_unit"]),
        before=before,
        change=change,
        significance=significance,
        detail=_detail(finding),
        probability=_probability(finding),
    )


def _probability(finding: Record) -> str:
    """Return how likely the true value lies within the limits, where the finding itself is not decided."""
    likely = finding.get("probability")
    return (
        ""
        if likely is None or finding["conformity"] != "undecided"
        else f"{100 * likely:.0f} % likely within the limits"
    )


def _detail(finding: Record) -> str:
    """Return the figures behind a finding, one after the other; records made before there were any have none."""
    figures = [(d["what"], d["value"], d["unit"]) for d in finding.get("detail", ())]
    known = [
        (what, number(value, digits=DETAIL_DIGITS), unit_sign(unit))
        for what, value, unit in figures
        if value is not None
    ]
    return "; ".join(f"{what}: {text} {sign}".rstrip() for what, text, sign in known)


def error_rows(errors: Mapping[str, float]) -> list[tuple[str, str]]:
    """Return the instruments' standard uncertainties as label and text."""
    units = {"scope_skew": "s", "thermometer": "K"}
    return [
        (name.replace("_", " "), quantity(value, units.get(name, "percent")))
        for name, value in errors.items()
        if name != "supply_current"
    ]


def finding_groups(record: Record, as_found: Record | None) -> list[FindingGroup]:
    """Return the findings that decide in their groups, those of the job's purpose first; all where nothing has limits."""
    return _grouped(record, as_found, [f for f in record["findings"] if _decides(f, record)])


def further_groups(record: Record, as_found: Record | None) -> list[FindingGroup]:
    """Return the findings that inform and decide nothing, in their groups."""
    return _grouped(record, as_found, [f for f in record["findings"] if not _decides(f, record)])


def _decides(finding: Record, record: Record) -> bool:
    return finding["conformity"] is not None or not any(_limits(f) for f in record["findings"])


def _grouped(record: Record, as_found: Record | None, findings: Sequence[Record]) -> list[FindingGroup]:
    sources = limit_sources(record)
    named = [*GROUPS, *sorted({f["group"] for f in findings} - set(GROUPS))]
    rows = {name: tuple(_row(f, as_found, sources) for f in findings if f["group"] == name) for name in named}
    return [FindingGroup(GROUPS.get(name, name), rows[name]) for name in named if rows[name]]


def tally(record: Record) -> list[tuple[str, int, list[str]]]:
    """Return how many findings are nonconforming, undecided, not measured and conforming, with their labels."""
    by_conformity = [(c, [f["label"] for f in record["findings"] if f["conformity"] == c]) for c in CONFORMITIES]
    return [(c, len(labels), labels) for c, labels in by_conformity]


def pairing_table(record: Record) -> list[tuple[str, list[Pairing | None]]]:
    """Return one row per sensor, one cell per winding pair; None where a pairing was not recorded."""
    rows = (record["pairings"] or {"rows": []})["rows"]
    at = {(row["sensor"], row["pair"]): row for row in rows}
    sensors = sorted({row["sensor"] for row in rows})
    return [(s, [_pairing(at[s, p]) if (s, p) in at else None for p in PAIRS]) for s in sensors]


def _pairing(row: Record) -> Pairing:
    nominal = row["nominal_deg_el"]
    cw, ccw = (
        ("not measured", "") if d is None else with_uncertainty(d["value"], d["u"]) for d in (row["CW"], row["CCW"])
    )
    return Pairing(bool(row["own"]), "" if nominal is None else number(nominal), cw, ccw)


def turning_words(record: Record) -> str:
    """Return the way to turn the loosened feedback body in words, both viewing ends named; empty if none is recorded."""
    correction = record["correction"]
    if not correction or correction["turn_deg_mech"] is None:
        return ""
    front, rear = correction["body_from_drive_end"], correction["body_from_rear"]
    turn = quantity(abs(correction["turn_deg_mech"]), "deg_mech")
    return (
        f"Turn the loosened feedback body {turn} {_TURNS.get(front, front)} ({front}) as seen from the drive end, "
        f"which is {_TURNS.get(rear, rear)} ({rear}) as seen from the rear, the feedback end."
    )


def other_facts(facts: Mapping[str, Any], leave_out: Sequence[str] = _TURNING_KEYS) -> list[tuple[str, str]]:
    """Return the facts of a mapping as label and text, in the order of their names: the stored form has no other."""
    return [fact(name, facts[name]) for name in sorted(facts) if name not in leave_out]


def calibration(due: str | None, record: Record) -> tuple[str, bool]:
    """Return the due date as printed and whether it had passed when the run began; a missing date is overdue too."""
    if due is None:
        return "no date stated", True
    return due, date.fromisoformat(due) < date.fromisoformat(local_date(record["started_utc"], record["zone"]))


def clock_words(record: Record) -> str:
    """Say whether a time source held the station's clock; records made before that was noted do not tell."""
    state = record.get("time_sync") or {"state": "not known", "most_off_s": None}
    most = state["most_off_s"]
    return str(state["state"]) + (f", at most {quantity(most, 's')} off" if most is not None else "")


def fact_label(name: str) -> str:
    """Return the words of a fact's name, its unit in brackets: one heading serves every row below it."""
    label, text = fact(name, 1)
    sign = text.partition("\N{NO-BREAK SPACE}")[2]
    return f"{label} ({sign})" if sign else label


def round_columns(rounds: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return every name that occurs in the setting rounds, the number of the round first."""
    return sorted({name for r in rounds for name in r}, key=lambda name: (name != "round", name))


def steps_not_done(record: Record) -> list[Record]:
    """Return the steps that failed or were skipped."""
    return [s for s in record["steps"] if s["outcome"] != "done"]


def edge_rows(record: Record) -> list[tuple[str, str, str, str, str]]:
    """Return sensor, edge, pair, angle and nominal angle of every edge on the dial."""
    return [
        (
            e["sensor"],
            e["edge"],
            plain(e["pair"]),
            f"{e['angle_deg_el']:.2f}".replace("-", "\N{MINUS SIGN}"),
            "" if e["nominal_deg_el"] is None else number(e["nominal_deg_el"]),
        )
        for e in record["pictures"]["dial"]["edges"]
    ]


def may_be_decided(record: Record) -> list[str]:
    """Return the dispositions a person can choose from on this sheet.

    Only a real, complete proof as left can release a motor, and with a nonconforming finding under concession only.
    """
    real = record["kind"] == "production" and not record["bench"]["simulated"]
    if not real or record["stage"] != "as-left" or record["outcome"] != "complete":
        return list(DISPOSITIONS[2:])
    failed = any(f["conformity"] == "nonconforming" for f in record["findings"])
    return list(DISPOSITIONS[1:] if failed else DISPOSITIONS)
