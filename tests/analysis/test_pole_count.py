"""Pole pairs from the pattern of the sensors' errors."""

import numpy as np
import pytest

from analysis.pole_count import pole_pairs_by_pattern


def rows(pole_pairs: int, cycles: int, seed: int, jitter: float = 0.1, spread: float = 1.0) -> list[np.ndarray]:
    """Six rows (three sensors, two kinds of edge) of placement errors by pole, with jitter."""
    rng = np.random.default_rng(seed)
    return [np.resize(rng.normal(0, spread, pole_pairs), cycles) + rng.normal(0, jitter, cycles) for _ in range(6)]


@pytest.mark.parametrize("pole_pairs", [2, 3, 4, 5, 6, 8])
def test_pole_pairs_are_found_from_two_and_a_half_turns_on(pole_pairs: int) -> None:
    # Signal model: at least 98 % right; here every one of 30 draws, none wrong.
    for seed in range(30):
        found = pole_pairs_by_pattern(rows(pole_pairs, int(np.ceil(3 * pole_pairs)), seed))
        assert found.value in (pole_pairs, None)
        assert pole_pairs_by_pattern(rows(pole_pairs, 6 * pole_pairs, seed)).value == pole_pairs


@pytest.mark.parametrize("spread", [0.0, 0.05])
def test_poles_that_are_alike_tell_nothing(spread: float) -> None:
    found = pole_pairs_by_pattern(rows(4, 40, 3, spread=spread))
    assert found.value is None
    assert found.reason.startswith("the poles are too alike")


def test_too_few_cycles_tell_nothing() -> None:
    assert pole_pairs_by_pattern(rows(4, 4, 3)).reason == "4 cycles in the record are too few to see a pattern repeat"
    assert pole_pairs_by_pattern([]).value is None
