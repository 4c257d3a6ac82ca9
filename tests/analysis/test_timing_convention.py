"""Signs: which way is positive, in both directions, for every way in which a sensor can be off."""

from dataclasses import replace

import pytest
from emf_signals import RISE_OF, Capture, Look, Unit, capture, near
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.states import codes_clockwise, states_of
from analysis.timing import CaptureTiming, capture_timing

OWN = {"H1": "U-V", "H2": "V-W", "H3": "W-U"}
BOTH = (1, -1)


def timed(seen: Capture) -> CaptureTiming:
    return capture_timing(seen.emf_v, seen.sensors_v, seen.look.interval_s, seen.look.direction, seen.unit.pole_pairs)


def y_of(unit: Unit, look: Look, sensor: str = "H1") -> float:
    of = timed(capture(unit, look)).sensors[sensor].y_waveform
    assert of.value is not None, of.reason
    return of.value


@pytest.mark.parametrize("direction", BOTH)
@pytest.mark.parametrize(
    ("unit", "clockwise", "turns_over"),
    [
        # Worked by hand from theta = P theta_m: body clockwise by d adds P d, the hub takes it away; what lags in time
        # adds going clockwise and takes away going counter-clockwise.
        pytest.param(Unit(), 0.0, False, id="aligned"),
        pytest.param(Unit(body_deg_mech=2.0), 8.0, False, id="body 2 deg_mech clockwise"),
        pytest.param(Unit(hub_deg_mech=2.0), -8.0, False, id="hub 2 deg_mech clockwise"),
        pytest.param(Unit(hysteresis_deg=3.0), 3.0, True, id="hysteresis"),
        # 360 x 307 / 60 x 4 x 50 us
        pytest.param(Unit(delay_s=50e-6), 0.3684, True, id="delay"),
        pytest.param(Unit(body_deg_mech=-1.0, hysteresis_deg=3.0), -4.0, None, id="body and hysteresis"),
    ],
)
def test_sign_of_an_offset_in_both_directions(
    unit: Unit, clockwise: float, turns_over: bool | None, direction: int
) -> None:
    placed, lagging = {False: (clockwise, 0.0), True: (0.0, clockwise), None: (-4.0, 3.0)}[turns_over]
    assert y_of(unit, Look(direction=direction)) == pytest.approx(placed + direction * lagging, abs=0.02)


@pytest.mark.parametrize("direction", BOTH)
@pytest.mark.parametrize("sensor", OWN)
def test_each_sensor_is_aligned_with_its_own_pair(sensor: str, direction: int) -> None:
    assert y_of(Unit(), Look(direction=direction, pair=OWN[sensor]), sensor) == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize("direction", BOTH)
def test_line_and_phase_reference_are_30_degrees_apart(direction: int) -> None:
    line, phase = (y_of(Unit(), Look(direction=direction, pair=pair)) for pair in ("U-V", "U"))
    # Star relation: line-to-line leads the phase by 30 degrees for the sequence U, V, W (any textbook).
    assert near(line - phase) == pytest.approx(30.0, abs=0.02)


@pytest.mark.parametrize("direction", BOTH)
def test_an_inverted_sensor_is_half_a_cycle_away(direction: int) -> None:
    plain, over = (
        y_of(Unit(body_deg_mech=1.0, inverted=inverted), Look(direction=direction)) for inverted in ((), ("H1",))
    )
    assert abs(near(over - plain)) == pytest.approx(180.0, abs=0.02)


@pytest.mark.parametrize("direction", BOTH)
@pytest.mark.parametrize("pole_pairs", range(1, 7))
def test_every_number_of_pole_pairs(pole_pairs: int, direction: int) -> None:
    seen = timed(capture(Unit(pole_pairs, body_deg_mech=1.0), Look(direction=direction, rpm=1228 / pole_pairs)))
    assert seen.sensors["H1"].y_waveform.value == pytest.approx(pole_pairs, abs=0.02)
    assert seen.speed_rpm == pytest.approx(1228 / pole_pairs, rel=1e-4)


