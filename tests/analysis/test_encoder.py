"""Encoder counts, faults, phase and duty on records drawn from the disc's own geometry (tests/support)."""

import itertools

import numpy as np
import pytest
from encoder_generator import EncoderPlan, EncoderRecord, encoder_record
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.encoder import EncoderFigures, analyse_encoder
from analysis.pulse_trains import PulseTrain, Trace, WireLevels
from analysis.quadrature import decode

SMALL = {"lines": 500, "turns": 4.2}


def analysed(plan: EncoderPlan, direction: int = 1) -> EncoderFigures:
    return of_record(encoder_record(plan), plan, direction)


def of_record(record: EncoderRecord, plan: EncoderPlan, direction: int = 1) -> EncoderFigures:
    a, b, z = (Trace(c, record.scale_v, 2.5) for c in (record.a, record.b, record.z))
    return analyse_encoder(a, b, z, record.interval_s, plan.lines, direction)


def train(times: list[float], *, first_rising: bool) -> PulseTrain:
    return PulseTrain(np.array(times), first_rising, WireLevels(0.0, 5.0), 0)


@pytest.mark.parametrize("a_leads", [True, False])
def test_a_leading_b_counts_up_through_the_published_order_of_states(a_leads: bool) -> None:
    # References 6.16: A leads B through 00 10 11 01; B leads A through 00 01 11 10. One step each.
    order = [(0, 0), (1, 0), (1, 1), (0, 1)] if a_leads else [(0, 0), (0, 1), (1, 1), (1, 0)]
    states = list(itertools.islice(itertools.cycle(order), 41))
    edges: dict[int, list[float]] = {0: [], 1: []}
    for i, (before, after) in enumerate(itertools.pairwise(states)):
        edges[0 if before[0] != after[0] else 1].append(10.0 * (i + 1))
    track = decode(train(edges[0], first_rising=True), train(edges[1], first_rising=True))
    assert track.step.tolist() == [1 if a_leads else -1] * 40
    assert track.illegal_at.size == 0


@settings(deadline=None, max_examples=100)
@given(st.lists(st.booleans(), min_size=2, max_size=80), st.booleans(), st.booleans())
def test_decoding_without_a_table_is_decoding_with_the_sixteen_entry_table(
    of_a: list[bool], a_high: bool, b_high: bool
) -> None:
    # 16 entries: (A, B) before and after, as common practice writes them; a change of one bit is a step of one.
    table = {(0, 2): 1, (2, 3): 1, (3, 1): 1, (1, 0): 1, (2, 0): -1, (3, 2): -1, (1, 3): -1, (0, 1): -1}
    a, b, expected = a_high, b_high, []
    edges: dict[bool, list[float]] = {True: [], False: []}
    for i, is_a in enumerate(of_a):
        before = 2 * a + b
        a, b = (not a, b) if is_a else (a, not b)
        expected.append(table[before, 2 * a + b])
        edges[is_a].append(5.0 * i)
    track = decode(train(edges[True], first_rising=not a_high), train(edges[False], first_rising=not b_high))
    assert track.step.tolist() == expected
    assert track.position.tolist() == np.cumsum(expected).tolist()


def test_both_channels_within_one_sample_are_counted_as_illegal() -> None:
    track = decode(train([10.2, 20.5], first_rising=True), train([10.6, 31.0], first_rising=True))
    assert track.illegal_at == pytest.approx([10.6])


def test_counts_of_the_published_2048_line_encoder() -> None:
    # References 6.16: 2048 lines x 4 = 8192 counts a turn; nominal phase 90 degrees.
    found = analysed(EncoderPlan(samples_per_count=6))
    assert found.counts_each_turn.tolist() == [8192, 8192, 8192]
    assert found.edges_each_turn_a.tolist() == found.edges_each_turn_b.tolist() == [4096, 4096, 4096]
    assert (found.dropped.value, found.extra.value, found.reversals.value, found.illegal.value) == (0, 0, 0, 0)
    assert found.lines_found == 2048
    assert found.anomalies == ()
    assert found.quadrature_deg_line.value == pytest.approx(90, abs=0.1)


