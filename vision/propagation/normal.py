"""The normal distribution's own function and its quantiles, without scipy."""

from __future__ import annotations

import math
from statistics import NormalDist

_STANDARD = NormalDist()


def normal_cdf(z: float) -> float:
    """Probability that a standard normal quantity is at most z."""
    return math.erfc(-z / math.sqrt(2)) / 2


def normal_quantile(p: float) -> float:
    """The z with `normal_cdf(z) == p`.  Raises ValueError unless 0 < p < 1."""
    if not 0 < p < 1:
        raise ValueError(f"a quantile needs a probability between 0 and 1, not {p}")
    return _STANDARD.inv_cdf(p)
