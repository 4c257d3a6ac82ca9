"""The shipped interlock table is complete and consistent, and a bad table is refused with places."""

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from safety.interlock_reader import table_of
from safety.interlock_rows import Condition, Row, When
from safety.interlocks import SHIPPED, read_table
from safety.limits import LINK_TIMEOUT_S, SPIN_OFF_WITHIN_S
from safety.strict_yaml import YamlError, read_file, read_text

TABLE = read_table()
ROWS = {row.name: row for row in TABLE.rows}

# What the bench's contacts and the station's looks are called.
OBSERVATIONS = {
    "stop_circuit", "drive_end_guard", "feedback_end_guard", "motor_clamp", "enabling_device", "setting_selector",
    "standstill", "overspeed_ok", "deadman_ok", "winding_adapter_present", "adapter_matches", "mirror_fault",
    "instruments_answer", "commands_obeyed", "standstill_plausible", "spin_current_gone", "direction_agrees", "spin_current_a", "spin_voltage_v", "spin_speed_rpm", "sensor_current_a",
    "sensor_voltage_v", "brake_current_a", "emf_peak_v", "winding_temperature_c",
}  # fmt: skip


def test_every_row_watches_something_that_exists_and_everything_is_watched() -> None:
    assert {row.watch for row in TABLE.rows} == OBSERVATIONS


@pytest.mark.parametrize("mode", ["guarded", "setting", "static"])
def test_every_mode_watches_stop_instruments_mirrors_and_dead_man(mode: str) -> None:
    watched = {row.watch for row in TABLE.rows if mode in row.modes}
    assert {"stop_circuit", "instruments_answer", "mirror_fault", "deadman_ok", "overspeed_ok"} <= watched


def test_the_feedback_end_is_either_guarded_or_behind_enabling_device_and_selector() -> None:
    assert ROWS["feedback-end guard"].modes == ("guarded",)
    for name in ("enabling device", "selector on setting", "setting speed", "setting spin voltage"):
        assert ROWS[name].modes == ("setting",)
    assert {"guarded", "setting"} <= set(ROWS["drive-end guard"].modes)


def test_contacts_of_the_hardwired_chain_trip_when_they_cannot_be_seen() -> None:
    for name in (
        "stop circuit",
        "drive-end guard",
        "feedback-end guard",
        "enabling device",
        "overspeed relay",
        "dead-man relay",
    ):
        assert ROWS[name].silence_trips
        assert ROWS[name].condition is Condition.IS


@pytest.mark.parametrize("row", TABLE.rows, ids=lambda row: row.name)
def test_looks_debounce_and_switching_off_fit_into_every_deadline(row: Row) -> None:
    assert row.deadline_s <= SPIN_OFF_WITHIN_S
    # Counted in milliseconds, look by look: the break comes just after a look.
    look_ms = 100
    first_seen_ms = look_ms
    acting_ms = first_seen_ms
    while acting_ms - first_seen_ms < round(1000 * row.debounce_s):
        acting_ms += look_ms
    assert acting_ms + 1000 * LINK_TIMEOUT_S <= 1000 * row.deadline_s + 1e-6


def test_every_reaction_takes_the_power_at_once_and_a_person_resets() -> None:
    assert {(row.reaction, row.reset) for row in TABLE.rows} == {("0", "person")}


def test_standstill_is_asked_before_turning_alone() -> None:
    assert [row.name for row in TABLE.rows if row.when is When.BEFORE_TURNING] == ["standstill"]


GOOD = """\
modes: [guarded, setting]
thresholds:
  speed_rpm: {default: 60 rpm, given_by: bench, text: t}
rows:
  - row: one
    watch: contact
    is: closed
    debounce: 20 ms
    reaction: 0
    deadline: 300 ms
    reset: person
    hazard: H-01
    text: t
  - row: two
    modes: [setting]
    watch: shaft_rpm
    magnitude_below: speed_rpm
    only_if: {contact: open}
    while: turning
    silence: pass
    debounce: 0 ms
    reaction: 1
    deadline: 300 ms
    reset: person
    hazard: H-02
    text: t
"""


def test_a_row_is_read_as_written(tmp_path: Path) -> None:
    path = tmp_path / "t.yaml"
    path.write_text(GOOD)
    table = read_table(path)
    assert table.modes == ("guarded", "setting")
    one, two = table.rows
    assert (one.modes, one.condition, one.wanted, one.when, one.silence_trips, one.debounce_s) == (
        ("guarded", "setting"), Condition.IS, True, When.ALWAYS, True, pytest.approx(0.02),
    )  # fmt: skip
    assert (two.thresholds, two.only_if, two.silence_trips, two.reaction) == (
        ("speed_rpm",),
        (("contact", False),),
        False,
        "1",
    )


