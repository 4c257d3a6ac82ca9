"""Judges a run by the bench's own log and by what the store holds, sharing no code with what it judges.

It reads the event log of the simulated bench (one JSON line an event) and the entries of the SQLite file with the
standard library alone. What it looks for is written here a second time, on purpose.
"""

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

OFF_WITHIN_S = 0.300
"""From a fault showing at an input or output of the bench to the spin supply being off."""
SILENCE_WITHIN_S = 0.500
"""From the last kick to the dead-man relay having dropped the drive."""
STILL_RPM = 2.0
CLOSED_INPUTS = ("input stop_circuit", "input drive_end_guard", "input feedback_end_guard", "input motor_clamp",
                 "input winding_adapter_present")  # fmt: skip
PAIRS = ("U-V", "V-W", "W-U")
SHOWING_AT_ONCE = ("sensor supply sags: on", "unit shorted: on")
"""Faults of the simulated bench that change what a supply measures from the moment they are put on."""
SURELY_TURNING_RPM = 35.0
"""Slower than this a shaft that stands cannot be told from a standstill relay that is stuck."""

Event = Mapping[str, Any]


@dataclass(slots=True)
class Verdict:
    """What was wrong, and the longest time from a sign to the drive being off with the deadline it had [s]."""

    problems: list[str] = field(default_factory=list)
    worst_s: float | None = None
    deadline_s: float = OFF_WITHIN_S

    def took(self, what: str, since_s: float, off_s: float | None, deadline_s: float) -> None:
        """Note how long the drive stayed on after a sign."""
        if off_s is None:
            self.problems.append(f"{what} at {since_s:.3f} s: the drive stayed on")
            return
        # The log counts whole microseconds.
        length_s = round(off_s - since_s, 6)
        if self.worst_s is None or length_s / deadline_s > self.worst_s / self.deadline_s:
            self.worst_s, self.deadline_s = length_s, deadline_s
        if length_s > deadline_s:
            self.problems.append(
                f"{what}: drive off after {1000 * length_s:.0f} ms; allowed: {1000 * deadline_s:.0f} ms"
            )


@dataclass(slots=True)
class LogReader:
    """Reads a bench's log file as it grows; a last line that is not whole yet is left for later."""

    path: Path
    events: list[Event] = field(default_factory=list)
    _read_bytes: int = 0

    def all(self) -> list[Event]:
        """Return every event so far."""
        if self.path.exists():
            with self.path.open("rb") as file:
                file.seek(self._read_bytes)
                new = file.read()
            whole = new[: new.rfind(b"\n") + 1]
            self._read_bytes += len(whole)
            self.events += [json.loads(line) for line in whole.splitlines()]
        return self.events


@dataclass(slots=True)
class _Bench:
    """The bench as its log says it is, event after event."""

    now: dict[str, Any] = field(default_factory=dict)
    faults: set[str] = field(default_factory=set)
    fault_s: float = -1.0
    """When a fault was put on or taken off last."""

    def value(self, what: str, default: Any) -> Any:
        return self.now.get(what, default)

    @property
    def fed(self) -> int:
        return int(self.value("spin motor fed", 0))

    @property
    def stuck_on(self) -> bool:
        return "supply stuck on" in self.faults

    def take(self, event: Event) -> None:
        """Let an event change the picture."""
        self.now[event["what"]] = event["value"]
        if event["what"] == "fault":
            name, _, state = str(event["value"]).rpartition(": ")
            (self.faults.add if state == "on" else self.faults.discard)(name)
            self.fault_s = float(event["t_s"])

    @property
    def pairs(self) -> list[str]:
        return [pair for pair in PAIRS if self.value(f"contact pair_{pair}", False)]


