"""Where a current holds the rotor: derived here once more from flux linkages alone, by differentiating the co-energy."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.current_vectors import (
    VECTORS,
    band_deg_el,
    rest_deg_el,
    side_of_edge,
    torque_nm,
    vectors_of,
)
from analysis.pairings import PAIR_ZERO_DEG_EL

LAMBDA_VS, POLE_PAIRS = 0.031, 4


def emf_v(k: int, theta: float, speed_el: float) -> float:
    """The convention: e_u = w lambda sin(theta), V and W later by a third each [V]."""
    return speed_el * LAMBDA_VS * math.sin(theta - 2 * math.pi * k / 3)


def linkage_vs(k: int, theta: float) -> float:
    """Flux linkage of a phase: its EMF summed up over the angle from where it is nothing, which is a quarter before its zero [V s]."""
    start = 2 * math.pi * k / 3 - math.pi / 2
    x = np.linspace(start, theta, 4001)
    return float(np.trapezoid([emf_v(k, float(a), 1.0) for a in x], x))


def torque_by_coenergy(theta: float, currents_a: tuple[float, float, float]) -> float:
    """d W' / d theta_m at constant currents, W' = sum psi_k i_k, by central difference [N*m]."""
    step = 1e-4

    def coenergy(at: float) -> float:
        return sum(linkage_vs(k, at) * i for k, i in enumerate(currents_a))

    return POLE_PAIRS * (coenergy(theta + step) - coenergy(theta - step)) / (2 * step)


@pytest.mark.parametrize("theta_deg_el", [-170.0, -61.0, -30.0, 0.0, 44.0, 150.0])
@pytest.mark.parametrize("currents_a", [(2.0, -2.0, 0.0), (0.0, 1.5, -1.5), (1.0, 0.5, -1.5)])
def test_torque_is_the_slope_of_the_coenergy(theta_deg_el: float, currents_a: tuple[float, float, float]) -> None:
    given_by = torque_nm(theta_deg_el, dict(zip("UVW", currents_a, strict=True)), LAMBDA_VS, POLE_PAIRS)
    assert given_by == pytest.approx(torque_by_coenergy(math.radians(theta_deg_el), currents_a), abs=2e-6)


@pytest.mark.parametrize("vector", VECTORS)
def test_a_rest_is_a_zero_of_the_torque_that_draws_the_rotor_back(vector: tuple[str, str]) -> None:
    currents = tuple(1.0 if k == vector[0] else -1.0 if k == vector[1] else 0.0 for k in "UVW")
    at = rest_deg_el(vector)
    before, there, beyond = (torque_by_coenergy(math.radians(at + d), currents) for d in (-10.0, 0.0, 10.0))  # type: ignore[arg-type]
    assert there == pytest.approx(0, abs=1e-6)
    assert before > 0.01
    assert beyond < -0.01


def test_current_into_u_and_out_of_v_rests_where_its_emf_falls_through_zero() -> None:
    assert rest_deg_el(("U", "V")) == pytest.approx(150.0)
    assert rest_deg_el(("V", "U")) == pytest.approx(-30.0)
    for pair, zero in PAIR_ZERO_DEG_EL.items():
        along, against = vectors_of(pair)
        assert (rest_deg_el(against) - zero) % 360 == pytest.approx(0)
        assert (rest_deg_el(along) - zero) % 360 == pytest.approx(180)


def test_the_six_currents_in_their_order_lead_the_rotor_clockwise_by_a_sixth_each() -> None:
    steps = [(rest_deg_el(b) - rest_deg_el(a)) % 360 for a, b in zip(VECTORS, (*VECTORS[1:], VECTORS[0]), strict=True)]
    assert steps == pytest.approx([60.0] * 6)


@given(st.floats(0.5, 60.0), st.sampled_from([1, -1]), st.sampled_from([1, -1]))
@settings(deadline=None, max_examples=100)
def test_the_level_at_rest_tells_the_side_of_the_offset(size: float, sign: int, polarity: int) -> None:
    offset = sign * size
    for vector in vectors_of("V-W"):
        # The convention: a sensor of offset d is high where sin(theta - zero - d) > 0, an inverted one where it is not.
        high = math.sin(math.radians(rest_deg_el(vector) - PAIR_ZERO_DEG_EL["V-W"] - offset)) > 0
        assert side_of_edge(vector, "V-W", high=high == (polarity > 0), polarity=polarity) == sign


def test_h1_high_with_current_from_u_to_v_means_a_positive_offset() -> None:
    assert side_of_edge(("U", "V"), "U-V", high=True) == 1
    assert side_of_edge(("V", "U"), "U-V", high=True) == -1
    assert side_of_edge(("U", "W"), "U-V", high=True) == 0


@given(st.floats(0.0, 0.5))
@settings(deadline=None, max_examples=100)
def test_the_rotor_stays_put_up_to_the_end_of_its_band_and_not_beyond(share: float) -> None:
    half, peak = band_deg_el(share), math.sqrt(3) * LAMBDA_VS * POLE_PAIRS
    inside, outside = (
        abs(torque_nm(150.0 + part * half, {"U": 1.0, "V": -1.0}, LAMBDA_VS, POLE_PAIRS)) for part in (0.999, 1.001)
    )
    assert inside <= share * peak + 1e-12
    assert outside >= share * peak - 1e-12


def test_two_hundredths_of_friction_make_a_band_of_a_degree_and_an_eighth() -> None:
    # asin(0.02) = 0.02 + 0.02^3 / 6 + ... rad
    assert band_deg_el(0.02) == pytest.approx(math.degrees(0.02 + 0.02**3 / 6), rel=1e-6)


@pytest.mark.parametrize("share", [-0.1, 1.0, float("nan")])
def test_friction_that_holds_against_the_current_is_refused(share: float) -> None:
    with pytest.raises(ValueError, match="friction_share must be from 0 to below 1"):
        band_deg_el(share)


def test_what_is_no_current_or_pair_is_refused() -> None:
    with pytest.raises(ValueError, match=r"from one terminal to another .*got U-U"):
        rest_deg_el(("U", "U"))
    with pytest.raises(ValueError, match="two of U, V, W as in U-V, got 'U'"):
        vectors_of("U")


def test_cogging_of_a_balanced_winding_repeats_a_multiple_of_six_times_a_cycle() -> None:
    # Condition of a balanced three-phase winding: slots / (3 gcd(slots, pole pairs)) is whole (textbook, from memory).
    balanced = [(q, p) for q in range(3, 73, 3) for p in range(1, 13) if q % (3 * math.gcd(q, p)) == 0]
    assert {(9, 4), (12, 4), (12, 5), (36, 3)} <= set(balanced)
    assert all(math.lcm(slots, 2 * pole_pairs) % (6 * pole_pairs) == 0 for slots, pole_pairs in balanced)
