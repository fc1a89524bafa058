"""The few probabilities that a study needs, so that scipy stays a development tool."""

from __future__ import annotations

import math
from collections.abc import Callable


def beta_cdf(x: float, a: float, b: float) -> float:
    """Regularised incomplete beta function I_x(a, b), for a, b > 0 (Abramowitz & Stegun 26.5.8)."""
    if x <= 0:
        return 0.0
    if x >= 1:
        return 1.0
    # the fraction converges fast only on the near side of the mean; the far side is its mirror image
    if x > (a + 1) / (a + b + 2):
        return 1.0 - beta_cdf(1 - x, b, a)
    log_front = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    return math.exp(log_front) / (a * _fraction(x, a, b))


def _fraction(x: float, a: float, b: float) -> float:
    """1 + d1/(1 + d2/(1 + ...)), evaluated forwards (Lentz)."""
    tiny = 1e-300
    value, c, d = 1.0, 1.0, 0.0
    for step in range(1, 1000):
        m = step // 2
        if step % 2:
            term = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        else:
            term = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        d = 1 / ((1 + term * d) or tiny)
        c = (1 + term / c) or tiny
        value *= c * d
        if abs(c * d - 1) < 1e-15:
            break
    return value


def f_exceeds(f: float, df1: float, df2: float) -> float:
    """Probability that an F ratio with df1 and df2 degrees of freedom is above f."""
    if math.isinf(f):
        return 0.0
    return beta_cdf(df2 / (df2 + df1 * f), df2 / 2, df1 / 2)


def binomial_interval(hits: int, of: int, confidence: float = 0.95) -> tuple[float, float]:
    """The share behind `hits` out of `of`, exact two-sided limits (Clopper & Pearson 1934)."""
    tail = (1 - confidence) / 2
    low = 0.0 if hits == 0 else _solve(lambda x: beta_cdf(x, hits, of - hits + 1), tail)
    high = 1.0 if hits == of else _solve(lambda x: beta_cdf(x, hits + 1, of - hits), 1 - tail)
    return low, high


def _solve(rising: Callable[[float], float], target: float) -> float:
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if rising(middle) < target else (low, middle)
    return (low + high) / 2
