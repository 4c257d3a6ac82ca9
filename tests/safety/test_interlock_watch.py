"""The interlock table judged on what is seen: every row holds, breaks, debounces and falls silent as it says."""

import math
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from safety.interlock_rows import Condition, Row
from safety.interlocks import RUNNING, Violation, Watch, When, going_on, read_table
from safety.states import State

TABLE = read_table()
ALL_WHILES = frozenset(When)
LIMITS = {
    "overspeed_rpm": 1000.0, "setting_overspeed_rpm": 66.0, "spin_current_limit_a": 5.0, "spin_voltage_limit_v": 34.0,
    "setting_spin_voltage_limit_v": 4.0, "sensor_current_limit_a": 0.2, "sensor_voltage_limit_v": 5.5,
    "sensor_voltage_min_v": 4.5, "brake_current_min_a": 0.3, "brake_current_max_a": 0.7, "touch_limit_v": 42.4,
    "winding_temperature_limit_c": 90.0,
}  # fmt: skip
GUARDED: dict[str, bool | float | None] = {
    "stop_circuit": True, "instruments_answer": True, "commands_obeyed": True, "standstill_plausible": True, "spin_current_gone": True, "mirror_fault": False, "overspeed_ok": True, "adapter_matches": True,
    "sensor_current_a": 0.05, "sensor_voltage_v": 5.0, "standstill": True, "drive_end_guard": True,
    "feedback_end_guard": True, "motor_clamp": True, "setting_selector": False, "enabling_device": False, "deadman_ok": True,
    "spin_speed_rpm": -400.0, "spin_current_a": 1.0, "spin_voltage_v": 12.0, "brake_current_a": 0.5,
    "winding_adapter_present": True, "direction_agrees": True, "winding_temperature_c": 40.0, "emf_peak_v": 90.0,
}  # fmt: skip
SOUND: dict[str, dict[str, bool | float | None]] = {
    "guarded": GUARDED,
    "setting": GUARDED
    | {"feedback_end_guard": False, "setting_selector": True, "enabling_device": True, "spin_speed_rpm": 55.0}
    | {"spin_voltage_v": 3.0, "emf_peak_v": 10.0},
    "static": GUARDED | {"spin_voltage_v": 0.0, "spin_speed_rpm": 0.0, "spin_current_a": 0.0},
}
"""A bench on which every row of the mode holds."""

PAIRS = [(mode, row) for mode, row in product(TABLE.modes, TABLE.rows) if mode in row.modes]
IDS = [f"{mode}: {row.name}" for mode, row in PAIRS]


def watch(mode: str) -> Watch:
    return Watch(TABLE, mode, LIMITS)


def context(mode: str, row: Row) -> dict[str, bool | float | None]:
    """A sound bench on which the row applies."""
    return SOUND[mode] | dict(row.only_if) | ({} if row.name != "EMF with guard open" else {"emf_peak_v": 10.0})


def breaking_values(row: Row) -> list[bool | float]:
    """Values just outside of what the row allows, written from the condition's meaning."""
    limits = [LIMITS[t] if isinstance(t, str) else t for t in row.thresholds]
    above, below = [math.nextafter(v, math.inf) for v in limits], [math.nextafter(v, -math.inf) for v in limits]
    outside: dict[Condition, list[bool | float]] = {
        Condition.IS: [not row.wanted],
        Condition.BELOW: above,
        Condition.ABOVE: below,
        Condition.WITHIN: [*below[:1], *above[1:]],
        Condition.MAGNITUDE_BELOW: [*above, *(-v for v in above)],
    }
    return outside[row.condition]


def names(violations: list[Violation]) -> list[str]:
    return [v.row.name for v in violations]


@pytest.mark.parametrize("mode", TABLE.modes)
def test_a_sound_bench_breaks_no_row(mode: str) -> None:
    assert watch(mode).look(0.0, SOUND[mode], ALL_WHILES) == []
    assert watch(mode).missing_permissives(SOUND[mode], ALL_WHILES) == []


@pytest.mark.parametrize(("mode", "row"), PAIRS, ids=IDS)
def test_every_row_acts_on_values_just_outside_after_its_debounce(mode: str, row: Row) -> None:
    for value in breaking_values(row):
        judging, seen = watch(mode), context(mode, row) | {row.watch: value}
        assert row.name in names(judging.missing_permissives(seen, ALL_WHILES))
        early = judging.look(8.0, seen, ALL_WHILES)
        assert (row.name in names(early)) is (row.debounce_s == 0)
        assert row.name in names(judging.look(8.0 + row.debounce_s * 1.01, seen, ALL_WHILES))


