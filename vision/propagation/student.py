"""Quantiles of Student's t and of the normal distribution, without scipy.

Degrees of freedom are whole numbers here: JCGM 100 clause G.4.1 truncates nu_eff to one before the
look-up, and for whole numbers the distribution function is a finite sum, so nothing is approximated.
"""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist

_STANDARD = NormalDist()
_NORMAL_FROM = 20_000
"""Above this many degrees of freedom a first correction to the normal quantile is good to 2e-8."""


def normal_cdf(z: float) -> float:
    """Probability that a standard normal quantity is at most z."""
    return math.erfc(-z / math.sqrt(2)) / 2


def normal_quantile(p: float) -> float:
    """The z with `normal_cdf(z) == p`.  Raises ValueError unless 0 < p < 1."""
    if not 0 < p < 1:
        raise ValueError(f"a quantile needs a probability between 0 and 1, not {p}")
    return _STANDARD.inv_cdf(p)


def _inside(theta: float, nu: int) -> float:
    """Probability that |t| <= tan(theta) sqrt(nu) (Abramowitz & Stegun 26.7.3 and 26.7.4)."""
    cos, sin = math.cos(theta), math.sin(theta)
    odd = nu % 2
    term, total = (cos if odd else 1.0), 0.0
    for j in range(1 + odd, nu, 2):
        total += term
        term *= cos * cos * j / (j + 1)
        if term < 1e-18:
            break
    return 2 / math.pi * (theta + sin * total) if odd else sin * total


@lru_cache(maxsize=256)
def t_quantile(p: float, dof: float) -> float:
    """The t with probability p below it, for floor(dof) degrees of freedom; dof may be infinite.

    Raises ValueError unless 0 < p < 1 and dof >= 1.
    """
    if not dof >= 1:
        raise ValueError(f"Student's t needs at least one degree of freedom, not {dof}")
    z = normal_quantile(p)
    if p < 0.5:
        return -t_quantile(1 - p, dof)
    if dof > _NORMAL_FROM:
        return z if math.isinf(dof) else z + (z**3 + z) / (4 * math.floor(dof))
    nu = math.floor(dof)
    low, high = 0.0, math.pi / 2
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if _inside(middle, nu) < 2 * p - 1 else (low, middle)
    return math.tan((low + high) / 2) * math.sqrt(nu)
