"""Counts of an encoder: exact both ways round, lost and false pulses found in their place, phase and duty."""

import numpy as np
import pytest
from encoder_generator import EncoderPlan, encoder_record
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.encoder import EncoderFigures, analyse_encoder
from analysis.pulse_trains import Trace

LINES = 512


def plan(**changes: object) -> EncoderPlan:
    usual: dict[str, object] = {"lines": LINES, "samples_per_count": 12.0, **changes}
    return EncoderPlan(**usual)  # type: ignore[arg-type]


def analysed(of: EncoderPlan, *, direction: int = 0, lines: int | None = None) -> EncoderFigures:
    made = encoder_record(of)
    a, b, z = (Trace(c, made.scale_v, 2.5) for c in (made.a, made.b, made.z))
    return analyse_encoder(a, b, z, made.interval_s, lines or of.lines, direction)


@pytest.mark.parametrize("a_leads", [True, False])
@pytest.mark.parametrize("per_count", [3.0, 5.0, 12.0])
@pytest.mark.parametrize("bits", [8, 16])
def test_a_2048_line_disc_counts_8192_both_ways_round(a_leads: bool, per_count: float, bits: int) -> None:
    found = analysed(
        plan(lines=2048, samples_per_count=per_count, a_leads=a_leads, ripple=0.03, duty=0.47, turns=3.2, bits=bits)
    )
    # 2048 lines x 4 = 8192 counts and x 2 = 4096 edges a channel: every edge of A and B is a count (RS-422 encoders).
    assert found.counts_each_turn.tolist() == [8192, 8192]
    assert found.edges_each_turn_a.tolist() == [4096, 4096]
    assert found.edges_each_turn_b.tolist() == [4096, 4096]
    assert (found.counts_per_rev_x4.value, found.counts_per_rev_x4.u) == (8192.0, 0.0)
    assert (found.sense, found.turns, found.lines_found) == (1 if a_leads else -1, 2, 2048.0)
    assert [e.value for e in (found.dropped, found.extra, found.reversals, found.illegal)] == [0, 0, 0, 0]
    assert found.anomalies == ()


@pytest.mark.parametrize(
    ("a_leads", "direction", "leads"),
    [(True, 1, "A"), (False, 1, "B"), (True, -1, "B"), (False, -1, "A"), (True, 0, "")],
)
def test_which_channel_leads_going_clockwise(a_leads: bool, direction: int, leads: str) -> None:
    assert analysed(plan(a_leads=a_leads, turns=2.2), direction=direction).leads_going_cw == leads


@given(
    lines=st.sampled_from([100, 360, 500, 1000, 1024]),
    per_count=st.floats(3.0, 14.0),
    start=st.floats(0.0, 300.0),
    duty=st.floats(0.45, 0.55),
    error=st.floats(-25.0, 25.0),
    a_leads=st.booleans(),
    ripple=st.floats(0.0, 0.05),
)
@settings(max_examples=40, deadline=None)
def test_counts_of_a_sound_disc_are_exact_from_three_samples_a_count_on(
    lines: int, per_count: float, start: float, duty: float, error: float, a_leads: bool, ripple: float
) -> None:
    found = analysed(
        plan(
            lines=lines,
            samples_per_count=per_count,
            start_lines=start,
            duty=duty,
            quadrature_error_deg_line=error,
            a_leads=a_leads,
            ripple=ripple,
            turns=3.3,
        )
    )
    assert found.turns >= 2
    assert set(found.counts_each_turn.tolist()) == {4 * lines}
    assert found.sense == (1 if a_leads else -1)


@pytest.mark.parametrize("a_leads", [True, False])
def test_a_pulse_missing_from_the_disc_is_found_in_its_place_each_turn(a_leads: bool) -> None:
    found = analysed(plan(dropped_a=(200,), a_leads=a_leads))
    # One pulse of a channel is two of its edges; B's edges on either side then undo each other: four counts less.
    assert set(found.counts_each_turn.tolist()) == {4 * LINES - 4}
    assert set(found.edges_each_turn_a.tolist()) == {2 * LINES - 2}
    assert set(found.edges_each_turn_b.tolist()) == {2 * LINES}
    assert (found.reversals_each_turn > 0).all()
    # Each place counts, also those passed before the first and after the last index pulse.
    assert found.dropped.value == 4 * len(found.anomalies)
    assert found.extra.value == 0
    for one in found.anomalies:
        assert (one.channel, one.what, one.pulses, one.repeats) == ("A", "lost", 1, True)
        assert abs(one.place * LINES - 200) <= 2
    assert len(found.anomalies) >= found.turns


def test_a_pulse_lost_once_is_electrical() -> None:
    found = analysed(plan(dropped_b=(300,), once_in_turn=2))
    assert sorted(found.counts_each_turn.tolist()) == [4 * LINES - 4, *[4 * LINES] * (found.turns - 1)]
    assert found.counts_per_rev_x4.value == 4 * LINES - 4
    (one,) = found.anomalies
    assert (one.channel, one.what, one.repeats) == ("B", "lost", False)
    assert "electrical" in one.cause
    assert abs(one.place * LINES - 300) <= 2


