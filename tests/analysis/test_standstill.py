"""Standstill: offset, noise and mains of a stated channel; a sensor's wire with the bench's pull-up off and on."""

import math

import numpy as np
import pytest

from analysis.pulse_trains import Trace, WireLevels
from analysis.standstill import PullUpVerdict, WireState, pull_up_verdict, standstill_emf, wire_state

INTERVAL_S = 1e-4


def channel(mains_hz: float = 50.0, turning_v: float = 0.0, n: int = 10_000) -> Trace:
    t = np.arange(n) * INTERVAL_S
    rng = np.random.default_rng(6)
    volts = (
        0.12 + 0.08 * np.sin(2 * np.pi * mains_hz * t + 0.4) + 0.02 * np.sin(2 * np.pi * 3 * mains_hz * t)
        + turning_v * np.sin(2 * np.pi * 7.3 * t) + rng.normal(0, 0.03, n)
    )  # fmt: skip
    return Trace(np.rint(volts / 0.01).astype(np.int16), 0.01)


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_offset_noise_and_mains_are_told_apart(mains_hz: float) -> None:
    found = standstill_emf(channel(mains_hz), INTERVAL_S, mains_hz)
    for of, true in ((found.offset, 0.12), (found.mains, 0.08), (found.mains_harmonic, 0.02)):
        assert of.value is not None
        assert of.u is not None
        assert abs(of.value - true) < 3.5 * of.u
        assert of.u < 0.004
    # Noise and the converter's own step of 0.01 V / sqrt(12).
    assert found.noise.value == pytest.approx(math.hypot(0.03, 0.01 / math.sqrt(12)), rel=0.03)
    assert found.moving_hz is None


def test_a_shaft_that_turns_is_seen() -> None:
    found = standstill_emf(channel(turning_v=0.05), INTERVAL_S, 50.0)
    assert found.moving_hz == pytest.approx(7.3, abs=1.0)


def test_too_short_a_record_is_refused() -> None:
    found = standstill_emf(channel(n=200), INTERVAL_S, 50.0)
    assert found.offset.reason == "0.02 s is too short to see the mains; needed: 0.04 s"


@pytest.mark.parametrize(("volts", "state"), [(0.2, WireState.LOW), (4.8, WireState.HIGH), (2.4, WireState.BETWEEN)])
def test_a_still_wire_has_a_state(volts: float, state: WireState) -> None:
    still = volts + np.random.default_rng(2).normal(0, 0.03, 5000)
    assert wire_state(Trace(still), 5.0) is state


def test_a_wire_that_switches_is_seen() -> None:
    assert wire_state(Trace(np.where(np.arange(5000) % 1000 < 500, 4.8, 0.2)), 5.0) is WireState.SWITCHING


# Levels of a turning sensor's wire with the bench's pull-up off, then on; 5 V supply.
CASES = {
    PullUpVerdict.WORKS: ((0.2, 4.8), (0.3, 4.9)),
    # Swing 0.18 V near 0 V without any pull-up (signal model).
    PullUpVerdict.MISSING_PULL_UP: ((0.0, 0.18), (0.2, 4.8)),
    PullUpVerdict.STUCK_LOW: ((0.1, 0.2), (0.2, 0.3)),
    PullUpVerdict.STUCK_HIGH: ((4.7, 4.9), (4.8, 4.9)),
    PullUpVerdict.OPEN: ((0.0, 0.1), (4.8, 4.9)),
    PullUpVerdict.WEAK: ((0.0, 0.1), (2.9, 4.6)),
    PullUpVerdict.UNSTEADY: ((0.2, 4.8), (0.1, 0.2)),
}


@pytest.mark.parametrize(("verdict", "levels"), CASES.items())
def test_stuck_and_missing_pull_up_are_told_by_the_benchs_own(
    verdict: PullUpVerdict, levels: tuple[tuple[float, float], tuple[float, float]]
) -> None:
    assert pull_up_verdict(WireLevels(*levels[0]), WireLevels(*levels[1]), 5.0) is verdict
