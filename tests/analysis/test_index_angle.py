"""Index against EMF: angles from a shaft whose motion is stated here, both directions, with ripple and harmonics."""

import math

import numpy as np
import pytest

from analysis.index_angle import index_to_emf, index_to_fundamental, phase_from, pole_pairs_found

INTERVAL_S = 1e-5
POLE_PAIRS = 4
ZERO_DEG_EL = 37.0
INDEX_RAD = 1.1
TRUE_DEG_EL = math.degrees(POLE_PAIRS * INDEX_RAD) - ZERO_DEG_EL


class Turned:
    """A shaft that turns with ripple: EMF, index times, encoder edges, phase of the EMF."""

    def __init__(self, direction: int, ripple: float = 0.05, harmonic: float = 0.0) -> None:
        t = np.arange(100_000) * INTERVAL_S
        turned = 2 * np.pi * 5 * t + ripple * np.sin(2 * np.pi * 5 * t * 3)
        theta = direction * turned + 0.3
        phi = POLE_PAIRS * theta - math.radians(ZERO_DEG_EL)
        speed = direction * 2 * np.pi * 5 * (1 + ripple * 3 * np.cos(2 * np.pi * 5 * t * 3))
        self.emf = speed * (np.sin(phi) + harmonic * np.sin(5 * phi + 0.7)) + np.random.default_rng(0).normal(
            0, 0.05, t.size
        )
        turns = direction * (theta - INDEX_RAD) / (2 * np.pi)
        self.index_s = np.interp(np.arange(math.ceil(turns[0]), math.floor(turns[-1]) + 1), turns, t)
        counts = turns * 8192
        self.counts = np.arange(math.ceil(counts[0]), math.floor(counts[-1]) + 1.0)
        self.edges_s = np.interp(self.counts, counts, t)
        self.phase_at = phase_from(t, direction * np.degrees(phi))


def wrapped(angle: float) -> float:
    return (angle + 180) % 360 - 180


@pytest.mark.parametrize("direction", [1, -1])
def test_index_lies_at_the_same_angle_in_both_directions(direction: int) -> None:
    shaft = Turned(direction)
    found = index_to_emf(shaft.index_s, shaft.phase_at, direction)
    assert found.value == pytest.approx(wrapped(TRUE_DEG_EL), abs=1e-6)


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize("harmonic", [0.0, 0.03])
def test_by_the_fundamental_neither_ripple_nor_a_skew_harmonic_moves_it(direction: int, harmonic: float) -> None:
    shaft = Turned(direction, harmonic=harmonic)
    found = index_to_fundamental(
        shaft.emf, INTERVAL_S, (shaft.edges_s, shaft.counts), shaft.index_s, POLE_PAIRS, direction
    )
    assert found.value == pytest.approx(wrapped(TRUE_DEG_EL), abs=0.01)
    assert found.u is not None
    assert abs((found.value or 0) - wrapped(TRUE_DEG_EL)) < 2 * found.u


def test_pole_pairs_are_cycles_per_index() -> None:
    shaft = Turned(1)
    assert pole_pairs_found(shaft.index_s, shaft.phase_at).value == POLE_PAIRS


def test_no_whole_number_of_cycles_is_no_pole_count() -> None:
    shaft = Turned(1, ripple=0.0)
    stretched = pole_pairs_found(shaft.index_s * 0.9, shaft.phase_at)
    assert stretched.value is None
    assert "3.60 cycles of the EMF in one turn" in stretched.reason


def test_outside_the_known_phase_there_is_no_angle() -> None:
    shaft = Turned(1)
    nowhere = index_to_emf(np.array([5.0, 6.0]), shaft.phase_at, 1)
    assert nowhere.reason == "no index pulse where the phase of the EMF is known"
    assert pole_pairs_found(np.array([5.0]), shaft.phase_at).value is None


def test_scatter_from_turn_to_turn_is_in_the_budget() -> None:
    shaft = Turned(1)
    shaken = index_to_emf(shaft.index_s + np.resize([2e-5, -2e-5], shaft.index_s.size), shaft.phase_at, 1)
    by_source = {line.source: line for line in shaken.budget}
    # 2e-5 s at 20 Hz is 0.144 degrees.
    assert by_source["scatter from turn to turn"].u == pytest.approx(0.144 / math.sqrt(shaft.index_s.size - 1), rel=0.2)
    assert by_source["scatter from turn to turn"].dof == shaft.index_s.size - 1


@pytest.mark.parametrize("direction", [0, 2])
def test_a_direction_is_plus_or_minus_one(direction: int) -> None:
    with pytest.raises(ValueError, match=r"direction must be \+1 or -1"):
        index_to_emf(np.array([0.1]), phase_from(np.array([0.0, 1.0]), np.array([0.0, 360.0])), direction)


def test_counts_between_two_index_pulses_are_needed() -> None:
    shaft = Turned(1)
    one = index_to_fundamental(shaft.emf, INTERVAL_S, (shaft.edges_s, shaft.counts), shaft.index_s[:1], POLE_PAIRS, 1)
    assert one.reason == "fewer than two index pulses with counts between them"
