"""Codes of three commutation sensors against the published six-step tables."""

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.pairings import PAIRS, SENSORS, sensor_angles_deg_el
from analysis.states import codes_clockwise, states_of


@dataclass
class Train:
    times_s: NDArray[np.float64]
    rising: NDArray[np.bool_]


def trains(rise_deg: dict[str, float], theta_deg: NDArray[np.float64]) -> dict[str, Train]:
    """Edges of sensors that are high for 180 degrees, over a stated motion of the rotor, one sample a millisecond."""
    made = {}
    for sensor, rise in rise_deg.items():
        high = (theta_deg - rise) % 360 < 180
        at = np.flatnonzero(high[1:] != high[:-1])
        made[sensor] = Train(at * 1e-3, high[at + 1])
    return made


SIXTY = {"H1": 0.0, "H2": 60.0, "H3": 120.0}
HUNDRED_TWENTY = {"H1": 0.0, "H2": 120.0, "H3": 240.0}


def test_codes_of_a_120_degree_device() -> None:
    # Public six-step page (references 6.13): H_k = 1 where sin(theta - 120 k) > 0, sector centres 30, 90, ... 330.
    assert codes_clockwise(HUNDRED_TWENTY) == ("101", "100", "110", "010", "011", "001")


def test_codes_of_a_60_degree_device() -> None:
    # References 6.14: 000 and 111 are legal here, 010 and 101 are not.
    assert codes_clockwise(SIXTY) == ("100", "110", "111", "011", "001", "000")


def test_inverting_the_middle_sensor_turns_60_into_120_degrees() -> None:
    assert set(codes_clockwise(SIXTY | {"H2": 240.0})) == set(codes_clockwise(HUNDRED_TWENTY))


def test_codes_of_this_stations_nominal_table_are_the_six_in_order() -> None:
    nominal = sensor_angles_deg_el(
        dict(zip(SENSORS, PAIRS, strict=True)), dict.fromkeys(SENSORS, 1), dict.fromkeys(SENSORS, 0.0)
    )
    codes = codes_clockwise(nominal)
    start = codes.index("101")
    assert codes[start:] + codes[:start] == ("101", "100", "110", "010", "011", "001")


@pytest.mark.parametrize(("speed", "sense"), [(1.0, 1), (-1.0, -1)])
@pytest.mark.parametrize("rise", [HUNDRED_TWENTY, SIXTY, HUNDRED_TWENTY | {"H3": 60.0}])
def test_reversed_rotation_shows_the_same_codes_the_other_way_round(
    rise: dict[str, float], speed: float, sense: int
) -> None:
    # References 6.15.
    found = states_of(trains(rise, speed * np.arange(2000.0) + 10), codes_clockwise(rise))
    assert found.sense == sense
    assert (found.illegal, found.skipped) == (0, 0)
    assert found.forward + found.backward == len(found.order) - 1
    assert set(found.order) == set(codes_clockwise(rise))


def test_a_60_degree_device_shows_illegal_codes_where_120_is_expected() -> None:
    found = states_of(trains(SIXTY, np.arange(2000.0)), codes_clockwise(HUNDRED_TWENTY))
    assert found.illegal > 0
    assert {c for c in found.order if c in ("000", "111")} == {"000", "111"}


def test_two_sensors_swapped_count_the_other_way() -> None:
    swapped = HUNDRED_TWENTY | {"H2": 240.0, "H3": 120.0}
    found = states_of(trains(swapped, np.arange(2000.0)), codes_clockwise(HUNDRED_TWENTY))
    assert found.sense == -1


def test_a_rocking_shaft_has_no_sense() -> None:
    theta = 200 * np.sin(np.arange(6000) * 0.01)
    found = states_of(trains(HUNDRED_TWENTY, theta), codes_clockwise(HUNDRED_TWENTY))
    assert found.sense == 0
    assert found.illegal == 0
    assert abs(found.forward - found.backward) <= 6


def test_a_dead_sensor_leaves_no_order_and_is_named() -> None:
    made = trains(HUNDRED_TWENTY, np.arange(2000.0))
    made["H2"] = Train(np.empty(0), np.empty(0, dtype=bool))
    found = states_of(made, codes_clockwise(HUNDRED_TWENTY))
    assert (found.order, found.sense, found.reason) == ((), 0, "no edge of H2")