@pytest.mark.parametrize("samples_per_count", [3.0, 3.7, 5.0, 10.0])
@pytest.mark.parametrize("a_leads", [True, False])
@pytest.mark.parametrize("bits", [8, 16])
def test_counts_are_exact_from_three_samples_a_count(samples_per_count: float, a_leads: bool, bits: int) -> None:
    # Ripple 5 %, quadrature error 30 degrees, duty 0.45: metrology's own stress.
    for seed in range(3):
        plan = EncoderPlan(
            **SMALL, samples_per_count=samples_per_count, a_leads=a_leads, bits=bits, ripple=0.05,
            quadrature_error_deg_line=30, duty=0.45, seed=seed, start_lines=11.7 + 97.3 * seed,
        )  # fmt: skip
        found = analysed(plan, 1 if a_leads else -1)
        assert set(found.counts_each_turn.tolist()) == {2000}
        assert set(found.edges_each_turn_a.tolist()) == set(found.edges_each_turn_b.tolist()) == {1000}
        assert found.sense == (1 if a_leads else -1)
        assert found.anomalies == ()
        assert found.leads_going_cw == "A"


def test_index_next_to_a_count_edge_does_not_make_the_count_waver() -> None:
    for index_at in (0.0, 0.24, 0.25, 0.26, 0.5):
        found = analysed(EncoderPlan(**SMALL, samples_per_count=5, ripple=0.03, index_at_lines=index_at))
        assert set(found.counts_each_turn.tolist()) == {2000}


@pytest.mark.parametrize("start", [0.13, 0.2, 0.249, 499.9])
@pytest.mark.parametrize("turns", [3.0, 3.0003, 3.4])
def test_an_index_beyond_the_outer_edges_makes_no_turn_short(start: float, turns: float) -> None:
    # The record starts or ends within the index, next to no edge of A or B that would say how far it is.
    plan = EncoderPlan(
        lines=500, turns=turns, samples_per_count=10, start_lines=start, index_at_lines=0.19, ripple=0.01
    )
    found = analysed(plan)
    assert found.counts_each_turn.size >= 1
    assert set(found.counts_each_turn.tolist()) == {2000}


@pytest.mark.parametrize("samples_per_count", [10.0, 13.3, 24.0])
@pytest.mark.parametrize("error", [-25.0, 0.0, 12.5])
@pytest.mark.parametrize("duty", [0.45, 0.5])
def test_phase_is_within_half_a_degree_from_ten_samples_a_count(
    samples_per_count: float, error: float, duty: float
) -> None:
    plan = EncoderPlan(
        **SMALL, samples_per_count=samples_per_count, quadrature_error_deg_line=error, duty=duty, ripple=0.05
    )
    found = analysed(plan)
    assert found.quadrature_deg_line.value == pytest.approx(90 + error, abs=0.5)
    assert found.duty_a.value == pytest.approx(100 * duty, abs=0.3)
    assert found.duty_b.value == pytest.approx(100 * duty, abs=0.3)
    assert found.quadrature_deg_line.u is not None
    assert abs((found.quadrature_deg_line.value or 0) - 90 - error) < 3 * found.quadrature_deg_line.u


def test_phase_is_the_same_in_both_directions() -> None:
    forward = analysed(EncoderPlan(**SMALL, samples_per_count=12, quadrature_error_deg_line=20))
    record = encoder_record(EncoderPlan(**SMALL, samples_per_count=12, quadrature_error_deg_line=20))
    back = EncoderRecord(
        record.a[::-1].copy(), record.b[::-1].copy(), record.z[::-1].copy(), record.scale_v, record.interval_s
    )
    backward = of_record(back, EncoderPlan(**SMALL), -1)
    assert backward.sense == -forward.sense
    assert backward.leads_going_cw == forward.leads_going_cw == "A"
    assert backward.quadrature_deg_line.value == pytest.approx(forward.quadrature_deg_line.value, abs=0.5)
    assert backward.counts_each_turn.tolist() == forward.counts_each_turn.tolist()


@pytest.mark.parametrize("channel", ["A", "B"])
@pytest.mark.parametrize("line", [1, 137, 498])
def test_a_pulse_dropped_by_the_disc_is_found_three_ways_and_in_its_place(channel: str, line: int) -> None:
    dropped = {"dropped_a": (line,)} if channel == "A" else {"dropped_b": (line,)}
    found = analysed(EncoderPlan(**SMALL, samples_per_count=5, ripple=0.05, **dropped))
    assert set(found.counts_each_turn.tolist()) == {1996}
    hit, other = (found.edges_each_turn_a, found.edges_each_turn_b)[:: 1 if channel == "A" else -1]
    assert set(hit.tolist()) == {998}
    assert set(other.tolist()) == {1000}
    assert set(found.reversals_each_turn.tolist()) == {1}
    assert len(found.anomalies) >= 3
    for one in found.anomalies:
        assert (one.channel, one.what, one.repeats) == (channel, "lost", True)
        assert abs((one.place * 500 - line + 250) % 500 - 250) < 2
    assert found.dropped.value == 4 * len(found.anomalies)
    assert found.repeats