BAD = {
    "unknown key": ("    is: closed", "    ist: closed\n    is: closed", ":7:5: unknown key 'ist'; allowed: row, modes"),
    "key missing": ("    hazard: H-01\n", "", ":5:5: 'hazard' is missing"),
    "no condition": ("    is: closed\n", "", ":5:5: the row has 0 conditions; allowed: exactly one of is, below"),
    "two conditions": ("is: closed", "is: closed\n    below: 1 V", ":5:5: the row has 2 conditions"),
    "state": ("is: closed", "is: shut", ":7:9: is is 'shut'; allowed: closed, open"),
    "time without unit": ("debounce: 20 ms", "debounce: 20", ":8:15: debounce is '20'; allowed: a time"),
    "time in volts": ("debounce: 20 ms", "debounce: 20 V", ":8:15: debounce is '20 V'; allowed: a time"),
    "time below zero": ("debounce: 20 ms", "debounce: -20 ms", ":8:15: debounce is '-20 ms'; allowed: a time"),
    "reaction": ("reaction: 0", "reaction: 2", ":9:15: reaction is '2'; allowed: 0, 1"),
    "deadline too short": ("deadline: 300 ms", "deadline: 200 ms", ":8:15: looks, debounce and switching off take up to 300 ms"),
    "debounce too long": ("debounce: 20 ms", "debounce: 150 ms", "take up to 400 ms; allowed: at most the deadline, 300 ms"),
    "reset by itself": ("reset: person", "reset: automatic", ":11:12: reset is 'automatic'; allowed: person"),
    "hazard": ("hazard: H-01", "hazard: some", ":12:13: hazard is 'some'; allowed: a hazard of HAZARDS.md"),
    "text empty": ("text: t\n  - row: two", "text: ''\n  - row: two", ":13:11: text is empty; allowed: a text"),
    "row twice": ("row: two", "row: one", ":14:10: row 'one' stands twice"),
    "mode unknown": ("modes: [setting]", "modes: [fast]", ":15:12: modes is a list of 1; allowed: a list out of guarded"),
    "modes no list": ("modes: [setting]", "modes: setting", ":15:12: modes is 'setting'"),
    "threshold unknown": ("below: speed_rpm", "below: sped_rpm", ":17:22: magnitude_below is 'sped_rpm'; allowed: a quantity in rpm, or one of: speed_rpm"),
    "threshold in other unit": ("below: speed_rpm", "below: 3 V", ":17:22: magnitude_below is '3 V'; allowed: a quantity in rpm"),
    "limit for a contact": ("is: closed", "below: 3 V", ":7:12: below is '3 V'; allowed: a watched name that carries its unit"),
    "two thresholds": ("below: speed_rpm", "below: [1 rpm, 2 rpm]", ":17:22: magnitude_below has 2 thresholds"),
    "only if": ("{contact: open}", "{contact: maybe}", ":18:14: only_if is a mapping; allowed: contacts with closed or open"),
    "while": ("while: turning", "while: idle", ":19:12: while is 'idle'; allowed: always, energised, before turning, turning"),
    "silence": ("silence: pass", "silence: golden", ":20:14: silence is 'golden'; allowed: trip, pass"),
    "default in other unit": ("default: 60 rpm", "default: 60 V", ":3:24: default is '60 V'; allowed: a quantity in rpm"),
    "giver": ("given_by: bench", "given_by: me", ":3:42: given_by is 'me'; allowed: bench, motor type"),
    "threshold no mapping": ("{default: 60 rpm, given_by: bench, text: t}", "60 rpm", ":3:14: speed_rpm is '60 rpm'"),
    "threshold unused": ("below: speed_rpm", "below: 5 rpm", ":3:14: threshold 'speed_rpm' is used by no row"),
    "row no mapping": ("  - row: two\n", "  - word\n  - row: two\n", ":14:5: a row is 'word'"),
    "no modes": ("modes: [guarded, setting]\n", "", ":1:1: no list of modes"),
    "unknown top key": ("modes: [guarded, setting]\n", "modes: [guarded, setting]\nmode: x\n", ":2:1: unknown key 'mode'"),
}  # fmt: skip


@pytest.mark.parametrize(("old", "new", "said"), BAD.values(), ids=BAD.keys())
def test_a_bad_table_is_refused_where_it_is_wrong(tmp_path: Path, old: str, new: str, said: str) -> None:
    path = tmp_path / "t.yaml"
    assert old in GOOD
    path.write_text(GOOD.replace(old, new, 1))
    with pytest.raises(YamlError) as caught:
        read_table(path)
    assert said in str(caught.value)


def test_all_problems_of_a_table_come_in_one_go(tmp_path: Path) -> None:
    path = tmp_path / "t.yaml"
    bad = (
        GOOD.replace("is: closed", "is: shut")
        .replace("hazard: H-02", "hazard: 2")
        .replace("silence: pass", "silence: x")
    )
    path.write_text(bad)
    with pytest.raises(YamlError) as caught:
        read_table(path)
    assert [p.line for p in caught.value.problems] == [7, 20, 25]


@pytest.mark.parametrize("text", ["- 1\n", "modes: 1\nrows: 2\nthresholds: 3\n", "rows: []\n", "word\n"])
def test_a_file_that_is_no_table_at_all_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "t.yaml"
    path.write_text(text)
    with pytest.raises(YamlError, match="no list of"):
        read_table(path)


@settings(max_examples=80, deadline=None)
@given(st.data())
def test_a_table_with_any_value_replaced_by_junk_is_read_or_refused_in_sentences(data: st.DataObject) -> None:
    lines = SHIPPED.read_text(encoding="utf-8").splitlines()
    starts = [i for i, line in enumerate(lines) if line.startswith("    ") and ": " in line]
    at = data.draw(st.sampled_from(starts))
    junk = data.draw(
        st.sampled_from(["", "[]", "[[1]]", "{}", "{a: {b: c}}", "3", "true", "word", "5 V", "[x, 1]", "'' "])
    )
    lines[at] = lines[at].split(": ")[0] + ": " + junk
    try:
        rows = table_of(read_text("\n".join(lines), "t")).rows
    except YamlError as error:
        told = [str(problem) for problem in error.problems]
        rows = TABLE.rows
    else:
        told = ["t:1:1: nothing; allowed: this"]
    # A table that is taken has lost no row; one that is refused says where and what is allowed.
    assert len(rows) == len(TABLE.rows)
    assert [line for line in told if not re.fullmatch(r"t:\d+:\d+: .+; allowed: .+", line)] == []
    assert told


def test_the_shipped_file_is_the_one_read() -> None:
    assert [row["row"] for row in read_file(SHIPPED).data["rows"]] == [row.name for row in TABLE.rows]