@pytest.mark.parametrize("direction", BOTH)
@pytest.mark.parametrize("duty", [0.45, 0.5, 0.55])
def test_duty_is_read_and_moves_no_offset(duty: float, direction: int) -> None:
    sensor = timed(capture(Unit(body_deg_mech=1.0, duty=duty), Look(direction=direction))).sensors["H1"]
    assert sensor.duty.value == pytest.approx(100 * duty, abs=0.05)
    assert sensor.y_waveform.value == pytest.approx(4.0, abs=0.02)


@pytest.mark.parametrize("direction", BOTH)
def test_ripple_and_in_phase_harmonics_move_nothing(direction: int) -> None:
    unit = Unit(body_deg_mech=0.5, harmonics={5: (0.04, 0.0), 7: (0.02, 180.0)})
    look = Look(direction=direction, ripple=((1, 0.01, 0.3), (3, 0.005, 2.0)))
    assert y_of(unit, look) == pytest.approx(2.0, abs=0.03)


def test_zeros_part_where_a_harmonic_is_out_of_phase() -> None:
    sensor = timed(capture(Unit(harmonics={5: (0.03, 40.0)}), Look())).sensors["H1"]
    assert sensor.y_waveform.value is not None
    assert sensor.y_fundamental.value is not None
    # First order: the zero moves by -a sin(psi) / (1 + k a cos(psi)) = -0.991 deg, so y by the opposite.
    assert sensor.y_fundamental.value == pytest.approx(0.0, abs=0.03)
    assert sensor.y_waveform.value == pytest.approx(0.991, abs=0.03)


@pytest.mark.parametrize("direction", BOTH)
def test_codes_come_in_the_order_of_rotation(direction: int) -> None:
    # H_k high for 180 degrees from -30, 90, 210 on; the order is that of 120-degree sensors in any six-step text.
    clockwise = ("101", "100", "110", "010", "011", "001")
    expected = codes_clockwise(RISE_OF)
    assert clockwise in {expected[i:] + expected[:i] for i in range(6)}
    states = states_of(timed(capture(Unit(), Look(direction=direction))).edges, expected)
    steps = {
        (clockwise.index(b) - clockwise.index(a)) % 6 for a, b in zip(states.order, states.order[1:], strict=False)
    }
    assert steps == {1 if direction > 0 else 5}
    assert (states.sense, states.illegal) == (direction, 0)


def test_sixty_degree_codes_and_their_illegal_ones() -> None:
    # Sensors 60 degrees apart show 000 and 111 and never 010 and 101 (any six-step text).
    codes = codes_clockwise({"H1": 0.0, "H2": 60.0, "H3": 120.0})
    assert "".join(("100", "110", "111", "011", "001", "000")) in "".join(codes * 2)
    seen = states_of(timed(capture(Unit(), Look())).edges, codes)
    assert seen.illegal > 0


@given(
    offset=st.floats(-179.0, 179.0),
    direction=st.sampled_from(BOTH),
    start=st.floats(0.0, 360.0),
    pair=st.sampled_from(sorted(OWN.values())),
)
@settings(max_examples=40, deadline=None)
def test_any_offset_comes_back_from_any_start(offset: float, direction: int, start: float, pair: str) -> None:
    seen = capture(
        Unit(placed_deg={"H1": offset}), Look(direction=direction, start_deg_mech=start, pair=pair, interval_s=2e-5)
    )
    assert near(y_of(seen.unit, seen.look) - seen.true_deg["H1"]) == pytest.approx(0.0, abs=0.03)


def test_a_direction_or_length_that_makes_no_sense_is_refused() -> None:
    seen = capture(Unit(), Look())
    with pytest.raises(ValueError, match=r"\+1 or -1, got 0"):
        timed(replace(seen, look=replace(seen.look, direction=0)))
    with pytest.raises(ValueError, match="H1 must have as many samples"):
        capture_timing(seen.emf_v, {"H1": seen.sensors_v["H1"][:-1]}, seen.look.interval_s, 1, 4)