def test_a_pulse_dropped_once_is_electrical_and_its_angle_is_seen_clockwise() -> None:
    plan = EncoderPlan(**SMALL, samples_per_count=5, dropped_a=(120,), once_in_turn=2)
    forward, backward = analysed(plan, 1), analysed(plan, -1)
    assert sorted(forward.counts_each_turn.tolist()) == [1996, 2000, 2000]
    assert [(one.what, one.repeats) for one in forward.anomalies] == [("lost", False)]
    assert forward.anomalies[0].angle_deg_mech == pytest.approx(120 / 500 * 360, abs=2 / 500 * 360)
    assert backward.anomalies[0].angle_deg_mech == pytest.approx(360 - 120 / 500 * 360, abs=2 / 500 * 360)
    assert forward.anomalies[0].cause.startswith("electrical")
    assert not forward.repeats
    assert forward.counts_per_rev_x4.value == 1996


def test_a_false_pulse_inside_one_state_nets_nothing_but_shows_in_edges() -> None:
    # A is high for the first half of a line and B changes at a quarter: 0.12 lies inside one state.
    found = analysed(EncoderPlan(**SMALL, samples_per_count=10, false_a=(300.12,)))
    assert set(found.counts_each_turn.tolist()) == {2000}
    assert set(found.edges_each_turn_a.tolist()) == {1002}
    assert set(found.edges_each_turn_b.tolist()) == {1000}
    assert found.dropped.value == 0
    assert found.extra.value == 2 * len(found.anomalies)
    assert {(one.channel, one.what, one.repeats) for one in found.anomalies} == {("A", "false", True)}
    for one in found.anomalies:
        assert abs(one.place * 500 - 300) < 2


def test_a_false_pulse_across_an_edge_of_the_other_costs_four() -> None:
    found = analysed(EncoderPlan(**SMALL, samples_per_count=10, false_a=(300.25,)))
    assert set(found.counts_each_turn.tolist()) == {1996}
    assert set(found.edges_each_turn_a.tolist()) == {1002}
    assert (found.dropped.value, found.extra.value) == (4 * found.turns, 2 * len(found.anomalies))


def test_several_lost_lines_in_a_row_are_one_place() -> None:
    found = analysed(EncoderPlan(**SMALL, samples_per_count=5, dropped_a=tuple(range(200, 220))))
    assert set(found.edges_each_turn_a.tolist()) == {960}
    assert all(abs(one.pulses - 20) <= 1 for one in found.anomalies)
    assert {round(one.place * 500) for one in found.anomalies} <= set(range(200, 222))


def test_faults_in_partial_turns_count_too() -> None:
    # The record starts at line 31 and ends in the turn after the last index; line 100 of the first, partial turn is hit.
    found = analysed(EncoderPlan(**SMALL, samples_per_count=5, dropped_a=(100,), once_in_turn=0))
    assert set(found.counts_each_turn.tolist()) == {2000}
    assert [one.turn for one in found.anomalies] == [-1]
    assert found.dropped.value == 4


def test_another_line_count_is_no_loss_of_pulses() -> None:
    plan = EncoderPlan(**SMALL, samples_per_count=5)
    found = of_record(encoder_record(plan), EncoderPlan(lines=512))
    assert found.counts_per_rev_x4.value == 2000
    assert found.lines_found == 500
    assert (found.dropped.value, found.extra.value) == (0, 0)


def test_a_missing_index_pulse_is_an_anomaly_of_the_index() -> None:
    plan = EncoderPlan(**SMALL, samples_per_count=5)
    record = encoder_record(plan)
    high = np.flatnonzero(record.z > 0)
    second = high[(high > 1.5 * 2000 * 5) & (high < 2.5 * 2000 * 5)]
    assert second.size
    record.z[second] = np.median(record.z)
    found = of_record(record, plan)
    assert sorted(found.counts_each_turn.tolist()) == [2000, 4000]
    assert [(one.channel, one.what) for one in found.anomalies] == [("Z", "lost")]
    assert found.extra.value == 0


@pytest.mark.parametrize("active_low", [False, True])
@pytest.mark.parametrize("width", [0.25, 0.5, 1.0])
def test_width_and_polarity_of_the_index(active_low: bool, width: float) -> None:
    plan = EncoderPlan(**SMALL, samples_per_count=10, index_width_lines=width)
    record = encoder_record(plan)
    if active_low:
        record = EncoderRecord(record.a, record.b, np.asarray(-record.z), record.scale_v, record.interval_s)
    found = of_record(record, plan)
    assert found.index_width_counts.value == pytest.approx(4 * width, abs=0.1)
    assert found.index_active_low is active_low
    assert set(found.counts_each_turn.tolist()) == {2000}


