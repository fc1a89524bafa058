"""From a measured value to a decision: probability of conformity, and the word that an interval allows.

JCGM 106:2012, ILAC-G8:09/2019 and ISO 14253-1.  A limit is an `upper` one unless `lower` is given too.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal

import numpy as np

from vision.propagation.normal import normal_cdf
from vision.propagation.spread import Draws


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


def judge(low: float, high: float, upper: float) -> Literal["conforms", "fails", "unproven"]:
    """Both ways proven or not at all (ISO 14253-1): the whole interval at or under the limit, or above it.

    So the guard band is the expanded uncertainty, the interval's own reach (ILAC-G8 clause 4.2.2).
    """
    if high <= upper:
        return "conforms"
    return "fails" if low > upper else "unproven"