@pytest.mark.parametrize(("mode", "row"), PAIRS, ids=IDS)
def test_limits_themselves_are_allowed(mode: str, row: Row) -> None:
    for threshold in row.thresholds:
        value = LIMITS[threshold] if isinstance(threshold, str) else threshold
        seen = context(mode, row) | {row.watch: value}
        assert row.name not in names(watch(mode).missing_permissives(seen, ALL_WHILES))


@pytest.mark.parametrize(("mode", "row"), PAIRS, ids=IDS)
def test_silence_and_values_that_are_none_break_as_the_row_says(mode: str, row: Row) -> None:
    silent = context(mode, row) | {row.watch: None}
    absent = {k: v for k, v in silent.items() if k != row.watch}
    for seen in (silent, absent):
        assert (row.name in names(watch(mode).missing_permissives(seen, ALL_WHILES))) is row.silence_trips
    for wrong in (math.nan, math.inf) if row.condition is not Condition.ABOVE else (math.nan, -math.inf):
        seen = context(mode, row) | {row.watch: wrong}
        assert row.name in names(watch(mode).missing_permissives(seen, ALL_WHILES))


@pytest.mark.parametrize(("mode", "row"), PAIRS, ids=IDS)
def test_a_row_counts_only_while_it_should(mode: str, row: Row) -> None:
    seen = context(mode, row) | {row.watch: breaking_values(row)[0]}
    for whiles in (frozenset({w}) for w in When):
        counts = row.when is When.ALWAYS or row.when in whiles
        assert (row.name in names(watch(mode).missing_permissives(seen, whiles))) is counts


def test_a_row_of_another_mode_does_not_count() -> None:
    seen = GUARDED | {"feedback_end_guard": False, "emf_peak_v": 1.0}
    assert names(watch("guarded").missing_permissives(seen, RUNNING)) == ["feedback-end guard"]
    setting = SOUND["setting"] | {"enabling_device": False}
    assert names(watch("setting").missing_permissives(setting, RUNNING)) == ["enabling device"]


def test_emf_over_the_touch_limit_matters_with_the_guard_open_or_unknown_alone() -> None:
    seen = SOUND["setting"] | {"emf_peak_v": 43.0}
    assert names(watch("setting").look(0.0, seen)) == ["EMF with guard open"]
    assert watch("setting").look(0.0, seen | {"feedback_end_guard": True}) == []
    assert "EMF with guard open" in names(watch("setting").look(0.0, seen | {"feedback_end_guard": None}))


def test_a_bench_at_rest_with_open_guards_breaks_nothing_but_may_not_turn() -> None:
    seen = GUARDED | {"drive_end_guard": False, "feedback_end_guard": False, "motor_clamp": False, "emf_peak_v": None}
    assert watch("guarded").look(0.0, seen, going_on(State.AT_REST)) == []
    assert watch("guarded").look(0.0, seen, going_on(State.STARTING)) == []
    missing = names(watch("guarded").missing_permissives(seen, RUNNING | {When.BEFORE_TURNING}))
    assert missing == ["drive-end guard", "feedback-end guard", "motor clamp", "EMF with guard open"]


@pytest.mark.parametrize(
    ("state", "whiles"),
    [
        (State.AT_REST, set()),
        (State.STARTING, {When.ENERGISED}),
        (State.TURNING, {When.ENERGISED, When.TURNING}),
        (State.GOING_TO_REST, {When.ENERGISED, When.TURNING}),
        (State.TRIPPED, {When.ENERGISED, When.TURNING}),
    ],
)
def test_what_goes_on_follows_from_the_state(state: State, whiles: set[When]) -> None:
    assert going_on(state) == whiles


def test_a_look_without_word_of_what_goes_on_judges_as_turning() -> None:
    seen = GUARDED | {"drive_end_guard": False}
    judging = watch("guarded")
    judging.look(0.0, seen)
    assert names(judging.look(0.1, seen)) == ["drive-end guard"]