def test_index_times_are_the_middles_of_the_index() -> None:
    plan = EncoderPlan(**SMALL, samples_per_count=10, start_lines=0.0, index_at_lines=10.0)
    found = analysed(plan)
    turn_s = 60 / plan.rpm
    assert found.index_times_s == pytest.approx(
        turn_s * (np.arange(5) + 10 / 500)[: found.index_times_s.size], abs=encoder_record(plan).interval_s
    )


@pytest.mark.parametrize("dead", ["a", "b", "z"])
def test_a_dead_channel_is_named_and_counts_are_refused(dead: str) -> None:
    plan = EncoderPlan(**SMALL, samples_per_count=5)
    record = encoder_record(plan)
    getattr(record, dead)[:] = -20000
    found = of_record(record, plan)
    assert found.counts_per_rev_x4.value is None
    assert found.refusal.startswith(f"{dead.upper()} does not switch")
    assert found.counts_per_rev_x4.reason == found.refusal


def test_without_an_index_sense_phase_and_duty_still_stand() -> None:
    plan = EncoderPlan(**SMALL, samples_per_count=10, quadrature_error_deg_line=10, ripple=0.05)
    record = encoder_record(plan)
    record.z[:] = -20000
    found = of_record(record, plan)
    assert found.sense == 1
    assert found.quadrature_deg_line.value == pytest.approx(100, abs=0.5)
    assert found.duty_a.value == pytest.approx(50, abs=0.3)


def test_less_than_one_turn_is_refused() -> None:
    found = analysed(EncoderPlan(lines=500, turns=0.8, start_lines=300, samples_per_count=5))
    assert found.refusal == "1 index pulses in the record; needed: two, for one whole turn"


def test_too_few_samples_a_count_are_refused() -> None:
    found = analysed(EncoderPlan(**SMALL, samples_per_count=2.2))
    assert "samples a count; needed: 2.4" in found.refusal


def test_channels_of_different_length_are_refused() -> None:
    with pytest.raises(ValueError, match="must be equally long and lines positive, got 10, 10, 9 samples"):
        analyse_encoder(np.zeros(10), np.zeros(10), np.zeros(9), 1e-5, 500)


def test_volts_give_the_same_figures_as_the_scopes_integers() -> None:
    plan = EncoderPlan(**SMALL, samples_per_count=6, dropped_a=(42,))
    record = encoder_record(plan)
    by_volts = analyse_encoder(
        *(c * record.scale_v + 2.5 for c in (record.a, record.b, record.z)), record.interval_s, plan.lines, 1
    )
    by_counts = of_record(record, plan)
    assert by_volts.counts_each_turn.tolist() == by_counts.counts_each_turn.tolist()
    assert by_volts.quadrature_deg_line.value == pytest.approx(by_counts.quadrature_deg_line.value, abs=0.01)
    assert [a.place for a in by_volts.anomalies] == pytest.approx([a.place for a in by_counts.anomalies], abs=1e-4)


def test_lines_in_step_with_the_samples_widen_the_uncertainty_of_the_phase() -> None:
    # Ten samples a count exactly and no ripple: every line meets the grid alike, and all share one error.
    plan = EncoderPlan(**SMALL, samples_per_count=10, quadrature_error_deg_line=10)
    in_step = analysed(plan).quadrature_deg_line
    assert in_step.value is not None
    assert in_step.u is not None
    assert abs(in_step.value - 100) > 1
    assert abs(in_step.value - 100) < 2.5 * in_step.u


def test_a_pulse_too_narrow_to_count_is_found_by_its_reversal() -> None:
    plan = EncoderPlan(**SMALL, samples_per_count=10, ripple=0.02)
    record = encoder_record(plan)
    high = record.a > 0
    rises = np.flatnonzero(high[1:] & ~high[:-1])
    # The pulse that begins about 250 lines into the record keeps two samples of its twenty.
    at = rises[250]
    record.a[at + 3 : at + 30][high[at + 3 : at + 30]] = record.a[~high][0]
    found = of_record(record, plan)
    assert sorted(found.edges_each_turn_a.tolist()) == [1000, 1000, 1000]
    assert [(one.channel, one.what) for one in found.anomalies] == [("A", "narrow")]
    assert found.dropped.value == 4
