"""Offset, hysteresis and delay from two directions and two speeds."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.separation import AtSpeed, Separated, separate


def y(value: float, u: float = 0.01) -> Estimate:
    return estimate(value, "deg_el", [BudgetLine("scatter of the means of each turn", "A", u, 5.0)])


def at(f_e_hz: float, cw: float, ccw: float, u: float = 0.01) -> AtSpeed:
    return AtSpeed(f_e_hz, y(cw, u), y(ccw, u))


def terms(found: Separated) -> tuple[float, float, float]:
    values = (found.offset.value, found.hysteresis.value, found.delay.value)
    assert None not in values
    return values  # type: ignore[return-value]


def test_worked_example() -> None:
    # P = 4 at 201 and 603 rpm: y = 6.842, -1.420, 7.288, -1.815; by hand m = 2.711, 2.737 (2.7365), d = 4.131, 4.552
    # (4.5515); offset 2.737, hysteresis 3.921, delay 43.6 us, check -0.026, limit for ever higher speed 2.740.
    found = separate(at(13.4, 6.842, -1.420), at(40.2, 7.288, -1.815))
    offset, hysteresis, delay = terms(found)
    assert offset == pytest.approx(2.7365, abs=5e-4)
    assert hysteresis == pytest.approx(3.921, abs=1e-3)
    assert delay == pytest.approx(43.6, abs=0.1)
    assert found.check_deg_el == pytest.approx(-0.0255, abs=1e-3)
    assert found.extrapolated is not None
    assert found.extrapolated.value == pytest.approx(2.740, abs=1e-3)
    assert found.one_direction is not None
    assert found.one_direction.value == 6.842
    assert ("CCW", "high", -1.815) in found.claims_deg_el


@given(
    x=st.floats(-179, 179),
    eta=st.floats(-5, 5),
    tau_us=st.floats(-200, 200),
    f1=st.floats(5, 40),
    ratio=st.floats(1.5, 5),
)
@settings(deadline=None, max_examples=100)
def test_any_terms_come_back(x: float, eta: float, tau_us: float, f1: float, ratio: float) -> None:
    def seen(f_e_hz: float, s: int) -> float:
        value = x + s * eta + s * 360 * f_e_hz * tau_us * 1e-6
        return (value + 180) % 360 - 180

    found = separate(at(f1, seen(f1, 1), seen(f1, -1)), at(ratio * f1, seen(ratio * f1, 1), seen(ratio * f1, -1)))
    offset, hysteresis, delay = terms(found)
    assert (offset - x + 180) % 360 - 180 == pytest.approx(0, abs=1e-6)
    assert hysteresis == pytest.approx(eta, abs=1e-5)
    assert delay == pytest.approx(tau_us, abs=1e-2)
    assert found.note == ""


@pytest.mark.parametrize(("ratio", "u_eta"), [(1.5, 2.55), (2.0, 1.58), (3.0, 1.12), (5.0, 0.90)])
def test_unit_noise_gives_the_known_uncertainties(ratio: float, u_eta: float) -> None:
    # sqrt((w1^2 + w2^2) / 2) / (w2 - w1) for eta and 1 / (w2 - w1) for tau, by hand; hysteresis is 0, so no stretch.
    found = separate(at(10, 0, 0, 1.0), at(10 * ratio, 0, 0, 1.0), play_deg_el=0.0)
    assert found.hysteresis.u == pytest.approx(u_eta, abs=0.01)
    assert found.delay.u == pytest.approx(1e6 / (360 * 10 * (ratio - 1)))
    assert found.offset.u == pytest.approx(1 / np.sqrt(2))
    assert found.covariance is not None
    correlation = found.covariance[1][2] / np.sqrt(found.covariance[1][1] * found.covariance[2][2])
    if ratio == 3.0:
        assert correlation == pytest.approx(-0.89, abs=0.005)


def test_covariance_is_that_of_many_trials() -> None:
    rng = np.random.default_rng(4)
    w = np.array([360 * 13.0, 360 * 39.0])
    trials = rng.standard_normal((4000, 4)) * 0.01
    found = [terms(separate(at(13, a, b), at(39, c, d))) for a, b, c, d in trials]
    stated = separate(at(13, 0, 0), at(39, 0, 0), play_deg_el=0.0).covariance
    assert np.cov(np.array(found).T)[1:, 1:] == pytest.approx(np.array(stated)[1:, 1:], rel=0.1)
    assert w[1] / w[0] == 3.0


def test_what_both_captures_share_does_not_average_out() -> None:
    line = BudgetLine("window of the zero fits and harmonics", "B", 0.02)
    shared = Estimate(1.0, "deg_el", 0.02, budget=(line,))
    found = separate(None, AtSpeed(20, shared, shared), play_deg_el=0.0)
    assert found.offset.u == pytest.approx(0.02)


def test_skew_of_channels_leaves_the_offset_alone_and_limits_the_delay() -> None:
    def skewed(f_e_hz: float) -> AtSpeed:
        line = BudgetLine("delay between scope channels", "B", 360 * f_e_hz * 1e-6)
        one = Estimate(0.0, "deg_el", line.u, budget=(line,))
        return AtSpeed(f_e_hz, one, one)

    found = separate(skewed(13), skewed(39), play_deg_el=0.0)
    assert found.offset.u == 0.0
    assert found.delay.u == pytest.approx(1.0)


def test_a_term_that_cannot_be_separated_says_why() -> None:
    one_speed = separate(None, at(20, 5.0, 1.0))
    assert one_speed.offset.value == pytest.approx(3.0)
    assert one_speed.hysteresis.reason == "hysteresis and delay need two speeds"
    alike = separate(at(20, 5, 1), at(22, 5, 1))
    assert alike.delay.reason == "the speeds are too alike to tell hysteresis from delay: ratio 1.10; needed: 1.3"
    silent = AtSpeed(20, y(5.0), refused("deg_el", "the sensor has no edge in the record"))
    one_way = separate(None, silent)
    assert one_way.offset.value is None
    assert one_way.offset.reason == (
        "offset, hysteresis and delay need both directions: not measured counter-clockwise: "
        "the sensor has no edge in the record"
    )
    assert one_way.one_direction is not None
    assert one_way.one_direction.value == 5.0
    lame = separate(silent, at(60, 5, 1))
    assert lame.offset.value == pytest.approx(3.0)
    assert "at two speeds" in lame.hysteresis.reason


def test_slip_between_the_speeds_is_noted() -> None:
    assert separate(at(13, 5.0, 1.0), at(39, 5.5, 1.5)).note.startswith("the two speeds disagree by -0.50 deg_el")