def judge(events: Sequence[Event], *, station_dead: bool = False, both_ways_off_lost: bool = False) -> Verdict:
    """Judge a whole log: times, direction, winding pairs.

    Parameters
    ----------
    station_dead
        The station's process was killed or stopped, so the dead-man relay alone takes the drive away.
    both_ways_off_lost
        Neither the spin supply's output nor its relay can be switched off by the station: the same.
    """
    verdict, bench = Verdict(), _Bench()
    signs = {} if station_dead or both_ways_off_lost else _signs_while_fed(events)
    for since_s, what in signs.items():
        verdict.took(what, since_s, _first_off_s(events, since_s), OFF_WITHIN_S)
    _judge_dead_man(events, verdict)
    for event in events:
        _judge_direction(event, bench, verdict)
        _judge_pairs(event, bench, verdict)
        bench.take(event)
    return verdict


def _signs_while_fed(events: Sequence[Event]) -> dict[float, str]:
    """Every moment at which something shows that should end the spin, while the spin motor is fed."""
    bench, signs = _Bench(), {}
    for event in events:
        if bench.fed and (sign := _sign(event, bench)):
            signs.setdefault(event["t_s"], sign)
        if bench.fed and event["what"] == "spin supply output" and not event["value"] and bench.stuck_on:
            signs.setdefault(event["t_s"], "switched off, and the supply stays on")
        bench.take(event)
    return signs


def _sign(event: Event, bench: _Bench) -> str:
    what, value = event["what"], event["value"]
    if what == "contact brake" and not value and bench.value("brake supply live", False):
        return "brake current lost"
    if what == "input adapter_code" and what in bench.now:
        return "another adapter"
    if what == "fault" and value == "standstill contact stuck: on" and abs(event["speed_rpm"]) > SURELY_TURNING_RPM:
        return str(value)
    if what in CLOSED_INPUTS and not value:
        return f"{what.removeprefix('input ')} open"
    if what in ("deadman_ok", "overspeed_ok") and not value:
        return f"{what} dropped"
    if what == "reply spoiled":
        return f"reply spoiled by {value}"
    if what == "note" and str(value).startswith("shows: "):
        return str(value).removeprefix("shows: ")
    return str(value) if what == "fault" and value in SHOWING_AT_ONCE else ""


def _first_off_s(events: Iterable[Event], since_s: float) -> float | None:
    """When, at or after a moment, the drive was off: no output, no relay, or no contactor between supply and motor."""
    bench = _Bench()
    for event in events:
        bench.take(event)
        if event["t_s"] >= since_s and not bench.fed:
            return float(event["t_s"])
    return None


def _judge_dead_man(events: Sequence[Event], verdict: Verdict) -> None:
    """Every drop of the dead-man relay comes in time after the last kick, and takes the drive away with it."""
    bench = _Bench()
    for index, event in enumerate(events):
        if event["what"] == "deadman_ok" and not event["value"] and bench.fed:
            kick = next((e for e in events[index:] if e["what"] == "last kick"), None)
            if kick is None:
                verdict.problems.append("the dead-man relay dropped and nobody knows when it was kicked last")
            else:
                off_s = _first_off_s(events, event["t_s"])
                verdict.took("silence of the station", float(kick["value"]), off_s, SILENCE_WITHIN_S)
        bench.take(event)


def _judge_direction(event: Event, bench: _Bench, verdict: Verdict) -> None:
    rpm = float(event["speed_rpm"])
    # What a fault does in the moment it is put on is not the station's doing; what comes of it is.
    if event["t_s"] == bench.fault_s:
        return
    if event["what"] == "contact spin_reverse" and bench.fed and event["value"] != bench.value(event["what"], False):
        verdict.problems.append(f"the reversing relay moved under drive at {event['t_s']:.3f} s")
    elif event["what"] == "spin motor fed" and event["value"] and rpm * event["value"] < -STILL_RPM:
        verdict.problems.append(f"driven against its turning at {rpm:.0f} rpm, {event['t_s']:.3f} s")


def _judge_pairs(event: Event, bench: _Bench, verdict: Verdict) -> None:
    """A relay that welds is a fault; one that is commanded closed while another is closed is the station's doing."""
    name = str(event["what"])
    if name.startswith("relay pair_") and event["value"]:
        others = [pair for pair in bench.pairs if pair != name.removeprefix("relay pair_")]
        if others:
            verdict.problems.append(f"{name} commanded closed while {', '.join(others)} was connected")


