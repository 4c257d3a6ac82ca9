"""The 3 x 3 table, what belongs to what, and the closure; angles of references: star relation and six-step codes."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.pairings import (
    PAIR_ZERO_DEG_EL,
    PAIRS,
    SENSORS,
    Reading,
    as_array,
    belongings,
    both_directions,
    closure,
    closure_deg_el,
    figures,
    nominal_deg_el,
    own_offsets,
    pair_angles,
    sensor_angles_deg_el,
    tables_of,
)

OWN = dict(zip(SENSORS, PAIRS, strict=True))
HIGH = dict.fromkeys(SENSORS, 1)
ZERO = dict.fromkeys(SENSORS, 0.0)


def apart(first: float, second: float) -> float:
    """Distance on the circle, worked out without the code under test."""
    return abs(math.degrees(math.atan2(*(f(math.radians(first - second)) for f in (math.sin, math.cos)))))


def y(value: float, scatter: float = 0.01, systematic: float = 0.02) -> Estimate:
    lines = [BudgetLine("scatter", "A", scatter, 5), BudgetLine("window", "B", systematic)]
    return estimate(value, "deg_el", lines)


def test_the_zeros_of_the_pairs_follow_from_the_star() -> None:
    # Star, sequence U V W: v_uv leads v_u by 30 degrees (references 6.11); phasors, rotor angle as the argument.
    u, v, w = (np.exp(-1j * math.radians(a)) for a in (0, 120, 240))
    for pair, line in {"U-V": u - v, "V-W": v - w, "W-U": w - u}.items():
        # e = |line| sin(theta + arg(line)): rising zero at theta = -arg(line).
        assert apart(-math.degrees(np.angle(line)), PAIR_ZERO_DEG_EL[pair]) < 1e-9


def test_nominal_table_of_the_usual_device() -> None:
    table = as_array(nominal_deg_el(OWN, HIGH, ZERO))
    assert table == pytest.approx(np.array([[0, -120, 120], [120, 0, -120], [-120, 120, 0]]))


def test_low_polarity_and_target_move_the_nominal_table() -> None:
    table = nominal_deg_el(OWN, {"H1": -1, "H2": 1, "H3": 1}, {"H1": 0.0, "H2": 5.0, "H3": 0.0})
    assert apart(table["H1", "U-V"], 180) < 1e-9
    assert table["H2", "V-W"] == pytest.approx(5.0)


def test_readings_are_arranged_by_direction_and_the_fastest_stands() -> None:
    readings = [
        Reading("H1", "U-V", "CW", 600.0, y(1.0)),
        Reading("H1", "U-V", "CW", 200.0, y(2.0)),
        Reading("H1", "U-V", "CCW", -600.0, refused("deg_el", "the EMF is clipped")),
        Reading("H1", "U-V", "CCW", -200.0, y(3.0)),
    ]
    tables = tables_of(readings)
    assert figures(tables["CW"]) == {("H1", "U-V"): 1.0}
    assert figures(tables["CCW"]) == {("H1", "U-V"): 3.0}


def test_an_unknown_direction_is_refused() -> None:
    with pytest.raises(ValueError, match="direction must be CW or CCW, got 'left'"):
        tables_of([Reading("H1", "U-V", "left", 600.0, y(1.0))])


def test_half_sum_of_both_directions_is_free_of_hysteresis_across_the_wrap() -> None:
    tables = {"CW": {("H1", "U-V"): y(-178.0)}, "CCW": {("H1", "U-V"): y(176.0)}}
    both = both_directions(tables)["H1", "U-V"]
    assert both.value is not None
    assert apart(both.value, 179.0) < 1e-9
    # Scatter averages out over two captures, what is systematic does not.
    assert both.u == pytest.approx(math.hypot(0.01 / math.sqrt(2), 0.02))


def test_half_sum_says_which_direction_is_lacking() -> None:
    both = both_directions({"CW": {("H1", "U-V"): y(1.0)}, "CCW": {("H1", "U-V"): refused("deg_el", "too short")}})
    assert both["H1", "U-V"].reason == "not measured counter-clockwise: too short"
    assert both["H2", "U-V"].reason == "not measured clockwise"


@settings(deadline=None, max_examples=60)
@given(
    st.permutations(PAIRS),
    st.tuples(*[st.sampled_from([1, -1])] * 3),
    st.tuples(*[st.floats(-24, 24)] * 3),
)
def test_each_sensor_is_given_its_pair_polarity_and_offset(
    pairs: list[str], signs: tuple[int, int, int], offsets: tuple[float, float, float]
) -> None:
    owner, polarity = dict(zip(SENSORS, pairs, strict=True)), dict(zip(SENSORS, signs, strict=True))
    target = dict(zip(SENSORS, offsets, strict=True))
    table = {cell: y(v) for cell, v in nominal_deg_el(owner, polarity, target).items()}
    for found in belongings(table):
        assert (found.pair, found.polarity) == (owner[found.sensor], polarity[found.sensor])
        assert found.offset.value == pytest.approx(target[found.sensor], abs=1e-9)
        assert found.other is None
    own = own_offsets(table, owner, polarity)
    assert {s: e.value for s, e in own.items()} == pytest.approx(target, abs=1e-9)


def test_near_the_half_way_mark_the_other_reading_is_named() -> None:
    table = {cell: y(v) for cell, v in nominal_deg_el(OWN, HIGH, dict.fromkeys(SENSORS, 28.0)).items()}
    # 28 degrees from U-V high is as well 32 degrees short of V-W or W-U low.
    assert belongings(table)[0].other == ("W-U", -1)


def test_a_sensor_that_was_not_seen_against_all_pairs_is_left_out() -> None:
    table = {cell: y(v) for cell, v in nominal_deg_el(OWN, HIGH, ZERO).items() if cell != ("H2", "W-U")}
    assert [b.sensor for b in belongings(table)] == ["H1", "H3"]


@settings(deadline=None, max_examples=60)
@given(st.lists(st.floats(-180, 180), min_size=6, max_size=6))
def test_consistent_figures_close_whatever_the_angles(angles: list[float]) -> None:
    a, b = angles[:3], angles[3:]
    table = {(s, p): (a[i] - b[j] + 180) % 360 - 180 for i, s in enumerate(SENSORS) for j, p in enumerate(PAIRS)}
    assert closure_deg_el(table) == pytest.approx(0, abs=1e-9)
    found = closure({cell: y(v) for cell, v in table.items()})
    assert found is not None
    for i, s in enumerate(SENSORS):
        for j, p in enumerate(PAIRS):
            assert apart(found.sensor_deg_el[s] - found.pair_deg_el[p], a[i] - b[j]) < 1e-6


def test_one_wrong_capture_opens_the_closure() -> None:
    table = nominal_deg_el(OWN, HIGH, ZERO)
    table["H2", "V-W"] += 0.9
    # One of nine off by d leaves d (1 - 1/3)^2 = 4/9 d at its own place.
    assert closure_deg_el(table) == pytest.approx(0.4, abs=1e-9)
    found = closure({cell: y(v, 0.03, 0.0) for cell, v in table.items()})
    assert found is not None
    assert found.chi_squared == pytest.approx(0.9**2 * 4 / 9 / 0.03**2)
    assert max(found.residual_deg_el, key=lambda c: abs(found.residual_deg_el[c])) == ("H2", "V-W")


def test_no_closure_without_all_nine() -> None:
    table = {cell: y(v) for cell, v in nominal_deg_el(OWN, HIGH, ZERO).items()}
    assert closure(table | {("H1", "U-V"): refused("deg_el", "clipped")}) is None


def test_angles_between_pairs_do_not_depend_on_the_sensors() -> None:
    zeros = {"U-V": -30.0, "V-W": 91.0, "W-U": 209.5}
    rise = sensor_angles_deg_el(OWN, HIGH, {"H1": 20.0, "H2": -40.0, "H3": 7.0})
    table = {(s, p): y((rise[s] - zeros[p] + 180) % 360 - 180) for s in SENSORS for p in PAIRS}
    found = pair_angles(table)
    assert found["U-V", "V-W"].value == pytest.approx(121.0)
    assert found["V-W", "W-U"].value == pytest.approx(118.5)
    assert found["W-U", "U-V"].value == pytest.approx(120.5)


def test_an_angle_needs_a_sensor_that_was_seen_against_both_pairs() -> None:
    assert pair_angles({("H1", "U-V"): y(0.0), ("H2", "V-W"): y(0.0)})["U-V", "V-W"].value is None
