"""Placement and Measurement -> Insertion: the mark's measured depth less the measured gap.

Both lengths take their scale from the pipe's diameter.  Where that is wrong both are, in the same direction, and the
error of their difference is the difference of their errors; all else errs independently in two photos.  A
difference bends nowhere, so the law of propagation (JCGM 100 clause 5.2) is all that it takes; tests hold it against
draws of both chains with one diameter (JCGM 101).
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from calibration.fittings import Fitting
from vision.propagation import conformity_probability, normal_quantile
from vision.records import Contribution, Insertion, Interval, Measurement, Placement
from vision.redraw import PIPE_DIAMETER


def insert(before: Placement, after: Measurement, fitting: Fitting) -> Insertion:
    """The insertion by the photo of the marked pipe and the photo of the joint."""
    shared = shared_u_mm(before.budget, after.budget)
    length = difference(before.depth, after.gap, shared, after.confidence)
    return Insertion(length, shared[0] - shared[1], p_enough(length, fitting.min_insertion_mm))


def shared_u_mm(depth: Iterable[Contribution], gap: Iterable[Contribution]) -> tuple[float, float]:
    """What the pipe's diameter contributes to the depth and to the gap: both grow with it."""
    first, second = (sum(part.u_mm for part in parts if part.name == PIPE_DIAMETER) for parts in (depth, gap))
    return first, second


def difference(depth: Interval, gap: Interval, shared: tuple[float, float], confidence: float) -> Interval:
    """Depth less gap; `shared` are the standard uncertainties of each that come from one common quantity.

    Each end of the interval is put together from the reaches of both lengths to that side: a gap that can't be
    negative, or that the lip leaves open, reaches further one way than the other.
    """
    k = normal_quantile((1 + confidence) / 2)
    common = shared[0] - shared[1]

    def own(reach: float, u: float) -> float:
        return math.sqrt(max(0.0, reach**2 - (k * u) ** 2))

    value = depth.value_mm - gap.value_mm
    down = math.hypot(own(depth.value_mm - depth.low_mm, shared[0]), own(gap.high_mm - gap.value_mm, shared[1]),
                      k * common)
    up = math.hypot(own(depth.high_mm - depth.value_mm, shared[0]), own(gap.value_mm - gap.low_mm, shared[1]),
                    k * common)
    variance = depth.u_mm**2 - shared[0] ** 2 + gap.u_mm**2 - shared[1] ** 2 + common**2
    return Interval(value, value - down, value + up, math.sqrt(max(0.0, variance)))


def p_enough(length: Interval, least_mm: float | None) -> float | None:
    """Probability that the true insertion is at least so much."""
    if least_mm is None:
        return None
    return conformity_probability((length.value_mm, length.u_mm), math.inf, least_mm)
