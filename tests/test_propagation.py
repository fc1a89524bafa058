"""Properties of the uncertainty engine: what must hold for any numbers, and what is refused."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from vision import propagation as p


@pytest.mark.parametrize("item", [p.Normal("normal", 3, 0.5), p.Rectangular("rectangular", 1, 4)],
                         ids=lambda item: item.name)
def test_draws_have_the_moments_that_the_record_states(item):
    drawn = item.draw(np.random.default_rng(0), 200_000)
    mean, u = item.moments()
    assert drawn.shape == (1, 200_000)
    assert drawn.mean() == pytest.approx(mean, abs=5 * u / math.sqrt(200_000))
    assert drawn.std() == pytest.approx(u, rel=0.01)


@pytest.mark.parametrize(
    ("item", "law"),
    [(p.Rectangular("x", 1, 4), stats.uniform(1, 3)), (p.Normal("x", 3, 0.5), stats.norm(3, 0.5))],
)
def test_draws_follow_the_distribution(item, law):
    drawn = item.draw(np.random.default_rng(1), 20_000)[0]
    assert stats.kstest(drawn, law.cdf).pvalue > 0.001


def test_a_fully_correlated_group_moves_together():
    group = p.NormalGroup("pair", ("a", "b"), np.array([1.0, 2.0]), np.array([[1.0, 2.0], [2.0, 4.0]]))
    a, b = group.draw(np.random.default_rng(2), 1000)
    assert b - 2 == pytest.approx(2 * (a - 1), abs=1e-6)
    assert p.first_order(lambda q: q["b"] - 2 * q["a"], [group]).u == pytest.approx(0, abs=1e-6)


def test_normal_quantile_and_cdf_against_scipy():
    for x in (1e-9, 0.025, 0.5, 0.84, 0.999999):
        assert p.normal_quantile(x) == pytest.approx(stats.norm.ppf(x), rel=1e-12, abs=1e-12)
        assert p.normal_cdf(p.normal_quantile(x)) == pytest.approx(x, rel=1e-12)


def test_sensitivities_are_exact_for_a_cubic_and_scale_free():
    for scale in (1e-9, 1.0, 1e9):
        inputs = [p.Normal("x", 2 * scale, 0.3 * scale)]
        y = p.first_order(lambda q, s=scale: (q["x"] / s) ** 3, inputs)
        assert y.u == pytest.approx(12 * 0.3, rel=1e-9)


def test_an_input_without_doubt_takes_no_share():
    y = p.first_order(lambda q: q["a"] * q["b"], [p.Normal("a", 2, 0.1), p.Normal("b", 3, 0)])
    assert [(part.name, round(part.share, 12)) for part in y.budget] == [("a", 1.0), ("b", 0.0)]


def test_a_certain_model_gives_zero_not_an_error():
    y = p.first_order(lambda q: q["a"], [p.Normal("a", 2, 0)])
    assert (y.value, y.u) == (2, 0)


SPREAD = st.floats(0.01, 2)


@given(a=st.floats(-5, 5), b=st.floats(-5, 5), ua=SPREAD, ub=SPREAD, r=st.floats(-1, 1))
@settings(max_examples=25, deadline=None)
def test_linear_models_agree_with_the_closed_form(a, b, ua, ub, r):
    matrix = np.array([[ua**2, r * ua * ub], [r * ua * ub, ub**2]])
    group = p.NormalGroup("g", ("a", "b"), np.array([a, b]), matrix)
    y = p.first_order(lambda q: 2 * q["a"] - q["b"], [group])
    assert y.u**2 == pytest.approx(4 * ua**2 + ub**2 - 4 * r * ua * ub, abs=1e-8)


def test_monte_carlo_repeats_with_its_seed_and_only_then():
    inputs = [p.Normal("x", 0, 1), p.Normal("y", 0, 1)]
    runs = [p.monte_carlo(lambda q: q["x"] * q["y"], inputs, draws=1000, seed=s).mean for s in (1, 1, 2)]
    assert runs[0] == runs[1] != runs[2]


def test_the_ends_of_an_interval_hardly_hang_on_the_seed():
    """The 97.5 % quantile of a normal quantity from 4,000 draws that fall where they fall scatters by
    sqrt(p (1 - p) / n) / density = 0.042 of its standard deviation; drawn evenly, less than a thousandth."""
    ends = [p.monte_carlo(lambda q: q["x"], [p.Normal("x", 0, 1)], draws=4000, seed=s).symmetric(0.95).high
            for s in range(20)]
    assert np.std(ends) < 1e-3
    assert np.mean(ends) == pytest.approx(stats.norm.ppf(0.975), abs=4e-3)


def test_the_interval_of_a_skewed_quantity():
    drawn = p.monte_carlo(lambda q: -np.log(q["x"]), [p.Rectangular("x", 0, 1)], draws=200_000, seed=3)
    assert drawn.symmetric().low == pytest.approx(-math.log(0.975), abs=0.003)
    assert drawn.symmetric().high == pytest.approx(-math.log(0.025), abs=0.05)


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


def pair(matrix):
    return p.NormalGroup("x", ("a", "b"), np.zeros(2), np.array(matrix, dtype=float))


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: p.Normal("x", 0, -1), "at least 0"),
        (lambda: p.Rectangular("x", 2, 1), "low <= high"),
        (lambda: p.NormalGroup("x", ("a", "b"), np.zeros(2), np.eye(3)), "2 x 2"),
        (lambda: pair([[1, 0.5], [0, 1]]), "symmetric"),
        (lambda: pair([[1, 2], [2, 1]]), "negative variance"),
        (lambda: p.monte_carlo(lambda q: q["x"], [p.Normal("x", 0, 1)] * 2), "used twice: x"),
        (lambda: p.monte_carlo(lambda q: q["x"], [p.Normal("x", 0, 1)], draws=10), "100 draws"),
        (lambda: p.monte_carlo(lambda q: q["x"] / 0, [p.Normal("x", 0, 1)]), "not finite"),
        (lambda: p.monte_carlo(lambda q: q["x"], [p.Normal("x", 0, 1)]).symmetric(1.0), "between 0 and 1"),
        (lambda: p.normal_quantile(1.0), "between 0 and 1"),
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
