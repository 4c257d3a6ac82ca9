"""Decision rules and uncertainty against the GUM, JCGM 106 and the guard band table of ILAC-G8:09/2019."""

import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.conformity import (
    CONFORMING,
    ISO_14253_1,
    NONCONFORMING,
    NOT_MEASURED,
    RULES,
    SIMPLE_ACCEPTANCE,
    UNDECIDED,
    Limits,
    acceptance_limits,
    combined_u,
    coverage_factor,
    expanded_u,
    judge,
    probability_within,
    rule_named,
    welch_satterthwaite,
)
from analysis.estimate import BudgetLine, Estimate, estimate, refused


def measured(value: float, u: float, dof: float = math.inf) -> Estimate:
    return estimate(value, "deg_el", [BudgetLine("all", "B", u, dof)])


# JCGM 100:2008 table G.2: coverage factors by degrees of freedom, in the order of the coverages.
COVERAGES = (0.6827, 0.95, 0.9545, 0.99, 0.9973)
G2 = {
    1: (1.84, 12.71, 13.97, 63.66, 235.8),
    5: (1.11, 2.57, 2.65, 4.03, 5.51),
    10: (1.05, 2.23, 2.28, 3.17, 3.96),
    16: (1.03, 2.12, 2.17, 2.92, 3.54),
    math.inf: (1.00, 1.960, 2.000, 2.576, 3.000),
}


@pytest.mark.parametrize(("dof", "row"), G2.items())
def test_coverage_factors_are_those_of_the_gum_table(dof: float, row: tuple[float, ...]) -> None:
    for coverage, expected in zip(COVERAGES, row, strict=True):
        places = 0.05 if expected > 100 else 0.005 if not math.isinf(dof) else 0.0005 + 0.005 * (expected == 1.00)
        assert coverage_factor(dof, coverage) == pytest.approx(expected, abs=places)


def test_degrees_of_freedom_are_cut_to_the_next_lower_whole_number() -> None:
    # JCGM 100:2008 H.1.6: 16.7 effective degrees of freedom, 16 used, t_99 = 2.92.
    assert coverage_factor(16.7, 0.99) == pytest.approx(2.92, abs=0.005)


def test_the_end_gauge_of_the_gum_has_its_uncertainty_and_its_degrees_of_freedom() -> None:
    # JCGM 100:2008 H.1: u_c 32 nm (31.71 unrounded), nu_eff 16.7, U_99 = 93 nm (92.6 unrounded).
    length_nm, theta, d_theta_u = 50.000623e6, -0.1, 0.029
    lines = [
        BudgetLine("standard", "B", 25.0, 18),
        BudgetLine("repeated observations", "A", 5.8, 24),
        BudgetLine("random effects of the comparator", "A", 3.9, 5),
        BudgetLine("systematic effects of the comparator", "B", 6.7, 8),
        BudgetLine("difference of expansion", "B", length_nm * abs(theta) * 0.58e-6, 50),
        BudgetLine("difference of temperature", "B", length_nm * 11.5e-6 * d_theta_u, 2),
    ]
    result = estimate(215.0, "nm", lines)
    assert result.u == pytest.approx(31.71, abs=0.02)
    assert welch_satterthwaite(lines) == pytest.approx(16.7, abs=0.1)
    assert expanded_u(result, 0.99) == pytest.approx(92.6, abs=0.2)


def test_the_product_of_three_of_the_gum_has_nineteen_degrees_of_freedom() -> None:
    # JCGM 100:2008 G.4.1: relative u 0.25, 0.57, 0.82 %, n 10, 5, 15: u_c 1.03 %, nu 19.0, t_95 2.09.
    lines = [BudgetLine("", "A", u, n - 1) for u, n in ((0.25, 10), (0.57, 5), (0.82, 15))]
    result = estimate(0.0, "percent", lines)
    assert result.u == pytest.approx(1.03, abs=0.005)
    assert welch_satterthwaite(lines) == pytest.approx(19.0, abs=0.05)
    assert coverage_factor(19.0) == pytest.approx(2.09, abs=0.005)


def test_correlated_inputs_give_the_impedance_of_the_gum_and_leaving_correlation_out_does_not() -> None:
    # JCGM 100:2008 H.2: R 127.732 ohm, u 0.071; table H.5, correlation ignored: 0.195.
    volts = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    amperes = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    data = np.array([volts, amperes, phase])
    v, i, phi = data.mean(axis=1)
    u = data.std(axis=1, ddof=1) / math.sqrt(5)
    resistance = v / i * math.cos(phi)
    slopes = [resistance / v, -resistance / i, -v / i * math.sin(phi)]
    assert resistance == pytest.approx(127.732, abs=0.0005)
    assert combined_u(slopes, u.tolist(), np.corrcoef(data)) == pytest.approx(0.071, abs=0.0005)
    assert combined_u(slopes, u.tolist()) == pytest.approx(0.195, abs=0.001)


