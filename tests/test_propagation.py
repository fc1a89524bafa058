"""Properties of the uncertainty engine: what must hold for any numbers, and what is refused."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from vision import propagation as p

ONE_OF_EACH = (
    p.Normal("normal", 3, 0.5),
    p.StudentT("t", 3, 0.5, 12),
    p.Rectangular("rectangular", 1, 4),
    p.Triangular("triangular", 1, 4),
    p.Arcsine("arcsine", 1, 4),
    p.CurvilinearTrapezoid("trapezoid", 1, 4, 0.7),
)


@pytest.mark.parametrize("item", ONE_OF_EACH, ids=lambda item: item.name)
def test_draws_have_the_moments_that_the_record_states(item):
    drawn = item.draw(np.random.default_rng(0), 200_000)
    mean, u = item.moments()
    if isinstance(item, p.StudentT):
        u *= math.sqrt(item.dof / (item.dof - 2))
    assert drawn.shape == (1, 200_000)
    assert drawn.mean() == pytest.approx(mean, abs=5 * u / math.sqrt(200_000))
    assert drawn.std() == pytest.approx(u, rel=0.01)


@pytest.mark.parametrize(
    ("item", "law"),
    [
        (p.Rectangular("x", 1, 4), stats.uniform(1, 3)),
        (p.Triangular("x", 1, 4), stats.triang(0.5, 1, 3)),
        (p.Arcsine("x", 1, 4), stats.arcsine(1, 3)),
        (p.StudentT("x", 3, 0.5, 4), stats.t(4, 3, 0.5)),
        (p.StudentT("x", 3, 0.5, math.inf), stats.norm(3, 0.5)),
    ],
)
def test_draws_follow_the_distribution(item, law):
    drawn = item.draw(np.random.default_rng(1), 20_000)[0]
    assert stats.kstest(drawn, law.cdf).pvalue > 0.001


def test_a_fully_correlated_group_moves_together():
    group = p.NormalGroup("pair", ("a", "b"), np.array([1.0, 2.0]), np.array([[1.0, 2.0], [2.0, 4.0]]))
    a, b = group.draw(np.random.default_rng(2), 1000)
    assert b - 2 == pytest.approx(2 * (a - 1), abs=1e-6)
    assert p.first_order(lambda q: q["b"] - 2 * q["a"], [group]).u == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("dof", [1, 2, 3, 4, 9, 10, 16, 17, 101, 5000, 20_001, 10**6])
@pytest.mark.parametrize("probability", [0.001, 0.3, 0.5, 0.9, 0.975, 0.995, 0.9999])
def test_t_quantile_against_scipy(probability, dof):
    assert p.t_quantile(probability, dof) == pytest.approx(stats.t.ppf(probability, dof), rel=1e-6, abs=1e-9)


def test_normal_quantile_and_cdf_against_scipy():
    for x in (1e-9, 0.025, 0.5, 0.84, 0.999999):
        assert p.normal_quantile(x) == pytest.approx(stats.norm.ppf(x), rel=1e-12, abs=1e-12)
        assert p.normal_cdf(p.normal_quantile(x)) == pytest.approx(x, rel=1e-12)


def test_degrees_of_freedom_are_truncated_first():
    y = p.first_order(lambda q: q["x"], [p.Normal("x", 0, 1, 16.64)])
    assert y.coverage_factor() == pytest.approx(stats.t.ppf(0.975, 16))
    assert y.coverage_factor() > stats.t.ppf(0.975, 16.64)


def test_sensitivities_are_exact_for_a_cubic_and_scale_free():
    for scale in (1e-9, 1.0, 1e9):
        inputs = [p.Normal("x", 2 * scale, 0.3 * scale)]
        y = p.first_order(lambda q, s=scale: (q["x"] / s) ** 3, inputs)
        assert y.gradient[0] * scale == pytest.approx(12, rel=1e-9)


def test_an_input_without_doubt_takes_no_share():
    y = p.first_order(lambda q: q["a"] * q["b"], [p.Normal("a", 2, 0.1), p.Normal("b", 3, 0)])
    assert [(part.name, round(part.share, 12)) for part in y.budget] == [("a", 1.0), ("b", 0.0)]
    assert math.isinf(y.dof)


def test_a_certain_model_gives_zero_not_an_error():
    y = p.first_order(lambda q: q["a"], [p.Normal("a", 2, 0)])
    assert (y.value, y.u, y.coverage_factor()) == (2, 0, pytest.approx(1.95996, abs=1e-5))


SPREAD = st.floats(0.01, 2)


@given(a=st.floats(-5, 5), b=st.floats(-5, 5), ua=SPREAD, ub=SPREAD, r=st.floats(-1, 1))
@settings(max_examples=25, deadline=None)
def test_linear_models_agree_with_the_closed_form(a, b, ua, ub, r):
    matrix = np.array([[ua**2, r * ua * ub], [r * ua * ub, ub**2]])
    group = p.NormalGroup("g", ("a", "b"), np.array([a, b]), matrix)
    y = p.first_order(lambda q: 2 * q["a"] - q["b"], [group])
    assert y.u**2 == pytest.approx(4 * ua**2 + ub**2 - 4 * r * ua * ub, abs=1e-8)


def test_monte_carlo_repeats_with_its_seed_and_only_then():
    inputs = [p.Normal("x", 0, 1)]
    runs = [p.monte_carlo(lambda q: q["x"], inputs, draws=1000, seed=s).mean for s in (1, 1, 2)]
    assert runs[0] == runs[1] != runs[2]


def test_intervals_of_a_skewed_quantity():
    drawn = p.monte_carlo(lambda q: -np.log(q["x"]), [p.Rectangular("x", 0, 1)], draws=200_000, seed=3)
    assert drawn.symmetric().low == pytest.approx(-math.log(0.975), abs=0.003)
    assert drawn.symmetric().high == pytest.approx(-math.log(0.025), abs=0.05)
    assert (drawn.shortest().low, drawn.shortest().high) == (
        pytest.approx(0, abs=0.005), pytest.approx(-math.log(0.05), abs=0.04))
    held = np.mean((drawn.values >= drawn.shortest().low) & (drawn.values <= drawn.shortest().high))
    assert held == pytest.approx(0.95, abs=1e-4)


def test_one_at_a_time_sees_what_first_order_cannot():
    inputs = [p.Normal("x", 0, 0.005), p.Normal("y", 1, 0.1)]
    alone = p.one_at_a_time(lambda q: q["x"] ** 2 + 0 * q["y"], inputs, draws=50_000)
    assert alone["x"] == pytest.approx(math.sqrt(2) * 0.005**2, rel=0.05)
    assert alone["y"] == pytest.approx(0, abs=1e-12)


@given(mean=st.floats(-20, 20), u=st.floats(0.01, 5), probability=st.floats(0.5, 0.999))
def test_an_interval_at_zero_never_collapses_and_never_goes_below(mean, u, probability):
    held = p.truncated_at_zero((mean, u), probability)
    assert held.low >= 0
    assert held.high - held.low >= p.normal_quantile((1 + probability) / 2) * u * (1 - 1e-9)


@pytest.mark.parametrize("truth", [0.0, 0.3, 1.0, 1.9, 2.5, 6.0])
def test_an_interval_at_zero_holds_the_truth_as_often_as_it_says(truth):
    """Readings scatter with u = 1 about truths at, near and far from 0: coverage 95 % or more, never less."""
    k = p.normal_quantile(0.975)
    expected = 0.975 if truth <= k else 0.95
    readings = np.random.default_rng(4).normal(truth, 1, 20_000)
    held = [p.truncated_at_zero((float(y), 1.0)) for y in readings]
    found = np.mean([c.low <= truth <= c.high for c in held])
    assert found == pytest.approx(expected, abs=0.006)


def test_truncation_of_draws_agrees_with_that_of_a_normal():
    for mean in (-2.0, 0.5, 5.0):
        drawn = p.monte_carlo(lambda q: q["x"], [p.Normal("x", mean, 1)], draws=200_000, seed=5)
        ours, exact = p.truncated_at_zero(drawn), p.truncated_at_zero((mean, 1.0))
        assert [ours.low, ours.high] == pytest.approx([exact.low, exact.high], abs=0.03)


def test_conformity_with_a_floor():
    """Nothing lies below 0, so a reading of -1 makes a gap under the limit likelier, not less likely."""
    expected = (stats.norm.cdf(2) - stats.norm.cdf(1)) / (1 - stats.norm.cdf(1))
    assert p.conformity_probability((-1.0, 1.0), upper=1.0, floor=0.0) == pytest.approx(expected)
    drawn = p.monte_carlo(lambda q: q["x"], [p.Normal("x", -1, 1)], draws=200_000, seed=6)
    assert p.conformity_probability(drawn, upper=1.0, floor=0.0) == pytest.approx(expected, abs=0.005)
    assert p.conformity_probability((-50.0, 1.0), upper=1.0, floor=0.0) == 1.0


def test_conformity_without_doubt_counts_the_limit_in():
    assert p.conformity_probability((1.0, 0.0), upper=1.0) == 1.0
    assert p.conformity_probability((1.0001, 0.0), upper=1.0) == 0.0


def test_consumers_and_producers_risk_fall_and_rise_with_the_guard_band():
    prior = p.NormalPrior(0, 0.6)
    found = [p.risks(prior, 0.1, (-1, 1), (-1 + w, 1 - w)) for w in (0, 0.1, 0.2)]
    assert found[0].consumer > found[1].consumer > found[2].consumer
    assert found[0].producer < found[1].producer < found[2].producer


def pair(matrix):
    return p.NormalGroup("x", ("a", "b"), np.zeros(2), np.array(matrix, dtype=float))


def identity(u):
    return p.first_order(lambda q: q["x"], [p.Normal("x", 0, u)])


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: p.Normal("x", 0, -1), "at least 0"),
        (lambda: p.StudentT("x", 0, 1, 0), "dof"),
        (lambda: p.StudentT("x", 0, -1, 3), "scale"),
        (lambda: p.StudentT.from_readings("x", [1.0]), "two readings"),
        (lambda: p.Rectangular("x", 2, 1), "low <= high"),
        (lambda: p.CurvilinearTrapezoid("x", 0, 1, 2), "inexact"),
        (lambda: p.NormalGroup("x", ("a", "b"), np.zeros(2), np.eye(3)), "2 x 2"),
        (lambda: pair([[1, 0.5], [0, 1]]), "symmetric"),
        (lambda: pair([[1, 2], [2, 1]]), "negative variance"),
        (lambda: p.NormalGroup.from_readings("x", ("a",), [[1.0]]), "two sets"),
        (lambda: p.monte_carlo(lambda q: q["x"], [p.Normal("x", 0, 1)] * 2), "used twice: x"),
        (lambda: p.monte_carlo(lambda q: q["x"], [p.Normal("x", 0, 1)], draws=10), "100 draws"),
        (lambda: p.monte_carlo(lambda q: q["x"] / 0, [p.Normal("x", 0, 1)]), "not finite"),
        (lambda: p.monte_carlo(lambda q: q["x"], [p.Normal("x", 0, 1)]).symmetric(1.0), "between 0 and 1"),
        (lambda: p.t_quantile(0.5, 0.3), "one degree"),
        (lambda: p.normal_quantile(1.0), "between 0 and 1"),
        (lambda: p.guard_band(-1), "standard uncertainty"),
        (lambda: p.guard_band(1, 95), "0.95 is usual"),
        (lambda: p.guarded_limits(1, lambda v: 1 + abs(v)), "no guarded limit"),
        (lambda: p.risks(p.NormalPrior(0, 1), 0, (-1, 1)), "above 0"),
        (lambda: p.acceptance_limit_for_risk(p.NormalPrior(0, 1), 0.1, 0, 0.0), "no acceptance limit"),
        (lambda: p.covariance_between(identity(u=1), identity(u=2)), "same list"),
        (lambda: p.correlation_between(identity(u=0), identity(u=0)), "no correlation"),
    ],
)
@pytest.mark.filterwarnings("ignore:divide by zero")
def test_misuse_is_refused_in_a_sentence(make, words):
    with pytest.raises(ValueError, match=words):
        make()


def test_draws_of_a_group_do_not_turn_with_the_last_bit() -> None:
    """Equal variances leave eigenvectors any turn; the symmetric root has none."""
    near = np.diag([1.0, 1.0, 4.0])
    other = near + 1e-15 * np.array([[0, 1, 0], [1, 0, 0], [0, 0, 0]])
    drawn = [p.NormalGroup("x", ("a", "b", "c"), np.zeros(3), matrix).draw(np.random.default_rng(0), 100)
             for matrix in (near, other)]
    np.testing.assert_allclose(drawn[0], drawn[1], atol=1e-12)
