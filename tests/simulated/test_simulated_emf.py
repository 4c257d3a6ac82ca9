"""EMF of the simulated machine against star relations, constants and harmonics from outside."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from simulated_desk import Desk, ideal_make, ideal_motor

from drivers.simulated.faults import FAULTS
from drivers.simulated.machine import pair_emf, pair_tables
from drivers.simulated.truth import PAIRS, Harmonic, MotorState

TURN = np.linspace(0, 2 * np.pi, 65536, endpoint=False)


def line(pair: str, motor: MotorState, w: float) -> NDArray[np.float64]:
    """EMF of a pair over one turn at speed w [rad/s]."""
    return pair_emf(pair_tables(motor)[pair], TURN, np.full(TURN.size, w)).astype(np.float64)


def component(values: NDArray[np.float64], order: int) -> complex:
    """Peak and phase (of a sine) of one order per turn."""
    return complex(2j * np.fft.rfft(values)[order] / values.size)


def test_line_constant_in_all_its_forms() -> None:
    # SI for a sinusoidal star machine, 50 V rms line-line per 1000 rpm: 0.477465 V s/rad rms, 0.675237 peak, and
    # 0.389848 phase peak; flux linkage for 4 pole pairs 0.389848 / 4 = 0.097462 Wb (computed from the definitions).
    make = ideal_make()
    assert make.flux_linkage_v_s == pytest.approx(0.097462, abs=5e-7)
    emf = line("U-V", MotorState(make), 1.0)
    assert np.sqrt(np.mean(emf**2)) == pytest.approx(0.477465, abs=1e-5)
    assert emf.max() == pytest.approx(0.675237, abs=1e-5)
    assert emf.max() / math.sqrt(3) == pytest.approx(0.389848, abs=1e-5)
    at_1000_rpm = line("V-W", MotorState(make), 1000 * math.pi / 30)
    assert np.sqrt(np.mean(at_1000_rpm**2)) == pytest.approx(50.0, rel=1e-4)


def test_star_sequence_and_the_thirty_degrees() -> None:
    # Star, sequence a-b-c: v_ab = sqrt(3) v_a at +30 degrees; the three line voltages lie 120 degrees apart and sum to 0.
    # IEC 60034-8: clockwise rotation gives the terminal sequence U, V, W, so V-W lags U-V.
    emfs = {pair: line(pair, MotorState(ideal_make()), 10.0) for pair in PAIRS}
    u_v, v_w, w_u = (component(emfs[pair], 4) for pair in PAIRS)
    assert math.degrees(np.angle(u_v)) == pytest.approx(30.0, abs=0.01)
    assert math.degrees(np.angle(v_w / u_v)) == pytest.approx(-120.0, abs=0.01)
    assert math.degrees(np.angle(w_u / v_w)) == pytest.approx(-120.0, abs=0.01)
    assert np.abs(sum(emfs.values())).max() < 1e-5


def test_counter_clockwise_turns_the_sequence_round() -> None:
    # Star, reversed sequence: v_ab at -30 degrees. In time the angle runs backwards.
    emfs = {pair: line(pair, MotorState(ideal_make()), -10.0)[::-1] for pair in PAIRS}
    u_v, v_w, w_u = (component(emfs[pair], 4) for pair in PAIRS)
    assert math.degrees(np.angle(v_w / u_v)) == pytest.approx(120.0, abs=0.01)
    assert math.degrees(np.angle(w_u / v_w)) == pytest.approx(120.0, abs=0.01)


def trapezoid() -> tuple[Harmonic, ...]:
    """Odd harmonics 3 to 199 of a trapezoid with 120 degrees of flat top: Fourier series of the shape."""
    b = {k: 4 / (math.pi * k) * math.sin(k * math.pi / 6) / (k * math.pi / 6) for k in range(1, 200, 2)}
    assert b[1] == pytest.approx(1.215854, abs=5e-7)
    assert b[3] == pytest.approx(0.270190, abs=5e-7)
    assert b[5] == pytest.approx(0.048634, abs=5e-7)
    return tuple(Harmonic(k, b[k] / b[1], 0.0) for k in range(3, 200, 2))


def test_triplen_harmonics_of_a_trapezoid_vanish_line_to_line() -> None:
    # Ideal 120 degree trapezoid in star, unit phase peak: line peak 2, fundamental 2.105921, third 0, rms 1.490712,
    # THD 4.64 % (Fourier series, computed).
    make = ideal_make(harmonics=trapezoid(), pole_pairs=1)
    unit = 1.215854 / make.flux_linkage_v_s
    emf = line("U-V", MotorState(make), unit)
    orders = {k: abs(component(emf, k)) for k in range(1, 200)}
    assert orders[1] == pytest.approx(2.105921, abs=1e-4)
    assert max(orders[k] for k in range(3, 200, 3)) < 1e-5
    assert np.sqrt(np.mean(emf**2)) == pytest.approx(1.490712, abs=1e-4)
    assert emf.max() == pytest.approx(2.0, abs=0.01)
    thd = math.sqrt(sum(v**2 for k, v in orders.items() if k > 1)) / orders[1]
    assert thd == pytest.approx(0.0464, abs=5e-5)


def test_emf_is_proportional_to_speed_with_its_sign() -> None:
    slow, fast = line("U-V", MotorState(ideal_make()), 5.0), line("U-V", MotorState(ideal_make()), -15.0)
    assert fast == pytest.approx(-3 * slow, rel=1e-6)


def test_shorted_turns_lower_two_pairs_and_turn_them_apart() -> None:
    # Vector sum (1 - f) e_u - e_v of two phases 120 degrees apart: for f = 0.10 the reading of U-V is 5.0 % less and its
    # zero comes 1.74 degrees earlier, W-U the opposite, V-W neither.
    change = FAULTS["shorted turns"].motor
    assert change is not None
    sound, short = MotorState(ideal_make()), change(MotorState(ideal_make()))
    assert short.shorted_share == pytest.approx(0.10)
    ratio = {p: component(line(p, short, 1.0), 4) / component(line(p, sound, 1.0), 4) for p in PAIRS}
    assert abs(ratio["U-V"]) == pytest.approx(0.9504, abs=0.0005)
    assert math.degrees(np.angle(ratio["U-V"])) == pytest.approx(1.74, abs=0.01)
    assert math.degrees(np.angle(ratio["W-U"])) == pytest.approx(-1.74, abs=0.01)
    assert ratio["V-W"] == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize(("phase", "alive"), [("U", "V-W"), ("V", "W-U"), ("W", "U-V")])
def test_open_phase_leaves_one_pair(phase: str, alive: str) -> None:
    change = FAULTS[f"open phase {phase}"].motor
    assert change is not None
    peaks = {pair: line(pair, change(MotorState(ideal_make())), 1.0).max() for pair in PAIRS}
    whole = peaks.pop(alive)
    assert max(peaks.values()) < 0.05 * whole


def test_swapped_leads_read_reversed_and_in_the_other_order() -> None:
    # Swapping U and V: the reading U-V becomes V-U, and V-W becomes U-W.
    change = FAULTS["leads swapped"].motor
    assert change is not None
    sound, swapped = MotorState(ideal_make()), change(MotorState(ideal_make()))
    assert line("U-V", swapped, 1.0) == pytest.approx(-line("U-V", sound, 1.0))
    assert line("V-W", swapped, 1.0) == pytest.approx(-line("W-U", sound, 1.0))


def test_scope_reads_the_constant_of_the_turning_motor() -> None:
    desk = Desk()
    desk.connect("U-V", None)
    desk.spin(10.0, settle_s=2.0)
    desk.sweep(100_000, 1e-5)
    emf = desk.volts(1)
    rpm = desk.state()["speed_rpm"]
    expected_rms_v = 50.0 * rpm / 1000
    assert np.sqrt(np.mean(emf**2)) == pytest.approx(expected_rms_v, rel=0.015)


def test_a_motor_with_its_own_share_of_unbalance_shows_it() -> None:
    motor = ideal_motor(shares=(0.9, 1.0, 1.0)).motor
    assert line("V-W", motor, 1.0).max() > 1.04 * line("U-V", motor, 1.0).max()