def test_chatter_shorter_than_the_debounce_does_not_act_and_a_good_look_starts_it_anew() -> None:
    judging, broken = watch("guarded"), GUARDED | {"drive_end_guard": False}
    assert judging.look(0.0, broken) == []
    assert judging.look(0.01, GUARDED) == []
    assert judging.look(0.02, broken) == []
    assert judging.look(0.035, broken) == []
    assert names(judging.look(0.0401, broken)) == ["drive-end guard"]


def test_a_row_that_stops_counting_forgets_its_debounce() -> None:
    judging, broken = watch("guarded"), GUARDED | {"drive_end_guard": False}
    assert judging.look(0.0, broken) == []
    assert judging.look(0.1, broken, frozenset()) == []
    assert judging.look(0.2, broken) == []


@pytest.mark.parametrize("now_s", [7.9, math.nan])
def test_a_time_that_cannot_be_buys_no_debounce(now_s: float) -> None:
    judging, broken = watch("guarded"), GUARDED | {"drive_end_guard": False}
    judging.look(8.0, broken)
    assert names(judging.look(now_s, broken)) == ["drive-end guard"]


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.sampled_from([0.005, 0.01, 0.02, 0.1]), st.booleans()), min_size=1, max_size=30))
def test_a_debounced_row_acts_exactly_when_broken_without_a_break_for_its_time(looks: list[tuple[float, bool]]) -> None:
    judging, now_s, since_s = watch("guarded"), 0.0, math.inf
    for passed_s, holds in looks:
        now_s += passed_s
        since_s = math.inf if holds else min(since_s, now_s)
        acts = judging.look(now_s, GUARDED | {"drive_end_guard": holds}) != []
        assert acts is (now_s - since_s >= 0.02)


@settings(max_examples=150, deadline=None)
@given(
    mode=st.sampled_from(TABLE.modes),
    seen=st.dictionaries(
        st.sampled_from(sorted(GUARDED)), st.none() | st.booleans() | st.floats() | st.integers(-9, 9), max_size=22
    ),
)
def test_whatever_is_seen_a_permissive_that_is_not_missing_was_seen_to_hold(
    mode: str, seen: dict[str, bool | float | None]
) -> None:
    missing = names(watch(mode).missing_permissives(seen, ALL_WHILES))
    for row in TABLE.rows:
        if mode in row.modes and row.silence_trips and not row.only_if and row.condition is Condition.IS:
            assert (row.name in missing) is (seen.get(row.watch) != row.wanted)


@pytest.mark.parametrize(
    ("mode", "row"),
    [p for p in PAIRS if p[1].thresholds],
    ids=[i for i, p in zip(IDS, PAIRS, strict=True) if p[1].thresholds],
)
def test_the_state_of_a_contact_is_no_measured_value(mode: str, row: Row) -> None:
    for state in (True, False):
        missing = watch(mode).missing_permissives(context(mode, row) | {row.watch: state}, ALL_WHILES)
        assert f"{row.watch} is {state}, which is no measured value" in [v.what for v in missing if v.row == row]


def test_a_violation_says_what_was_seen_and_what_is_allowed() -> None:
    seen = GUARDED | {"spin_speed_rpm": -1200.0, "stop_circuit": None, "motor_clamp": 7}
    said = {v.row.name: v.what for v in watch("guarded").missing_permissives(seen, RUNNING)}
    assert said == {
        "stop circuit": "stop_circuit was not to be had",
        "overspeed by back-EMF": "spin_speed_rpm is -1200; allowed: -1000 to 1000",
        "motor clamp": "motor_clamp is 7, which is no state of a contact",
    }


def test_defaults_hold_for_limits_that_are_not_given() -> None:
    judging = Watch(TABLE, "guarded")
    default = next(t.default for t in TABLE.thresholds if t.name == "overspeed_rpm")
    fast = GUARDED | {"spin_speed_rpm": math.nextafter(default, math.inf)}
    assert "overspeed by back-EMF" in names(judging.missing_permissives(fast, RUNNING))


def test_a_mode_or_limit_that_the_table_does_not_know_is_refused() -> None:
    with pytest.raises(ValueError, match="mode must be one of guarded, setting, static, got fast"):
        Watch(TABLE, "fast")
    with pytest.raises(ValueError, match=r"threshold must be one of overspeed_rpm, .*, got overspeed"):
        Watch(TABLE, "guarded", {"overspeed": 300.0})
    with pytest.raises(ValueError, match="threshold overspeed_rpm must be finite, got nan"):
        Watch(TABLE, "guarded", {"overspeed_rpm": math.nan})
