"""Drag and coast-down against equations of motion solved here."""

import math

import numpy as np
import pytest

from analysis.estimate import BudgetLine, estimate, refused
from analysis.mechanics import OwnDrag, coast_down_s, drag_torque, emf_zeros_s, speed_over_time

OWN = OwnDrag((100.0, 600.0), (0.2, 0.3), 0.005)


def test_drag_is_the_torque_of_the_current_that_the_motor_adds() -> None:
    # DC machine, torque = K_t I: 0.05 N*m/A x (0.66 A - 0.26 A at 400 rpm).
    current = estimate(0.66, "A", [BudgetLine("scatter", "A", 0.01, 9)])
    found = drag_torque(current, -400.0, 0.05, OWN, constant_u=0.02)
    assert found.value == pytest.approx(0.02)
    assert found.u == pytest.approx(math.hypot(0.05 * 0.01, 0.05 * 0.005, 0.02 * 0.02))


def test_beyond_the_known_speeds_there_is_no_drag() -> None:
    current = estimate(0.66, "A", [])
    assert (
        drag_torque(current, 700.0, 0.05, OWN).reason == "the station's own drag is known up to 600 rpm, not at 700 rpm"
    )
    assert (
        drag_torque(refused("A", "the supply did not answer"), 400.0, 0.05, OWN).reason == "the supply did not answer"
    )


def test_speed_from_zeros_is_not_moved_by_a_scope_offset() -> None:
    # 4 pole pairs at 300 rpm: 20 Hz electrical; an offset moves rising and falling zeros apart.
    zeros = np.arange(40) / 40 + np.resize([1e-3, -1e-3], 40)
    times, speeds = speed_over_time(zeros, 4)
    assert speeds == pytest.approx(np.full(38, 300.0))
    assert times.size == speeds.size


def test_zeros_of_a_falling_emf_are_where_its_phase_says() -> None:
    # phase/2 pi = 30 t - 6 t^2, so zeros at t = (30 - sqrt(900 - 12 k))/12 for half cycles k; amplitude as the frequency.
    interval_s, rng = 1e-4, np.random.default_rng(4)
    t = np.arange(0, 2.2, interval_s)
    emf = 40 * (1 - 0.4 * t) * np.sin(2 * np.pi * (30 * t - 6 * t**2))
    noisy = emf + rng.normal(0, 0.1, t.size) + 0.3
    expected = (30 - np.sqrt(900 - 12 * np.arange(1, 73))) / 12
    clean, _ = emf_zeros_s(emf, interval_s)
    assert clean[: expected.size] == pytest.approx(expected, abs=1e-4)
    zeros, u_s = emf_zeros_s(noisy, interval_s)
    # An offset moves rising and falling zeros oppositely: pairs of them keep their mean.
    pairs = slice(0, 40)
    assert zeros[pairs].reshape(-1, 2).mean(axis=1) == pytest.approx(
        expected[pairs].reshape(-1, 2).mean(axis=1), abs=1e-4
    )
    assert 0 < u_s < 1e-3


def test_a_channel_without_emf_has_no_zeros() -> None:
    assert emf_zeros_s(np.full(1000, 0.2), 1e-4)[0].size == 0


def test_coast_down_under_constant_friction() -> None:
    # w = w0 - (T/J) t: from 300 to 100 rpm at 50 rpm a second takes 4 s.
    t = np.arange(0, 10, 0.0137)
    speed = np.where(t < 1, 320.0, np.maximum(0, 320 - 50 * (t - 1)))
    found = coast_down_s(t, -speed, 300.0, 100.0, u_time_s=0.001)
    assert found.value == pytest.approx(4.0, abs=1e-6)
    assert found.u is not None
    assert found.u > math.sqrt(2) * 0.001


def test_coast_down_under_viscous_friction_to_standstill() -> None:
    # w = w0 exp(-t / tau): from 300 to 30 rpm in tau ln 10.
    t = np.arange(0, 5, 0.01)
    assert coast_down_s(t, 300.5 * np.exp(-t / 0.8), 300.0, 30.0).value == pytest.approx(0.8 * math.log(10), abs=0.002)


@pytest.mark.parametrize(
    ("start", "end", "reason"),
    [
        (400.0, 100.0, "the shaft never turned at 400 rpm"),
        (250.0, 10.0, "the shaft was not seen to fall to 10 rpm"),
        (100.0, 100.0, "a coast-down goes from a higher to a lower speed, got 100 to 100 rpm"),
    ],
)
def test_what_was_not_seen_is_not_measured(start: float, end: float, reason: str) -> None:
    t = np.arange(0, 1, 0.1)
    assert coast_down_s(t, 300 - 200 * t, start, end).reason == reason