def test_a_calibration_line_is_as_uncertain_at_30_degrees_as_the_gum_says() -> None:
    # JCGM 100:2008 H.3: intercept -0.1712 (0.0029) at 20 degC, slope 0.00218 (0.00067), r -0.930; b(30) -0.1494 (0.0041).
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]) - 20
    b = np.array([-171, -169, -166, -159, -164, -165, -156, -157, -159, -161, -160]) / 1000
    slope, intercept = np.polyfit(t, b, 1)
    left = b - intercept - slope * t
    s = math.sqrt(float(left @ left) / (t.size - 2))
    spread = t.size * float(t @ t) - float(t.sum()) ** 2
    u_intercept, u_slope = s * math.sqrt(float(t @ t) / spread), s * math.sqrt(t.size / spread)
    r = -float(t.sum()) / math.sqrt(t.size * float(t @ t))
    assert (intercept, slope, r) == (
        pytest.approx(-0.1712, abs=5e-5),
        pytest.approx(0.00218, abs=5e-6),
        pytest.approx(-0.930, abs=5e-4),
    )
    at_30 = combined_u([1.0, 10.0], [u_intercept, u_slope], [[1.0, r], [r, 1.0]])
    assert at_30 == pytest.approx(0.0041, abs=5e-5)
    assert combined_u([1.0, 10.0], [u_intercept, u_slope]) > 1.7 * at_30


def test_correlated_uncertainty_agrees_with_a_reference_library() -> None:
    from uncertainties import correlated_values

    covariance = np.array([[0.04, 0.01, -0.005], [0.01, 0.09, 0.002], [-0.005, 0.002, 0.01]])
    x, y, z = correlated_values([2.0, 3.0, 5.0], covariance)
    together = x * y / z
    u = np.sqrt(np.diag(covariance))
    slopes = [3.0 / 5.0, 2.0 / 5.0, -6.0 / 25.0]
    assert combined_u(slopes, u.tolist(), covariance / np.outer(u, u)) == pytest.approx(together.std_dev, rel=1e-9)


# ILAC-G8:09/2019, table of example rules; risks printed there, exact ones of the normal distribution.
GUARD_BANDS = {
    "simple acceptance": (0.0, 0.5),
    "guard band of ISO 14253-1": (1.65, 0.0495),
    "guard band of 2 u": (2.0, 0.02275),
    "guard band of 3 u": (3.0, 0.00135),
    "guard band of 6 u": (6.0, 9.9e-10),
}


@pytest.mark.parametrize(("name", "width_and_risk"), GUARD_BANDS.items())
def test_each_rule_carries_the_risk_that_it_states(name: str, width_and_risk: tuple[float, float]) -> None:
    rule, (width, risk) = rule_named(name), width_and_risk
    assert rule.band(0.3) == pytest.approx(0.3 * width)
    at_limit = 10.0 - rule.band(0.3)
    assert 1 - probability_within(at_limit, 0.3, -math.inf, 10.0) == pytest.approx(risk, rel=0.01)


@pytest.mark.parametrize("dof", [3, 8, 30])
@pytest.mark.parametrize("name", ["guard band of ISO 14253-1", "guard band of 2 u"])
def test_few_degrees_of_freedom_widen_the_band_so_that_the_risk_stays(name: str, dof: int) -> None:
    rule = RULES[name]
    at_limit = 10.0 - rule.band(0.3, dof)
    risk = 1 - probability_within(at_limit, 0.3, -math.inf, 10.0, dof)
    assert risk == pytest.approx(scipy.stats.norm.sf(rule.guard_k), rel=1e-6)
    assert rule.band(0.3, dof) > rule.band(0.3)


def test_an_unknown_rule_is_refused_with_those_there_are() -> None:
    with pytest.raises(
        ValueError, match="unknown decision rule 'optimism'; allowed: guard band of ISO 14253-1, simple"
    ):
        rule_named("optimism")


