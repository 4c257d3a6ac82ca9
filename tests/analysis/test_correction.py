"""Which way to turn: signs by reasoning on the shaft, not by the formula."""

import pytest

from analysis.correction import CCW, CW, correction


def test_a_sensor_that_switches_too_far_clockwise_is_turned_back() -> None:
    # The worked example: offset 2.74, P = 4: 0.685 mechanical, counter-clockwise seen from the drive end.
    turn = correction(2.74, 0.0, 4, 8192)
    assert turn.from_drive_end == CCW
    assert turn.from_rear == CW
    assert turn.amount_deg_mech == pytest.approx(0.685)
    assert turn.body_cw_deg_mech == pytest.approx(-0.685)
    assert turn.hub_cw_deg_mech == pytest.approx(0.685)
    assert turn.counts == pytest.approx(0.685 / 360 * 8192)


def test_one_that_switches_too_early_is_turned_on() -> None:
    turn = correction(-2.74, 0.0, 4, 8192, u_deg_el=0.04)
    assert (turn.from_drive_end, turn.from_rear) == (CW, CCW)
    assert turn.u_deg_mech == pytest.approx(0.01)


@pytest.mark.parametrize(("offset", "target", "body"), [(5, 5, 0), (5, 2, -0.75), (175, -175, 2.5), (-175, 175, -2.5)])
def test_the_target_is_reached_the_shorter_way(offset: float, target: float, body: float) -> None:
    # Turning the body clockwise by d mechanical adds P d to the offset.
    turn = correction(offset, target, 4, 4096)
    assert turn.body_cw_deg_mech == pytest.approx(body)
    after = (offset + 4 * turn.body_cw_deg_mech - target + 180) % 360 - 180
    assert after == pytest.approx(0)


def test_a_motor_without_pole_pairs_is_refused() -> None:
    with pytest.raises(ValueError, match="pole_pairs must be at least 1, got 0"):
        correction(1.0, 0.0, 0, 4096)
