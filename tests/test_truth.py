"""Stated intervals hold the truth, on random scenes of known truth at the level of edge points.

`tests/benchmarks/coverage.py` runs the same on thousands and prints the table.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

from tests.benchmarks.coverage import Outcome, run

VIEWS = ("square", "pipe", "collar")


@lru_cache
def outcomes(view: str, edges: str) -> tuple[Outcome, ...]:
    found, _ = run(60, view, "exif", edges, seed=11)
    return tuple(found)


def everything() -> list[Outcome]:
    return [o for view in VIEWS for edges in ("clean", "rough") for o in outcomes(view, edges)]


def test_intervals_cover_the_truth():
    covered = np.mean([o.covered for o in everything()])
    assert 0.93 <= covered <= 0.99


@pytest.mark.parametrize("view", VIEWS)
def test_no_view_is_covered_badly(view):
    some = [o.covered for edges in ("clean", "rough") for o in outcomes(view, edges)]
    assert np.mean(some) >= 0.91  # 120 scenes: three standard errors under 0.95 are 0.89


def test_no_interval_reaches_below_zero_or_shrinks_to_nothing():
    for o in everything():
        gap = o.measured.gap
        assert 0 <= gap.low_mm <= gap.value_mm <= gap.high_mm
        assert gap.high_mm - gap.low_mm > 1.8 * gap.u_mm * (0.5 if gap.low_mm == 0 else 1.0)


def test_stated_uncertainty_is_the_real_scatter():
    clear = [o for o in everything() if o.closed and o.truth_mm > 1.0]
    pulls = np.array([o.error_mm / o.measured.gap.u_mm for o in clear])
    assert len(clear) > 120
    assert 0.8 < pulls.std() < 1.15
    assert abs(pulls.mean()) < 4 / np.sqrt(len(clear))


def test_false_words_are_as_rare_as_the_rule_says():
    """ILAC-G8:09/2019 clause 4.2.2: w = U keeps false acceptance under 2.5 % (here, of all scenes)."""
    limit = 1.5875
    full = [o for o in everything() if o.measured.gap.high_mm <= limit]
    short = [o for o in everything() if o.measured.gap.low_mm > limit]
    assert len(full) > 50
    assert len(short) > 100
    assert sum(o.truth_mm > limit for o in full) + sum(o.truth_mm <= limit for o in short) <= 5


def test_refusals_are_the_exception():
    _, refused = run(60, "any", "exif", "clean", seed=5)
    assert len(refused) <= 6