# JCGM 106:2012, examples on two-sided and one-sided tolerance intervals; printed to two digits.
@pytest.mark.parametrize(
    ("value", "u", "lower", "upper", "expected"),
    [(13.6, 1.8, 12.5, 16.3, 0.6626), (-5.47, 0.05, None, -5.40, 0.9192)],
)
def test_probability_of_conformity_is_that_of_jcgm_106(
    value: float, u: float, lower: float | None, upper: float | None, expected: float
) -> None:
    found = judge(measured(value, u), Limits(lower, upper, "JCGM 106"))
    assert found.probability == pytest.approx(expected, abs=5e-5)


# JCGM 106:2012 table 1 (one-sided quantiles).
@pytest.mark.parametrize(("p", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_one_sided_probabilities_are_those_of_jcgm_106(p: float, z: float) -> None:
    assert probability_within(-z, 1.0, -math.inf, 0.0) == pytest.approx(p, abs=0.002)


def test_the_speed_threshold_of_jcgm_106_is_found_where_its_probability_is() -> None:
    # JCGM 106:2012, speed enforcement: limit 100, u = 2 % of the reading, 99.9 % sure: 106.59 (printed 107).
    value = 106.59
    assert probability_within(value, 0.02 * value, 100.0, math.inf) == pytest.approx(0.999, abs=2e-5)


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (8.34, CONFORMING),  # ISO 14253-1: inside by more than the band of 1.65 u = 1.65
        (8.36, UNDECIDED),
        (10.0, UNDECIDED),
        (11.64, UNDECIDED),
        (11.66, NONCONFORMING),
        (-8.34, CONFORMING),
        (-11.66, NONCONFORMING),
    ],
)
def test_three_verdicts_on_both_sides(value: float, expected: str) -> None:
    assert judge(measured(value, 1.0), Limits(-10.0, 10.0, "type"), ISO_14253_1).conformity == expected


def test_simple_acceptance_has_no_band_and_includes_the_limit() -> None:
    limits = Limits(None, 10.0, "type")
    assert judge(measured(10.0, 1.0), limits, SIMPLE_ACCEPTANCE).conformity == CONFORMING
    assert judge(measured(10.01, 1.0), limits, SIMPLE_ACCEPTANCE).conformity == NONCONFORMING


def test_a_count_is_exact() -> None:
    limits = Limits(8192, 8192, "type")
    assert judge(estimate(8192.0, "count", []), limits).conformity == CONFORMING
    assert judge(estimate(8188.0, "count", []), limits).conformity == NONCONFORMING


def test_a_limit_without_source_decides_nothing() -> None:
    found = judge(measured(0.0, 0.1), Limits(-1.0, 1.0, ""))
    assert (found.conformity, found.reason) == (UNDECIDED, "the limit has no source")
    assert found.probability == pytest.approx(1.0)


@pytest.mark.parametrize("of", [refused("V", "the EMF is clipped"), Estimate(math.nan, "V", 0.1)])
def test_no_number_is_not_measured(of: Estimate) -> None:
    found = judge(of, Limits(0.0, None, "type"))
    assert found.conformity == NOT_MEASURED
    assert found.probability is None
    assert found.reason


def test_a_value_without_uncertainty_is_undecided() -> None:
    assert judge(Estimate(5.0, "V"), Limits(0.0, None, "type")).conformity == UNDECIDED


@pytest.mark.parametrize("limits", [(None, None), (2.0, 1.0), (math.nan, 1.0), (math.inf, None)])
def test_impossible_limits_are_refused(limits: tuple[float | None, float | None]) -> None:
    with pytest.raises(ValueError, match="limits must be one or two numbers in order"):
        judge(measured(0.0, 1.0), Limits(*limits, "type"))


def test_acceptance_limits_cross_where_the_bands_leave_nothing() -> None:
    lower, upper = acceptance_limits(Limits(-1.0, 1.0, "type"), ISO_14253_1, 1.0)
    assert lower > upper


@settings(deadline=None, max_examples=200)
@given(
    st.floats(-20, 20), st.floats(0.01, 5), st.sampled_from(sorted(RULES)), st.sampled_from([2.0, 5.0, 50.0, math.inf])
)
def test_a_verdict_never_contradicts_its_probability(value: float, u: float, name: str, dof: float) -> None:
    found = judge(measured(value, u, dof), Limits(-8.0, 8.0, "type"), RULES[name])
    assert found.probability is not None
    reference = (
        scipy.stats.t.cdf(8, dof, value, u) - scipy.stats.t.cdf(-8, dof, value, u)
        if dof < 1e6
        else (scipy.stats.norm.cdf(8, value, u) - scipy.stats.norm.cdf(-8, value, u))
    )
    assert found.probability == pytest.approx(reference, abs=1e-9)
    if found.conformity == NONCONFORMING:
        assert found.probability <= 0.5 + 1e-9