def left_on(events: Sequence[Event], beyond_reach: Iterable[str] = ()) -> list[str]:
    """Say what is still on at the end of a log.

    Parameters
    ----------
    beyond_reach
        Outputs that the station cannot command: the fault that was put on took their link, or the part itself.
    """
    last = {e["what"]: e["value"] for e in events}
    outputs = [f"{role} live" for role in ("spin supply", "sensor supply", "brake supply")]
    outputs += [f"contact pair_{pair}" for pair in PAIRS] + ["contact spin_on", "contact spin_reverse", "contact brake"]
    on = [what for what in outputs if last.get(what) and what not in beyond_reach]
    if last.get("spin motor fed"):
        on.append("spin motor fed")
    if events and abs(float(events[-1]["speed_rpm"])) > STILL_RPM:
        on.append(f"the shaft turns at {events[-1]['speed_rpm']:.0f} rpm")
    return on


def reported(record: Mapping[str, Any]) -> set[str]:
    """Return what a record itself says could not be switched off, by the names of the bench's log."""
    failed = {e["row"] for e in record["interlock_events"] if "going to rest failed" in str(e["reaction"])}
    out = {f"{row.removesuffix(' off')} live" for row in failed if row.endswith("supply off")}
    if "all relays open" in failed:
        out |= {"contact spin_reverse", "contact brake"}
    if "winding pair open" in failed:
        out |= {f"contact pair_{pair}" for pair in PAIRS}
    return out | ({"contact spin_on"} if "spin relays open" in failed else set())


def energised(events: Iterable[Event]) -> list[str]:
    """Return the outputs that were commanded on."""
    return [e["what"] for e in events if str(e["what"]).endswith(" output") and e["value"]]


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the ledger as it lies in the file."""

    kind: str
    content: bytes
    leaf: bytes

    @property
    def document(self) -> dict[str, Any]:
        """The entry's JSON."""
        found: dict[str, Any] = json.loads(self.content)
        return found


def entries(database: Path) -> list[Entry]:
    """Read every entry in order; none where there is no store yet."""
    if not database.exists():
        return []
    connection = sqlite3.connect(f"file:{database}?mode=ro", uri=True, timeout=10.0)
    try:
        rows = connection.execute("SELECT kind, content, leaf FROM entries ORDER BY position").fetchall()
        return [Entry(str(kind), bytes(content), bytes(leaf)) for kind, content, leaf in rows]
    finally:
        connection.close()


def store_problems(before: Sequence[Entry], after: Sequence[Entry]) -> list[str]:
    """Say what is wrong with a store: an entry that changed, one whose leaf is not its content's, a record half there."""
    problems = []
    if list(after[: len(before)]) != list(before):
        problems.append("an earlier entry of the ledger has changed or is gone")
    # RFC 6962, 2.1: the hash of a leaf is that of a zero byte and the entry.
    wrong = [i for i, e in enumerate(after) if hashlib.sha256(b"\x00" + e.content).digest() != e.leaf]
    problems += [f"entry {i} does not hash to its leaf" for i in wrong]
    for entry in after[len(before) :]:
        if entry.kind == "record":
            problems += record_problems(entry.document)
    return problems


def record_problems(record: Mapping[str, Any]) -> list[str]:
    """A record is whole with all its steps done, or it is stopped and says why; nothing between."""
    if record["outcome"] == "complete":
        undone = [s["name"] for s in record["steps"] if s["outcome"] != "done"]
        return [f"complete, though {', '.join(undone)} was not done"] if undone or not record["steps"] else []
    if record["outcome"] != "stopped" or not record["stop_reason"]:
        return [f"outcome {record['outcome']} without a reason"]
    return []


def records(found: Iterable[Entry]) -> list[dict[str, Any]]:
    """Return the documents of all records."""
    return [e.document for e in found if e.kind == "record"]