def test_a_false_pulse_adds_two_edges_and_is_found() -> None:
    # A false high pulse of A while B is low: its two edges undo each other in the fourfold count.
    found = analysed(plan(false_a=(150.88,), samples_per_count=24.0))
    assert set(found.counts_each_turn.tolist()) == {4 * LINES}
    assert set(found.edges_each_turn_a.tolist()) == {2 * LINES + 2}
    assert set(found.edges_each_turn_b.tolist()) == {2 * LINES}
    assert (found.extra.value, found.dropped.value) == (2 * len(found.anomalies), 0)
    assert all((one.channel, one.what, one.repeats) == ("A", "false", True) for one in found.anomalies)
    assert all(abs(one.place * LINES - 150.88) <= 2 for one in found.anomalies)


def test_places_are_clockwise_whichever_way_the_shaft_turned() -> None:
    # The same spot of the disc: line 200 as one way round counts, 512 - 200 as the other does.
    way, back = (analysed(plan(dropped_a=(at,)), direction=d) for at, d in ((200, 1), (LINES - 200, -1)))
    assert way.anomalies[0].angle_deg_mech == pytest.approx(back.anomalies[0].angle_deg_mech, abs=4 * 360 / LINES)


@pytest.mark.parametrize("a_leads", [True, False])
@pytest.mark.parametrize("error", [-15.0, 0.0, 12.0])
@pytest.mark.parametrize("duty", [0.45, 0.5])
@pytest.mark.parametrize("per_count", [10.0, 24.0])
def test_phase_between_the_channels(a_leads: bool, error: float, duty: float, per_count: float) -> None:
    found = analysed(
        plan(samples_per_count=per_count, quadrature_error_deg_line=error, duty=duty, a_leads=a_leads, ripple=0.02)
    )
    assert found.quadrature_deg_line.value == pytest.approx(90 + error, abs=0.5)
    assert found.duty_a.value == pytest.approx(100 * duty, abs=0.3)
    assert found.duty_b.value == pytest.approx(100 * duty, abs=0.3)
    assert found.quadrature_deg_line.u is not None
    assert abs(90 + error - found.quadrature_deg_line.value) <= 5 * found.quadrature_deg_line.u


def test_index_width_and_another_line_count_than_the_nameplate() -> None:
    found = analysed(plan(), lines=500)
    assert found.lines_found == LINES
    assert found.counts_per_rev_x4.value == 4 * LINES
    assert found.index_width_counts.value == pytest.approx(1.0, abs=0.15)
    assert not found.index_active_low


def test_a_low_active_index_counts_as_well() -> None:
    made = encoder_record(plan())
    a, b, z = made.a, made.b, (-made.z).astype(made.z.dtype)
    found = analyse_encoder(*(Trace(c, made.scale_v, 2.5) for c in (a, b, z)), made.interval_s, LINES)
    assert found.index_active_low
    assert set(found.counts_each_turn.tolist()) == {4 * LINES}


def refusal_of(found: EncoderFigures) -> str:
    """The reason, after making sure that there are no counts."""
    for of in (found.counts_per_rev_x4, found.edges_per_rev_a, found.dropped, found.extra, found.illegal):
        assert (of.value, of.reason) == (None, found.refusal)
    assert (found.turns, found.lines_found) == (0, None)
    return found.refusal


@pytest.mark.parametrize(
    ("of", "reason"),
    [
        (plan(high_v=1.0), "A does not switch"),
        (plan(samples_per_count=2.0), "samples a count; needed: 2.4"),
        (plan(turns=0.005, samples_per_count=24.0), "edges in the record"),
    ],
)
def test_records_that_must_give_no_counts(of: EncoderPlan, reason: str) -> None:
    assert reason in refusal_of(analysed(of))


def test_without_an_index_phase_and_duty_still_stand() -> None:
    made = encoder_record(plan(duty=0.47, ripple=0.02))
    dead = np.zeros_like(made.z)
    found = analyse_encoder(*(Trace(c, made.scale_v, 2.5) for c in (made.a, made.b, dead)), made.interval_s, LINES, 1)
    assert "Z does not switch" in refusal_of(found)
    assert found.quadrature_deg_line.value == pytest.approx(90.0, abs=0.5)
    assert found.duty_a.value == pytest.approx(47.0, abs=0.3)
    assert found.leads_going_cw == "A"


def test_one_index_pulse_makes_no_turn() -> None:
    assert "1 index pulses" in refusal_of(analysed(plan(turns=1.2, start_lines=300.0)))


def test_channels_of_different_length_are_refused() -> None:
    made = encoder_record(plan(turns=2.2))
    with pytest.raises(ValueError, match="equally long"):
        analyse_encoder(Trace(made.a), Trace(made.b[:-1]), Trace(made.z), made.interval_s, LINES)
    with pytest.raises(ValueError, match="lines positive"):
        analyse_encoder(Trace(made.a), Trace(made.b), Trace(made.z), made.interval_s, 0)


def test_an_index_before_the_first_edge_of_the_record_leaves_its_turn_out() -> None:
    # The index lies in the very state in which the record begins, so its distance to an edge is not known.
    found = analysed(plan(lines=100, samples_per_count=3.0, start_lines=0.0, a_leads=False, turns=3.3))
    assert found.counts_each_turn.tolist() == [400, 400]
    assert (found.dropped.value, found.counts_per_rev_x4.value) == (0, 400)
