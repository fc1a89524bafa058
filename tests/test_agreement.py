"""E_n and shared draws, against published forms and a second library."""

from __future__ import annotations

import math

import GTC
import numpy as np
import pytest

from vision.propagation import (
    Normal,
    NormalGroup,
    Rectangular,
    draw_all,
    e_n,
    first_order,
    normal_quantile,
    shared_inputs,
)


def scored(inputs, k=2.0):
    """E_n of what `other` is more than `one`, by the law of propagation, and the difference's u."""
    law = first_order(lambda q: q["other"] - q["one"], inputs)
    return e_n(law.value, law.value - k * law.u, law.value + k * law.u), law.u


def test_e_n_is_the_form_of_iso_13528():
    """EUROLAB "Cook Book" no. 4 (2018) prints it (from memory): difference over the root of U² + U²; here 0.5 over
    0.5."""
    k = normal_quantile(0.975)
    both = Normal("one", 10.0, 0.3 / k), Normal("other", 10.5, 0.4 / k)
    assert scored(both, k)[0] == pytest.approx(1.0)
    back = Normal("one", 10.5, 0.3 / k), Normal("other", 10.0, 0.4 / k)
    assert scored(back, k)[0] == pytest.approx(-1.0)


def test_e_n_with_correlation_is_the_difference_over_its_expanded_uncertainty():
    """NIST (Wright et al. 2016, Metrologia) writes E_n as d / (2 u(d)) (from memory); GTC knows u(d) of correlated
    results."""
    one, other = GTC.ureal(11.0, 0.3, independent=False), GTC.ureal(12.0, 0.4, independent=False)
    GTC.set_correlation(0.6, one, other)
    covariance = np.array([[0.09, 0.6 * 0.12], [0.6 * 0.12, 0.16]])
    both = NormalGroup("both", ("one", "other"), np.array([11.0, 12.0]), covariance)
    assert scored([both])[0] == pytest.approx(1.0 / (2 * GTC.uncertainty(other - one)))


def test_e_n_of_an_interval_that_reaches_further_one_way_counts_the_way_to_zero():
    assert e_n(1.0, -0.1, 5.0) == pytest.approx(1.0 / 1.1)
    assert e_n(-1.0, -5.0, -0.1) == pytest.approx(-1.0 / 0.9)


def test_what_is_wholly_shared_cancels():
    """JCGM 100 5.2.2, example: ten resistors calibrated against one standard are fully correlated."""
    alike = shared_inputs([[Normal("standard", 1000.0, 0.1)]] * 2, {"standard"})
    apart = shared_inputs([[Normal("standard", 1000.0, 0.1)]] * 2, set())
    u = [first_order(lambda q, s=shared: s.values(1, q)["standard"] - s.values(0, q)["standard"], shared.inputs).u
         for shared in (alike, apart)]
    assert u == pytest.approx([0.0, 0.1 * math.sqrt(2)])


def lists():
    group = NormalGroup("edges", ("left", "right"), np.zeros(2), 0.01 * np.eye(2))
    return [[Rectangular("diameter", 59.0, 61.0), Normal("edge", 0.0, 0.1 * k), group, Normal("t", 0, 0.1)]
            for k in (1, 2)]


def test_shared_inputs_stand_once_and_the_others_apart():
    shared = shared_inputs(lists(), {"diameter"})
    assert [item.name for item in shared.inputs] == ["diameter", "edge (1)", "edges (1)", "t (1)",
                                                     "edge (2)", "edges (2)", "t (2)"]
    drawn = draw_all(shared.inputs, 2000, 1)
    first, second = shared.values(0, drawn), shared.values(1, drawn)
    assert first["diameter"] is second["diameter"]
    assert abs(np.corrcoef(first["edge"], second["edge"])[0, 1]) < 0.1
    assert {"left", "right", "t"} <= first.keys()


def test_a_difference_of_shared_inputs_keeps_only_what_is_not_shared():
    shared = shared_inputs(lists(), {"diameter"})

    def difference(q):
        one, other = shared.values(0, q), shared.values(1, q)
        return (other["diameter"] + other["edge"]) - (one["diameter"] + one["edge"])

    law = first_order(difference, shared.inputs)
    drawn = draw_all(shared.inputs, 20_000, 3)
    assert law.u == pytest.approx(math.hypot(0.1, 0.2))
    assert difference(drawn).std() == pytest.approx(law.u, rel=0.03)


def test_what_one_result_lacks_can_not_be_shared():
    with pytest.raises(ValueError, match="result 2 has no input diameter"):
        shared_inputs([lists()[0], [Normal("edge", 0, 1)]], {"diameter"})
