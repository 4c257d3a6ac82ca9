"""Levels and edge times of wires, alone and as a difference."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.pulse_trains import Trace
from analysis.wire_levels import differential_health, wire_health

INTERVAL_S = 1e-6
SCALE_V = 10 / 65536


def wire(
    low: float = 0.3, high: float = 4.7, rise_s: float = 0.0, fall_s: float = 0.0, *, inverted: bool = False
) -> Trace:
    """A wire that switches every 200 us, with time constants of an RC for either edge, 16 bit about 2.5 V."""
    t = np.arange(60_000) * INTERVAL_S
    place = (t + 37.3e-6) % 400e-6
    is_high = (place < 200e-6) != inverted
    since = place % 200e-6
    level: NDArray[np.float64] = np.where(is_high, 1.0, 0.0)
    if rise_s:
        level = np.where(is_high, 1 - np.exp(-since / rise_s), level)
    if fall_s:
        level = np.where(is_high, level, np.exp(-since / fall_s))
    return Trace(np.rint((low + (high - low) * level - 2.5) / SCALE_V).astype(np.int16), SCALE_V, 2.5)


def test_levels_of_a_wire() -> None:
    found = wire_health("A", wire(), INTERVAL_S, gain_u=0.01)
    assert (found.low.value, found.high.value, found.swing.value) == pytest.approx((0.3, 4.7, 4.4), abs=2e-4)
    assert found.high.u == pytest.approx(math.hypot(0.047, SCALE_V / math.sqrt(12)), rel=1e-3)


@pytest.mark.parametrize("rise_s", [5e-6, 20e-6])
def test_rise_of_a_pull_up_is_slow_and_its_fall_fast(rise_s: float) -> None:
    # An RC passes from 10 % to 90 % in R C ln 9.
    found = wire_health("A", wire(rise_s=rise_s), INTERVAL_S)
    assert found.rise.value == pytest.approx(rise_s * math.log(9), rel=0.03)
    assert found.fall.value is not None
    assert found.fall.value <= INTERVAL_S


def test_a_dead_wire_has_levels_and_no_edges() -> None:
    still = Trace(np.full(5000, -15000, dtype=np.int16), SCALE_V, 2.5)
    found = wire_health("B", still, INTERVAL_S)
    assert found.swing.value == pytest.approx(0.0)
    assert found.low.value == pytest.approx(2.5 - 15000 * SCALE_V)
    assert found.rise.reason == "no edge"


def test_a_line_with_its_complement_drives_both_ways() -> None:
    line, complement = (wire_health(n, wire(0.5, 3.5, inverted=i), INTERVAL_S) for n, i in (("A", False), ("A-", True)))
    found = differential_health("A", line, complement)
    assert (found.high.value, found.low.value) == pytest.approx((3.0, -3.0), abs=1e-3)
    assert (found.drives, found.dead) == (True, "")


@pytest.mark.parametrize(
    ("dead_line", "dead_complement", "named"),
    [(True, False, "line"), (False, True, "complement"), (True, True, "both")],
)
def test_a_dead_wire_of_the_two_is_named(dead_line: bool, dead_complement: bool, named: str) -> None:
    flat = Trace(np.full(60_000, -14000, dtype=np.int16), SCALE_V, 2.5)
    line = wire_health("A", flat if dead_line else wire(), INTERVAL_S)
    complement = wire_health("A-", flat if dead_complement else wire(inverted=True), INTERVAL_S)
    assert differential_health("A", line, complement).dead == named


def test_a_weak_difference_does_not_drive() -> None:
    # TIA/EIA-422-B: at least 2 V (from memory).
    line, complement = (
        wire_health(n, wire(1.2, 3.3 if n == "A" else 3.0, inverted=i), INTERVAL_S)
        for n, i in (("A", False), ("A-", True))
    )
    assert not differential_health("A", line, complement).drives
