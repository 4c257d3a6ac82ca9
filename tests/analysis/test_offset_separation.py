"""Offset, hysteresis and delay from both directions and two speeds, and which way the body must be turned."""

import math

import pytest
from emf_signals import Look, Unit, capture, near
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.correction import CCW, CW, correction
from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.separation import AtSpeed, separate
from analysis.timing import capture_timing


def y(value: float, u: float = 0.01) -> Estimate:
    return estimate(near(value), "deg_el", [BudgetLine("scatter", "A", u, 5.0)])


def at(rpm: float, cw: float, ccw: float, u: float = 0.01) -> AtSpeed:
    """Four pole pairs."""
    return AtSpeed(rpm * 4 / 60, y(cw, u), y(ccw, u))


def test_worked_example() -> None:
    # Least squares of y = x + s eta + s w tau by hand, w = 360 f_e: 201 and 603 rpm, 4 pole pairs, the four figures of
    # a simulated capture whose truth is x 2.737, eta 3.954, tau 40.4 us.
    found = separate(at(201.0, 6.842, -1.420), at(603.0, 7.288, -1.815))
    assert found.offset.value == pytest.approx(2.7365, abs=1e-9)
    assert found.hysteresis.value == pytest.approx(3.921, abs=1e-3)
    assert found.delay.value == pytest.approx(43.6, abs=0.1)
    assert found.check_deg_el == pytest.approx(-0.026, abs=6e-4)
    assert found.one_direction is not None
    assert found.one_direction.value == pytest.approx(6.842)


def test_uncertainty_of_the_terms_at_three_times_the_speed() -> None:
    found = separate(at(200.0, 3.0, 3.0, 0.02), at(600.0, 3.0, 3.0, 0.02))
    each = 0.02 / math.sqrt(2)
    # Linear propagation: u(eta) = u(d) sqrt(w1^2 + w2^2) / (w2 - w1), u(tau) = u(d) sqrt(2) / (w2 - w1).
    assert found.hysteresis.u == pytest.approx(each * math.sqrt(10) / 2)
    assert found.delay.u == pytest.approx(each * math.sqrt(2) / (360 * 400 * 4 / 60) * 1e6)
    assert found.offset.u is not None
    assert found.offset.u >= each


def test_what_is_systematic_does_not_average_out_over_two_directions() -> None:
    def known(kind: str, source: str) -> float:
        both = [estimate(4.0, "deg_el", [BudgetLine(source, kind, 0.3, 100.0)])] * 2
        return separate(None, AtSpeed(40.0, *both)).offset.u or 0.0

    assert known("B", "window of the zero fits and harmonics") >= 0.3
    assert 0.3 / math.sqrt(2) <= known("A", "scatter of the means of each turn") < 0.25


@given(x=st.floats(-179.0, 179.0), eta=st.floats(-5.0, 5.0), tau_us=st.floats(-200.0, 200.0), ratio=st.floats(1.5, 5.0))
@settings(max_examples=50, deadline=None)
def test_the_terms_come_back_also_across_the_wrap(x: float, eta: float, tau_us: float, ratio: float) -> None:
    def seen(rpm: float) -> AtSpeed:
        turned = eta + 360 * rpm * 4 / 60 * tau_us * 1e-6
        return at(rpm, x + turned, x - turned)

    found = separate(seen(200.0), seen(200.0 * ratio))
    assert found.offset.value is not None
    assert near(found.offset.value - x) == pytest.approx(0.0, abs=1e-6)
    assert found.hysteresis.value == pytest.approx(eta, abs=1e-6)
    assert found.delay.value == pytest.approx(tau_us, abs=1e-3)
    assert found.check_deg_el == pytest.approx(0.0, abs=1e-6)


def test_one_speed_gives_the_offset_alone() -> None:
    found = separate(None, at(600.0, 7.0, -1.0))
    assert found.offset.value == pytest.approx(3.0)
    assert (found.hysteresis.value, found.delay.value, found.check_deg_el) == (None, None, None)
    assert found.delay.reason == "hysteresis and delay need two speeds"


def test_speeds_too_alike_give_the_offset_alone() -> None:
    found = separate(at(500.0, 7.0, -1.0), at(600.0, 7.0, -1.0))
    assert found.offset.value == pytest.approx(3.0)
    assert "ratio 1.20; needed: 1.3" in found.hysteresis.reason


def test_one_direction_gives_no_offset() -> None:
    found = separate(None, AtSpeed(40.0, y(7.0), refused("deg_el", "clipped")))
    assert found.offset.value is None
    assert found.offset.reason.endswith("not measured counter-clockwise: clipped")
    assert found.one_direction is not None
    assert found.one_direction.value == pytest.approx(7.0)


def test_from_captures_to_terms_and_the_turn_that_mends_them() -> None:
    unit = Unit(body_deg_mech=0.7, hysteresis_deg=3.0, delay_s=60e-6)

    def seen(rpm: float) -> AtSpeed:
        figures, f_e_hz = [], 0.0
        for direction in (1, -1):
            look = Look(direction=direction, rpm=rpm)
            drawn = capture(unit, look)
            timing = capture_timing(drawn.emf_v, drawn.sensors_v, look.interval_s, direction, 4)
            figures.append(timing.sensors["H1"].y_waveform)
            f_e_hz = timing.f_e_hz or 0.0
        return AtSpeed(f_e_hz, *figures)

    found = separate(seen(203.0), seen(607.0))
    assert found.offset.value == pytest.approx(2.8, abs=0.03)
    assert found.hysteresis.value == pytest.approx(3.0, abs=0.03)
    assert found.delay.value == pytest.approx(60.0, abs=3.0)
    turn = correction(found.offset.value or 0.0, 0.0, 4, 8192)
    # The body was turned 0.7 degrees clockwise, so it must go back by as much.
    assert turn.body_cw_deg_mech == pytest.approx(-0.7, abs=0.01)
    assert (turn.from_drive_end, turn.from_rear) == (CCW, CW)
    mended = Unit(body_deg_mech=0.7 + turn.body_cw_deg_mech)
    drawn = capture(mended, Look())
    after = capture_timing(drawn.emf_v, drawn.sensors_v, 1e-5, 1, 4).sensors["H1"].y_waveform
    assert after.value == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize(
    ("offset", "target", "way", "rear", "amount"),
    [
        # +x switches too far clockwise: the body goes counter-clockwise seen from the drive end, by x / P.
        (8.0, 0.0, CCW, CW, 2.0),
        (-8.0, 0.0, CW, CCW, 2.0),
        (8.0, 30.0, CW, CCW, 5.5),
        (2.74, 0.0, CCW, CW, 0.685),
    ],
)
def test_which_way_to_turn_from_either_end(offset: float, target: float, way: str, rear: str, amount: float) -> None:
    turn = correction(offset, target, 4, 8192)
    assert (turn.from_drive_end, turn.from_rear) == (way, rear)
    assert turn.amount_deg_mech == pytest.approx(amount)
    # 8192 counts are 360 degrees.
    assert turn.counts == pytest.approx(amount * 8192 / 360)


@pytest.mark.parametrize(("offset", "target", "body"), [(179.0, -179.0, 0.5), (-175.0, 175.0, -2.5)])
def test_the_shorter_way_round_is_taken(offset: float, target: float, body: float) -> None:
    # 179 and -179 are 2 degrees apart, not 358.
    assert correction(offset, target, 4, 8192).body_cw_deg_mech == pytest.approx(body)
