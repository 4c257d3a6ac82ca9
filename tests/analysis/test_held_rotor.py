"""Offsets by a held rotor, on motors of exactly known truth."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from held_rotor_generator import SENSOR_PAIR, HeldMotor, draw_motor, rests

from analysis.counter import Counter
from analysis.current_vectors import rest_deg_el
from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.held_rotor import EdgeCounts, HeldRotor, Rest, against_spin, approach_plan, held_rotor

PAIRS = {s: "-".join(pair) for s, pair in SENSOR_PAIR.items()}
POLARITY = dict.fromkeys(SENSOR_PAIR, 1)
SEEDS = 200


def rests_of(motor: HeldMotor, seed: int, **how: object) -> list[Rest]:
    return [Rest(v, side, c) for v, side, c in rests(motor, seed, **{"swinging": seed % 2 == 1} | how)]  # type: ignore[arg-type]


def edges_of(motor: HeldMotor) -> list[EdgeCounts]:
    return [EdgeCounts(s, high, way, c) for s in SENSOR_PAIR for high, way, c in motor.edges(s)]


def counter_of(motor: HeldMotor) -> Counter:
    return Counter(motor.counts_per_rev, motor.pole_pairs, motor.clockwise)


def measured(
    motor: HeldMotor, came: Sequence[Rest], edges: Sequence[EdgeCounts] | None = None, **how: float
) -> HeldRotor:
    edges = edges_of(motor) if edges is None else edges
    return held_rotor(came, edges, counter_of(motor), pairs=PAIRS, polarity=POLARITY, **how)


def errors(seed: int, motor: HeldMotor, **how: object) -> list[tuple[float, float]]:
    """Error and stated u of each sensor."""
    found = measured(motor, rests_of(motor, seed, **how))
    assert not found.reason
    return [
        ((x.value or 0.0) - motor.offset_deg[s], x.u or 0.0) for s, x in found.offsets.items() if x.value is not None
    ]


def test_errors_lie_within_their_stated_uncertainty() -> None:
    found = np.array([e for seed in range(SEEDS) for e in errors(seed, draw_motor(seed))])
    assert found.shape == (3 * SEEDS, 2)
    within = np.abs(found[:, 0]) <= 2 * found[:, 1]
    print(
        f"rms {np.sqrt(np.mean(found[:, 0] ** 2)):.3f}, stated {np.sqrt(np.mean(found[:, 1] ** 2)):.3f}, {within.mean():.1%}"
    )
    assert within.mean() >= 0.95
    # Nor is it stated so wide that anything would do.
    assert np.mean(found[:, 1]) <= 2 * np.sqrt(np.mean(found[:, 0] ** 2))


@pytest.mark.parametrize("swinging", [False, True])
def test_all_rests_from_both_sides_reach_half_a_degree_at_two_percent_friction(*, swinging: bool) -> None:
    drawn = [draw_motor(seed, friction=0.02, pole_pairs=4) for seed in range(60)]
    found = np.array([e for seed, m in enumerate(drawn) for e in errors(seed, m, swinging=swinging)])
    rms = float(np.sqrt(np.mean(found[:, 0] ** 2)))
    print(f"rms {rms:.3f}")
    assert rms <= 0.6


def test_rests_from_one_side_say_that_their_band_is_not_known() -> None:
    drawn = [draw_motor(seed, friction=0.02, pole_pairs=4) for seed in range(60)]
    found = np.array([e for seed, m in enumerate(drawn) for e in errors(seed, m, swinging=False, sides=(1,))])
    print(f"rms {np.sqrt(np.mean(found[:, 0] ** 2)):.3f}")
    assert 0.8 <= np.sqrt(np.mean(found[:, 0] ** 2)) <= 2.0
    assert np.all(found[:, 1] >= 2.0)
    # All three err to the same side, so their mean is no surer.
    assert (measured(drawn[0], rests_of(drawn[0], 0, sides=(1,))).mean.u or 0) >= 2.0
    assert np.mean(np.abs(found[:, 0]) <= 2 * found[:, 1]) >= 0.95


def test_rests_of_one_pole_pair_are_less_sure_than_those_of_all() -> None:
    motor = draw_motor(3, friction=0.02, pole_pairs=4)
    one, every = (measured(motor, rests_of(motor, 3, poles=n)) for n in (1, 4))
    assert (one.offsets["H1"].u or 0) > (every.offsets["H1"].u or 0)
    assert one.bands["U-V"].rests == 4
    assert every.bands["U-V"].rests == 16


def test_the_band_shows_the_friction() -> None:
    # Led slowly without cogging, rests stand at both ends of asin(0.03), to the grain of a count.
    motor = replace(draw_motor(0, friction=0.03, pole_pairs=4), cogging=(), counts_per_rev=40_000)
    band = measured(motor, rests_of(motor, 0, swinging=False)).bands["V-W"]
    assert band.half_width_deg_el == pytest.approx(math.degrees(math.asin(0.03)), rel=0.2)
    assert band.friction_share == pytest.approx(0.03, rel=0.2)
    assert band.both_sides


def test_hysteresis_and_mean_come_along() -> None:
    motor = draw_motor(5)
    found = measured(motor, rests_of(motor, 5))
    for s, eta in found.hysteresis.items():
        assert eta.value == pytest.approx(motor.hysteresis_deg[s], abs=0.3)
    assert found.mean.value == pytest.approx(np.mean([x.value for x in found.offsets.values()]))
    one = found.offsets["H1"]
    assert 0.5 * (one.u or 0) < (found.mean.u or 0) < (one.u or 0)


@pytest.mark.parametrize("seed", range(4))
def test_without_friction_and_cogging_only_the_count_is_left(seed: int) -> None:
    motor = replace(draw_motor(seed, friction=0.0), cogging=(), counts_per_rev=40_000)
    found = measured(motor, rests_of(motor, seed, swinging=False))
    for s, x in found.offsets.items():
        assert x.value == pytest.approx(motor.offset_deg[s], abs=0.05)


def test_an_inverted_sensor_and_a_reversed_pair_are_read_as_the_type_says() -> None:
    motor = draw_motor(8)
    plain = measured(motor, rests_of(motor, 8))
    turned = [replace(e, to_high=not e.to_high) if e.sensor == "H2" else e for e in edges_of(motor)]
    found = held_rotor(rests_of(motor, 8), turned, counter_of(motor), pairs=PAIRS, polarity=POLARITY | {"H2": -1})
    assert found.offsets["H2"].value == pytest.approx(plain.offsets["H2"].value)
    wrong = held_rotor(rests_of(motor, 8), turned, counter_of(motor), pairs=PAIRS, polarity=POLARITY)
    assert abs(abs(wrong.offsets["H2"].value or 0) - 180) < 16


def test_the_start_of_the_count_does_not_matter() -> None:
    motor = draw_motor(9)
    # A multiple of counts, so that the grain falls alike.
    other = replace(motor, start_counts=motor.start_counts - 77_777)
    for s, x in measured(motor, rests_of(motor, 9)).offsets.items():
        assert measured(other, rests_of(other, 9)).offsets[s].value == pytest.approx(x.value)


def test_known_cogging_takes_the_place_of_the_bound_by_friction() -> None:
    motor = draw_motor(2, friction=0.03)
    came = rests_of(motor, 2)
    lines = {line.source: line.u for line in measured(motor, came, cogging_deg_el=0.2).offsets["H1"].budget}
    assert lines["cogging that moves all rests alike"] == pytest.approx(0.2 / math.sqrt(2))
    none = {line.source for line in measured(motor, came, cogging_deg_el=0.0).offsets["H1"].budget}
    assert "cogging that moves all rests alike" not in none


def test_poles_whose_edges_were_not_seen_widen_the_uncertainty() -> None:
    motor = draw_motor(4, pole_pairs=5)
    came = rests_of(motor, 4)
    per_pole = motor.counts_per_rev / motor.pole_pairs
    first = min(e.counts for e in edges_of(motor))
    part = [e for e in edges_of(motor) if e.counts < first + 2.6 * per_pole]
    some, whole = measured(motor, came, part), measured(motor, came)
    for s in SENSOR_PAIR:
        names = {line.source for line in some.offsets[s].budget}
        assert "poles whose edges were not seen" in names
        assert "poles whose edges were not seen" not in {line.source for line in whole.offsets[s].budget}
        assert abs((some.offsets[s].value or 0) - motor.offset_deg[s]) <= 3 * (some.offsets[s].u or 0)


# Refusals


def test_no_rest_and_no_current_of_a_pair_are_too_few() -> None:
    motor = draw_motor(1)
    assert measured(motor, []).reason == "the rotor was brought to rest nowhere"
    only_u_v = [r for r in rests_of(motor, 1) if r.vector in (("U", "V"), ("V", "U"), ("V", "W"))]
    found = measured(motor, only_u_v)
    assert found.offsets["H1"].value is not None
    assert found.offsets["H2"].reason == "too few rests: V-W needs both currents"
    assert found.mean.reason == "no offset of H2, H3"


def test_a_band_too_wide_for_the_current_is_refused() -> None:
    motor = draw_motor(6, friction=0.12)
    found = measured(motor, rests_of(motor, 6, swinging=False))
    assert "allowed: +-5 deg_el: more current, or less friction" in found.reason
    assert all(x.value is None and x.reason == found.reason for x in found.offsets.values())


@pytest.mark.parametrize(
    "wrong",
    [
        {"counts_per_rev": 4 * 1800},
        {"pole_pairs": 5},
        {"clockwise": -1},
    ],
)
def test_counts_of_other_lines_pole_pairs_or_sense_are_refused(wrong: dict[str, int]) -> None:
    motor = replace(draw_motor(7, pole_pairs=4), counts_per_rev=8192, clockwise=1)
    counter = Counter(**{"counts_per_rev": 8192, "pole_pairs": 4, "clockwise": 1} | wrong)
    found = held_rotor(rests_of(motor, 7), edges_of(motor), counter, pairs=PAIRS, polarity=POLARITY)
    assert "the counts do not fit lines, pole pairs and sense" in found.reason


def test_lost_counts_are_refused() -> None:
    motor = replace(draw_motor(7, pole_pairs=4), counts_per_rev=8192)
    came = rests_of(motor, 7)
    came = [*came[:20], *(replace(r, counts=r.counts + 120) for r in came[20:])]
    assert "the counts do not fit" in measured(motor, came).reason


def test_currents_in_one_pair_alone_are_too_few() -> None:
    motor = draw_motor(10)
    came = [r for r in rests_of(motor, 10) if set(r.vector) == {"U", "V"}]
    # Turned over, the counts of two rests half a cycle apart look the same, and the offset would change its sign.
    assert "one winding pair alone cannot tell which way the counts run" in measured(motor, came).reason


def test_a_rotor_that_swings_past_and_stays_there_is_no_fault() -> None:
    motor = replace(draw_motor(10, friction=0.04, pole_pairs=4), cogging=())
    led = rests_of(motor, 10, swinging=False)
    beyond = [replace(r, approach=-r.approach) for r in led]
    for s, x in measured(motor, beyond).offsets.items():
        assert x.value == pytest.approx(measured(motor, led).offsets[s].value)


def test_edges_that_leave_out_a_way_a_kind_or_a_place_are_refused() -> None:
    motor = draw_motor(12, pole_pairs=4)
    came, edges = rests_of(motor, 12), edges_of(motor)
    one_way = measured(motor, came, [e for e in edges if e.direction > 0])
    assert "no edge going counter-clockwise" in one_way.offsets["H1"].reason
    one_kind = measured(motor, came, [e for e in edges if e.kind == 0])
    assert "no edge going clockwise where the sensor falls" in one_kind.offsets["H1"].reason
    few = [e for s in SENSOR_PAIR for e in edges if e.sensor == s and e in [x for x in edges if x.sensor == s][0:2]]
    few += [replace(e, direction=-1, to_high=not e.to_high) for e in few]
    assert "in 1 pole pair only; needed: 2" in measured(motor, came, few).offsets["H1"].reason
    moved = [replace(edges[0], counts=edges[0].counts + 0.2 * motor.counts_per_rev / 4), *edges[1:]]
    found = measured(motor, came, moved)
    assert "the edge at" in found.offsets["H1"].reason
    assert found.offsets["H2"].value is not None
    lost = [replace(edges[0], counts=math.nan), *edges[1:]]
    assert measured(motor, came, lost).offsets["H1"].reason == "an edge has no count"
    assert measured(motor, [replace(came[0], counts=math.nan), *came[1:]]).reason == "a rest has no count"


def test_bad_input_is_one_clear_sentence() -> None:
    motor = draw_motor(1)
    with pytest.raises(ValueError, match=r"a rest is approached going clockwise .*got 0"):
        measured(motor, [Rest(("U", "V"), 0, 1.0)])
    with pytest.raises(ValueError, match=r"one of H1, H2, H3 .*got 'H4' and 1"):
        measured(motor, rests_of(motor, 1), [EdgeCounts("H4", True, 1, 0.0)])
    with pytest.raises(ValueError, match="at least 1, got 0 and 4"):
        Counter(0, 4)
    with pytest.raises(ValueError, match="clockwise must be 1 or -1, got 0"):
        Counter(8192, 4, 0)


# The plan of currents, and the comparison with a spin


@pytest.mark.parametrize("pole_pairs", [1, 4])
def test_the_plan_reaches_every_rest_of_a_turn_from_both_sides(pole_pairs: int) -> None:
    (first, way), *steps = approach_plan(pole_pairs)
    assert way == 0
    at, seen = rest_deg_el(first), set()
    for vector, side in steps:
        at += 60 * side
        assert (at - rest_deg_el(vector)) % 360 == pytest.approx(0)
        seen.add((round(at - rest_deg_el(first)) // 60 % (6 * pole_pairs), side))
    assert seen == {(k, side) for k in range(6 * pole_pairs) for side in (1, -1)}


def of(value: float, u: float) -> Estimate:
    return estimate(value, "deg_el", [BudgetLine("all", "B", u)])


def test_e_n_is_the_difference_over_both_expanded_uncertainties() -> None:
    # ISO 13528: |x - X| / sqrt(U^2 + U_ref^2), here 1 / sqrt(0.6^2 + 0.8^2) = 1.
    found = against_spin(of(3.0, 0.3), of(2.0, 0.4))
    assert found.e_n == pytest.approx(1.0)
    assert found.difference.value == pytest.approx(1.0)
    assert found.difference.u == pytest.approx(0.5)
    assert found.limit_deg_el == 2.0
    assert against_spin(of(2.9, 0.3), of(2.0, 0.4)).agree is True
    assert against_spin(of(3.1, 0.3), of(2.0, 0.4)).agree is False


def test_a_wide_uncertainty_is_no_agreement() -> None:
    found = against_spin(of(5.0, 3.0), of(2.0, 0.1))
    assert (found.e_n or 0) < 1
    assert found.agree is False
    assert against_spin(of(5.0, 3.0), of(2.0, 0.1), limit_deg_el=4.0).agree is True


def test_a_difference_is_taken_the_shorter_way_round() -> None:
    assert against_spin(of(179.5, 0.5), of(-179.5, 0.1)).difference.value == pytest.approx(-1.0)
    assert against_spin(of(1.0, 0.0), of(1.0, 0.0)).agree is True
    assert against_spin(of(1.0, 0.0), of(1.5, 0.0)).agree is False


def test_nothing_is_compared_with_nothing() -> None:
    found = against_spin(refused("deg_el", "no rest"), of(1.0, 0.1))
    assert (found.e_n, found.agree) == (None, None)
    assert found.difference.reason == "not measured by rests: no rest"
    assert against_spin(of(1.0, 0.1), refused("deg_el", "no EMF")).difference.reason == "not measured by a spin: no EMF"
