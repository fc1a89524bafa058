"""From a measured value to a decision: probability of conformity, guard bands, risks.

JCGM 106:2012, ILAC-G8:09/2019 and ISO 14253-1.  A limit is an `upper` one unless `lower` is given too.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from vision.propagation.spread import Draws
from vision.propagation.student import normal_cdf, normal_quantile

Floats = NDArray[np.float64]
Rule = Literal["expanded", "one-sided"]


def conformity_probability(
    knowledge: Draws | tuple[float, float], upper: float, lower: float = -math.inf, floor: float = -math.inf
) -> float:
    """Probability that the true value lies within the limits (JCGM 106 clauses 7.3 and 7.4).

    knowledge: draws, or (value, u) of a normal distribution.
    floor: values below it are impossible (a gap below 0); what remains is scaled to 1, and the limits
    are read within it.  Where the readings leave next to nothing above the floor the answer is for
    the floor itself: 1 when it conforms, else 0.
    """
    below = _share_below(knowledge)
    possible = 1.0 - below(floor, False)
    if possible < 1e-12:
        return 1.0 if lower <= floor <= upper else 0.0
    inside = below(upper, True) - below(max(lower, floor), False)
    return min(1.0, max(0.0, inside / possible))


def _share_below(knowledge: Draws | tuple[float, float]) -> Callable[[float, bool], float]:
    """Share of the knowledge below a value; the flag counts the value itself, which draws can hit."""
    if isinstance(knowledge, Draws):
        values = knowledge.values

        def counted(x: float, with_x: bool) -> float:
            return float(np.searchsorted(values, x, side="right" if with_x else "left")) / values.size

        return counted
    value, u = knowledge
    if not u > 0:
        return lambda x, with_x: 1.0 if value < x or (with_x and value == x) else 0.0
    return lambda x, _: normal_cdf((x - value) / u)


def guard_band(u: float, confidence: float = 0.95, rule: Rule = "expanded") -> float:
    """Width w of the guard band on either side of a limit.

    "expanded": w = U, the half width of the two-sided interval, 1.96 u at 0.95 (ILAC-G8 clause 4.2.2; at
    most 2.5 % false acceptance).  "one-sided": w = 1.645 u at 0.95 (ISO 14253-1:2017 for u well below
    the tolerance), at most 5 %.  Raises ValueError for u < 0 or a confidence outside 0.5 to 1.
    """
    if not u >= 0:
        raise ValueError(f"a standard uncertainty cannot be {u}")
    if not 0.5 <= confidence < 1:
        raise ValueError(f"a confidence lies between 0.5 and 1, not at {confidence}; 0.95 is usual")
    return u * normal_quantile((1 + confidence) / 2 if rule == "expanded" else confidence)


def guarded_limits(
    upper: float, u: float | Callable[[float], float], confidence: float = 0.95, rule: Rule = "expanded"
) -> tuple[float, float]:
    """Largest value that proves conformity and smallest that disproves it (JCGM 106 clause 8.3).

    u: the standard uncertainty at the limit, or a function of the measured value where it grows with it;
    the guarded limits are then where value and guard band meet.  Raises ValueError if they never do.
    """
    if not callable(u):
        w = guard_band(u, confidence, rule)
        return upper - w, upper + w
    return _meet(upper, u, confidence, rule, -1), _meet(upper, u, confidence, rule, +1)


def _meet(upper: float, u_of: Callable[[float], float], confidence: float, rule: Rule, side: int) -> float:
    value = upper
    for _ in range(200):
        moved = upper + side * guard_band(u_of(value), confidence, rule)
        if abs(moved - value) <= 1e-12 * max(1.0, abs(upper)):
            return moved
        value = moved
    raise ValueError("the uncertainty grows as fast as the value: no guarded limit exists")


def judge(low: float, high: float, upper: float) -> Literal["conforms", "fails", "unproven"]:
    """Both ways proven or not at all (ISO 14253-1): the whole interval at or under the limit, or above it."""
    if high <= upper:
        return "conforms"
    return "fails" if low > upper else "unproven"


class Prior(Protocol):
    """What is known of the items before any is measured."""

    def density(self, x: Floats) -> Floats:
        """Probability density at x, (n,)."""

    def span(self) -> tuple[float, float]:
        """An interval outside which the density can be left out."""


@dataclass(frozen=True)
class GammaPrior:
    """Items that cannot be negative (JCGM 106 clause 9.5.4): gamma with shape >= 1 and scale."""

    shape: float
    scale: float

    def density(self, x: Floats) -> Floats:
        """Density at x, (n,); 0 below 0."""
        t = np.clip(x, 0, None) / self.scale
        body: Floats = t ** (self.shape - 1) * np.exp(-t) / (math.gamma(self.shape) * self.scale)
        return np.where(x >= 0, body, 0.0)

    def span(self) -> tuple[float, float]:
        """0 to where less than 1e-15 is left."""
        return 0.0, self.scale * (self.shape + 12 * math.sqrt(self.shape) + 40)


@dataclass(frozen=True)
class NormalPrior:
    """Items scattered normally about a process mean."""

    mean: float
    sd: float

    def density(self, x: Floats) -> Floats:
        """Density at x, (n,)."""
        body: Floats = np.exp(-0.5 * ((x - self.mean) / self.sd) ** 2) / (self.sd * math.sqrt(2 * math.pi))
        return body

    def span(self) -> tuple[float, float]:
        """Nine standard deviations to either side."""
        return self.mean - 9 * self.sd, self.mean + 9 * self.sd


@dataclass(frozen=True)
class Risks:
    """Global risks (JCGM 106 clause 9.5) as shares of all items.

    consumer: non-conforming and accepted.  producer: conforming and rejected.
    """

    nonconforming: float
    consumer: float
    producer: float


def risks(
    prior: Prior, u: float, tolerance: tuple[float, float], acceptance: tuple[float, float] | None = None
) -> Risks:
    """Global risks of measuring items with normal uncertainty u (JCGM 106 equations 19 and 20).

    tolerance, acceptance: (lower, upper), infinite where there is none; acceptance is the tolerance
    unless given.  Accurate to about 1e-9.  Raises ValueError for u <= 0.
    """
    if not u > 0:
        raise ValueError("risks need a measurement uncertainty above 0")
    start, end = prior.span()
    inner = tuple(sorted({min(max(x, start), end) for x in tolerance}))
    edges = [start, *inner, end]
    good = bad = good_accepted = bad_accepted = 0.0
    for a, b in pairwise(edges):
        if b <= a:
            continue
        x, weight = _nodes(a, b, u)
        mass = weight * prior.density(x)
        accepted = float(mass @ _accepted(x, u, acceptance or tolerance))
        if tolerance[0] <= (a + b) / 2 <= tolerance[1]:
            good, good_accepted = good + float(mass.sum()), good_accepted + accepted
        else:
            bad, bad_accepted = bad + float(mass.sum()), bad_accepted + accepted
    return Risks(bad, bad_accepted, good - good_accepted)


def _nodes(a: float, b: float, u: float) -> tuple[Floats, Floats]:
    """Gauss-Legendre nodes and weights on panels no wider than u, 2000 panels at most."""
    panels = min(2000, max(16, math.ceil((b - a) / u)))
    x, w = np.polynomial.legendre.leggauss(12)
    width = (b - a) / panels
    starts = a + width * np.arange(panels)
    nodes = (starts[:, None] + width * (x + 1) / 2).ravel()
    return nodes, np.tile(w * width / 2, panels)


def _accepted(x: Floats, u: float, acceptance: tuple[float, float]) -> Floats:
    """Probability that an item of true value x is accepted, (n,)."""
    cdf = np.vectorize(normal_cdf, otypes=[float])
    share: Floats = cdf((acceptance[1] - x) / u) - cdf((acceptance[0] - x) / u)
    return share


def acceptance_limit_for_risk(prior: Prior, u: float, upper: float, consumer: float) -> float:
    """Upper acceptance limit that brings the consumer's risk down to `consumer` (JCGM 106 clause 9.5.4).

    Raises ValueError unless `consumer` is above 0.
    """
    if not consumer > 0:
        raise ValueError("no acceptance limit brings the consumer's risk down to nothing")

    def risk(limit: float) -> float:
        return risks(prior, u, (-math.inf, upper), (-math.inf, limit)).consumer

    low, high = upper - 10 * u, upper + 10 * u
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if risk(middle) < consumer else (low, middle)
    return (low + high) / 2
