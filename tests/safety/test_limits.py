"""Limits against the figures that public sources quote, and the times against each other."""

import pytest

from safety.interlocks import read_table
from safety.limits import (
    DEADMAN_WITHIN_S,
    LINK_TIMEOUT_S,
    LOOK_PERIOD_S,
    PERMIT_VALID_S,
    SETTING_SPEED_RPM,
    SPIN_OFF_WITHIN_S,
    TOUCH_DEFAULT,
    TOUCH_LIMITS,
)

THRESHOLDS = {t.name: t.default for t in read_table().thresholds}


@pytest.mark.parametrize("name", ["lower", "higher", "wet"])
def test_touch_limits_are_those_quoted_for_the_standard(name: str) -> None:
    # IEC 61010-1 normal condition, two editions, and wet locations; from memory, as (V r.m.s., V peak, V d.c.).
    quoted = {"lower": (30, 42.4, 60), "higher": (33, 46.7, 70), "wet": (16, 22.6, 35)}[name]
    limits = TOUCH_LIMITS[name]
    assert (limits.ac_rms_v, limits.ac_peak_v, limits.dc_v) == quoted
    # The peak is that of a sine of the r.m.s. figure.
    assert limits.ac_peak_v == pytest.approx(limits.ac_rms_v * 2**0.5, rel=0.002)
    assert "from memory" in limits.source


def test_the_default_is_the_lower_set_of_the_two_editions_here_and_in_the_table() -> None:
    assert TOUCH_DEFAULT.ac_peak_v == min(TOUCH_LIMITS["lower"].ac_peak_v, TOUCH_LIMITS["higher"].ac_peak_v)
    assert THRESHOLDS["touch_limit_v"] == TOUCH_DEFAULT.ac_peak_v


def test_a_permit_outlives_two_looks_and_dies_before_the_dead_man_relay_drops() -> None:
    assert 2 * LOOK_PERIOD_S < PERMIT_VALID_S < DEADMAN_WITHIN_S


def test_a_look_and_a_command_fit_into_the_time_to_switch_off() -> None:
    assert LOOK_PERIOD_S + LINK_TIMEOUT_S < SPIN_OFF_WITHIN_S < DEADMAN_WITHIN_S


def test_the_trip_in_setting_lies_above_the_speed_that_may_be_asked_for_and_far_below_that_behind_guards() -> None:
    assert SETTING_SPEED_RPM < THRESHOLDS["setting_overspeed_rpm"] <= 1.25 * SETTING_SPEED_RPM
    assert THRESHOLDS["setting_overspeed_rpm"] < THRESHOLDS["overspeed_rpm"]
