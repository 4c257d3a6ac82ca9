"""The checker of the fault campaign finds each kind of unsafe run, and shares no code with what it judges."""

import ast
import hashlib
import json
import sqlite3
from pathlib import Path
from typing import Any

import fault_checker
import pytest
from fault_checker import (
    Entry,
    Event,
    LogReader,
    energised,
    entries,
    judge,
    left_on,
    record_problems,
    reported,
    store_problems,
)


def at(t_s: float, what: str, value: Any, rpm: float = 120.0) -> Event:
    return {"t_s": t_s, "what": what, "value": value, "speed_rpm": rpm}


FED = [at(0.0, "spin supply live", True, 0.0), at(0.0, "spin motor fed", 1, 0.0)]
OFF = "spin motor fed"


def test_it_imports_nothing_of_ours() -> None:
    tree = ast.parse(Path(fault_checker.__file__).read_text(encoding="utf-8"))
    names = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    names |= {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    ours = {path.parent.name for path in Path(__file__).parents[2].glob("*/__init__.py")}
    assert ours == {"station", "drivers", "analysis", "db", "safety"}
    assert not {name.split(".")[0] for name in names} & ours


SIGNS = [
    at(1.0, "input drive_end_guard", False),
    at(1.0, "input stop_circuit", False),
    at(1.0, "reply spoiled", "inputs silent"),
    at(1.0, "note", "shows: spin supply: hung"),
    at(1.0, "fault", "standstill contact stuck: on"),
    at(1.0, "fault", "unit shorted: on"),
    at(1.0, "overspeed_ok", False),
]


@pytest.mark.parametrize("sign", SIGNS, ids=[f"{s['what']} {s['value']}" for s in SIGNS])
def test_a_drive_that_stays_on_after_a_sign_is_found_and_timed(sign: Event) -> None:
    in_time = judge([*FED, sign, at(1.3, OFF, 0)])
    assert in_time.problems == []
    assert in_time.worst_s == pytest.approx(0.3)
    (late,) = judge([*FED, sign, at(1.301, OFF, 0)]).problems
    assert "301 ms; allowed: 300 ms" in late
    (never,) = judge([*FED, sign]).problems
    assert "the drive stayed on" in never


def test_a_sign_while_nothing_is_driven_has_no_deadline() -> None:
    assert judge([at(1.0, "input stop_circuit", False, 0.0)]).worst_s is None
    assert judge([*FED, at(0.5, OFF, 0), at(1.0, "input stop_circuit", False)]).problems == []


def test_a_lost_brake_and_another_adapter_are_signs_where_they_were_right_before() -> None:
    brake = [at(0.0, "brake supply live", True), at(0.0, "contact brake", True)]
    assert judge([*brake, *FED, at(1.0, "contact brake", False), at(2.0, OFF, 0)]).problems
    assert judge([*FED, at(1.0, "contact brake", False), at(2.0, OFF, 0)]).problems == []
    adapter = at(0.0, "input adapter_code", 18)
    assert judge([adapter, *FED, at(1.0, "input adapter_code", 19), at(2.0, OFF, 0)]).problems


def test_a_supply_that_stays_on_is_a_sign_from_the_command_on() -> None:
    stuck = [*FED, at(0.5, "fault", "supply stuck on: on"), at(1.0, "spin supply output", False)]
    assert judge([*stuck, at(1.2, OFF, 0)]).worst_s == pytest.approx(0.2)
    assert judge([*stuck, at(1.4, OFF, 0)]).problems


def test_a_dead_station_is_held_to_the_dead_man_relay_alone() -> None:
    drop = [at(1.45, "deadman_ok", False), at(1.45, "last kick", 1.0)]
    sign = at(1.0, "reply spoiled", "inputs silent")
    good = judge([*FED, sign, *drop, at(1.45, OFF, 0)], station_dead=True)
    assert (good.problems, good.worst_s, good.deadline_s) == ([], pytest.approx(0.45), 0.5)
    (late,) = judge([*FED, *drop, at(1.6, OFF, 0)], station_dead=True).problems
    assert "600 ms; allowed: 500 ms" in late
    (unknown,) = judge([*FED, drop[0], at(1.5, OFF, 0)], station_dead=True).problems
    assert "nobody knows" in unknown


def test_a_change_of_direction_while_turning_is_found() -> None:
    against = [*FED, at(1.0, OFF, 0), at(1.1, "spin motor fed", -1, 60.0)]
    assert "driven against its turning" in judge(against).problems[0]
    assert judge([*FED, at(1.0, OFF, 0), at(3.0, "spin motor fed", -1, 0.5)]).problems == []
    under_drive = [*FED, at(1.0, "contact spin_reverse", True)]
    assert "moved under drive" in judge(under_drive).problems[0]
    # The moment in which a fault is put on is the fault's own doing.
    assert judge([*FED, at(1.0, "fault", "spin_reverse welded: on"), *under_drive[2:]]).problems == []


def test_a_second_winding_pair_is_found_and_a_weld_alone_is_not() -> None:
    first = [at(0.0, "relay pair_U-V", True), at(0.0, "contact pair_U-V", True)]
    (said,) = judge([*first, at(1.0, "relay pair_V-W", True)]).problems
    assert said == "relay pair_V-W commanded closed while U-V was connected"
    broken = [*first, at(0.5, "relay pair_U-V", False), at(0.5, "contact pair_U-V", False)]
    assert judge([*broken, at(1.0, "relay pair_V-W", True)]).problems == []
    assert judge([*first, at(1.0, "fault", "pair_V-W welded: on"), at(1.0, "contact pair_V-W", True)]).problems == []


def test_what_is_left_on_is_found_unless_it_is_beyond_reach() -> None:
    events = [at(0.0, "sensor supply live", True), at(0.0, "contact pair_U-V", True), at(1.0, "standstill", True, 0.0)]
    assert left_on(events) == ["sensor supply live", "contact pair_U-V"]
    assert left_on(events, {"contact pair_U-V"}) == ["sensor supply live"]
    # Nothing excuses a drive or a shaft.
    assert left_on(FED, {"spin supply live", "spin motor fed"}) == ["spin motor fed"]
    assert left_on([at(1.0, "contactor", False, 50.0)]) == ["the shaft turns at 50 rpm"]
    assert energised([at(0.0, "spin supply output", True), at(1.0, "sensor supply output", False)]) == [
        "spin supply output"
    ]


def entry(kind: str, document: dict[str, Any]) -> Entry:
    content = json.dumps(document).encode()
    return Entry(kind, content, hashlib.sha256(b"\0" + content).digest())


WHOLE = {"outcome": "complete", "stop_reason": None, "steps": [{"name": "a", "outcome": "done"}]}


def test_an_earlier_entry_that_changed_and_a_half_record_are_found() -> None:
    one, two = entry("started", {"number": "1"}), entry("record", WHOLE)
    assert store_problems([one], [one, two]) == []
    assert store_problems([one], [two]) == ["an earlier entry of the ledger has changed or is gone"]
    assert store_problems([one, two], [one]) == ["an earlier entry of the ledger has changed or is gone"]
    assert store_problems([], [Entry(two.kind, two.content, bytes(32))]) == ["entry 0 does not hash to its leaf"]
    assert record_problems(WHOLE | {"steps": [{"name": "a", "outcome": "failed"}]})
    assert record_problems(WHOLE | {"steps": []})
    assert record_problems({"outcome": "stopped", "stop_reason": ""})
    assert record_problems({"outcome": "stopped", "stop_reason": "stop circuit: open"}) == []


def test_what_a_record_says_of_its_failed_rest_is_read() -> None:
    failed = [
        {"row": row, "reaction": "going to rest failed in this step"} for row in ("spin supply off", "spin relays open")
    ]
    assert reported({"interlock_events": failed}) == {"spin supply live", "contact spin_on"}
    assert reported({"interlock_events": [{"row": "spin supply off", "reaction": "stop category 0"}]}) == set()


def test_a_log_is_read_as_it_grows_and_a_torn_line_waits(tmp_path: Path) -> None:
    path = tmp_path / "bench.log"
    reader = LogReader(path)
    assert reader.all() == []
    path.write_text('{"a": 1}\n{"a"', encoding="utf-8")
    assert reader.all() == [{"a": 1}]
    path.write_text('{"a": 1}\n{"a": 2}\n', encoding="utf-8")
    assert reader.all() == [{"a": 1}, {"a": 2}]


def test_entries_are_read_from_the_file_in_order(tmp_path: Path) -> None:
    path = tmp_path / "records.db"
    assert entries(path) == []
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE entries (position INTEGER, kind TEXT, content BLOB, leaf BLOB)")
        connection.executemany("INSERT INTO entries VALUES (?, ?, ?, ?)", [(1, "b", b"2", b""), (0, "a", b"1", b"")])
    connection.close()
    assert [e.kind for e in entries(path)] == ["a", "b"]
