"""Published figures of sine fits, bounds and edge timing, for the yardstick and for the estimators of the product."""

import numpy as np
import pytest
from sine_fit import fit_four, fit_three
from timing_benchmark import over_the_bound

from analysis.crossings import HALF_WINDOW_DEG, zero_phase
from analysis.edges import find_edges
from analysis.harmonic_phase import harmonic_phase
from analysis.speed import electrical_frequency

# IEEE Std 1057-2017, three- and four-parameter fits; expected values recomputed from the stated inputs.
N, W = 20, 2 * np.pi * 0.0731
KNOWN = 2.5 * np.cos(W * np.arange(N)) - 1.2 * np.sin(W * np.arange(N)) + 0.3


def test_three_parameters_come_back_exactly() -> None:
    fit = fit_three(KNOWN, W)
    assert (fit.a, fit.b, fit.c) == pytest.approx((2.5, -1.2, 0.3), abs=1e-12)
    assert fit.amplitude == pytest.approx(2.773084924772, abs=1e-12)
    assert np.degrees(fit.phase_rad) == pytest.approx(25.641005824, abs=1e-9)


def test_four_parameters_settle_from_two_percent_off() -> None:
    fit = fit_four(KNOWN, 1.02 * W)
    assert fit.w == pytest.approx(0.459300845955, abs=1e-12)
    assert fit.iterations <= 6


# Example of an open library of IEEE 1057 algorithms: 2 sin(2 pi 100 t + 1) + 0.2, 10 kHz, 1 s, start 100.2 Hz, 1 ppm.
T = np.arange(10_000) / 10_000
EXAMPLE = 2 * np.sin(2 * np.pi * 100 * T + 1) + 0.2


def test_published_example_comes_back_to_a_millionth() -> None:
    fit = fit_four(EXAMPLE, 2 * np.pi * 100.2 / 10_000)
    assert fit.w * 10_000 / (2 * np.pi) == pytest.approx(100, rel=1e-6)
    assert fit.amplitude == pytest.approx(2, rel=1e-6)
    assert fit.phase_rad + np.pi / 2 == pytest.approx(1, rel=1e-6)
    assert fit.c == pytest.approx(0.2, rel=1e-6)


def test_both_estimators_of_the_product_read_the_published_example() -> None:
    zeros = zero_phase(EXAMPLE, 1e-4)
    assert zeros is not None
    fit = harmonic_phase(EXAMPLE, 1e-4, zeros)
    assert fit is not None
    assert electrical_frequency(EXAMPLE, 1e-4) == pytest.approx(100, rel=1e-6)
    assert zeros.amplitude_v == pytest.approx(2, rel=1e-3)
    assert abs(fit.harmonics_v[0]) == pytest.approx(2, rel=1e-3)
    assert fit.mean_v == pytest.approx(0.2, abs=1e-4)
    middle = np.array([0.5])
    true = 360 * 100 * 0.5 + np.degrees(1)
    for phase in (zeros.at, fit.at):
        assert (float(phase(middle)[0]) - true + 180) % 360 - 180 == pytest.approx(0, abs=1e-3)


def test_ideal_quantiser_leaves_a_step_over_root_twelve() -> None:
    # 8 bits, span +-1, amplitude 0.99, 127 cycles in 4096 samples: 2.2817e-3 against q / sqrt 12 = 2.25527e-3.
    step = 2 / 256
    y = np.round(0.99 * np.sin(2 * np.pi * 127 * np.arange(4096) / 4096) / step) * step
    residual = fit_three(y, 2 * np.pi * 127 / 4096).residual_rms
    assert residual == pytest.approx(step / np.sqrt(12), rel=0.05)


def test_yardstick_meets_the_bound_of_rife_and_boorstyn() -> None:
    # IEEE Trans. Inf. Theory 20(5), 1974: A = 1, sigma = 0.01, N = 1000, phase at the record's centre 4.4721e-4 rad.
    rng = np.random.default_rng(1)
    n = np.arange(1000)
    errors = []
    for _ in range(200):
        start = rng.uniform(0, 2 * np.pi)
        fit = fit_four(np.cos(2 * np.pi * 0.05 * n + start) + 0.01 * rng.standard_normal(1000), 2 * np.pi * 0.0501)
        at_centre = fit.phase_rad + fit.w * 499.5 - start - 2 * np.pi * 0.05 * 499.5
        errors.append((at_centre + np.pi) % (2 * np.pi) - np.pi)
    assert np.std(errors) == pytest.approx(4.4721e-4, rel=0.15)


def test_estimators_of_the_product_stay_near_the_bound() -> None:
    # sqrt(2 / n) sigma / A (Handel, IEEE TIM 49(6), 2000); 30 records hold a ratio of sd to 13 %.
    local, whole = over_the_bound(30)
    assert whole <= 1.3
    assert local <= 4.0


def test_edge_on_a_grid_is_uniform_within_its_interval() -> None:
    # GUM F.2.2.1: standard uncertainty dt / sqrt 12; 1 us gives 288.675 ns.
    rng = np.random.default_rng(2)
    times = np.cumsum(rng.uniform(900e-6, 1100e-6, 4000))
    level = np.searchsorted(times, np.arange(round(times[-1] / 1e-6)) * 1e-6, side="right") % 2
    found = find_edges(5.0 * level, 1e-6).times_s
    errors = found - times[: found.size]
    assert np.std(errors) == pytest.approx(288.675e-9, rel=0.05)
    assert abs(np.mean(errors)) < 0.02e-6


def test_noise_of_one_zero_is_noise_over_slope() -> None:
    # A = 10 V, f = 50 Hz, sigma = 10 mV: 3.1831 us of one raw crossing; a cubic over many samples does better by
    # 1.5 / sqrt(samples), and says so.
    rng = np.random.default_rng(3)
    t = np.arange(50_000) * 2e-5
    zeros = zero_phase(10 * np.sin(2 * np.pi * 50 * t + 0.4) + 0.01 * rng.standard_normal(t.size), 2e-5)
    assert zeros is not None
    errors_s = zeros.zeros_s - (zeros.phase_deg / 180 - 0.4 / np.pi) / 100
    # Four samples a point, 250 points a cycle, a whole number of them on either side.
    window = 4 * (2 * round(HALF_WINDOW_DEG / 360 * 250) + 1)
    expected_s = 3.1831e-6 * 1.5 / np.sqrt(window)
    assert np.std(errors_s) == pytest.approx(expected_s, rel=0.25)
    assert zeros.zero_sd_deg / (360 * 50) == pytest.approx(expected_s, rel=0.25)
