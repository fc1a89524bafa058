"""A marked pipe and its joint -> Insertion: the mark's measured depth less the measured gap.

Both lengths take their scale from the pipe's diameter.  Where that is wrong both are, in the same direction, and the
error of their difference is the difference of their errors; all else errs independently in two photos.  A
difference bends nowhere, so the law of propagation (JCGM 100 clause 5.2) is all that it takes; tests hold it against
draws of both chains with one diameter (JCGM 101).

The insertion is told along the side that the joint's photo shows.  The marked pipe was photographed from another, as
a rule, where its depth is another if the cut is out of square or the mark askew: `depths` tells it of the joint's side
where both are known.

Where the mark comes out from under the lip, or lies under the collar, its near edge is hidden; but its far edge shows,
and the marked pipe told how wide the line is.  So the near edge lies that much nearer, beyond the mouth perhaps.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from vision.propagation import conformity_probability, normal_quantile
from vision.records import Contribution, Doubt, Insertion, Interval, Measurement, Placement
from vision.redraw import PIPE_DIAMETER
from vision.wave import apart_mm

MAY_DIFFER = 2.0  # standard uncertainties by which two depths of one mark may differ
# One line, photographed on the marked pipe and on the joint from other sides, is not equally wide in both: of 237 such
# pairs (`studio.stories marked --first 7000`) half differ by less than 4.5 in 100 of it, 95 in 100 by less than 16.
WIDTH_SHARE = 0.08
# No pair differed by more than 27 in 100 and 0.56 mm: where one does by more than this, an edge or the scale of one
# photo is not what it seems, or the line is another.
MOST_WIDER_SHARE, LEAST_WIDER_MM, MOST_WIDER_MM = 0.3, 0.3, 0.8


@dataclass(frozen=True)
class Marked:
    """What the photo of the marked pipe tells its joint.

    wave_mm: standard uncertainty of the wave in which the depth may go round the pipe.  by_pipe_mm: that of the depth
    for the pipe's diameter alone.  lens_open: the depth is but a range (`Placement`).  same_side: the depth is that of
    the very side that the joint's photo shows.
    """

    depth: Interval
    width_mm: float
    wave_mm: float
    by_pipe_mm: float
    lens_open: bool = False
    same_side: bool = False

    @classmethod
    def of(cls, found: Placement) -> Marked:
        """From what was measured."""
        return cls(found.depth, found.line_width_mm, found.wave_mm, by_pipe_mm(found.budget), found.lens_open)


@dataclass(frozen=True)
class Made:
    """What the joint's photo tells: the gap, and the mark's far edge from the mouth where the near one is hidden."""

    gap: Interval
    far: Interval | None
    width_mm: float | None
    wave_mm: float
    by_pipe_mm: float
    confidence: float

    @classmethod
    def of(cls, found: Measurement) -> Made:
        """From what was measured."""
        return cls(found.gap, found.far, found.line_width_mm, found.wave_mm, by_pipe_mm(found.budget),
                   found.confidence)


def by_pipe_mm(parts: Iterable[Contribution]) -> float:
    """Standard uncertainty that comes from the pipe's diameter: depth and gap both grow with it."""
    return sum(part.u_mm for part in parts if part.name == PIPE_DIAMETER)


def insert(before: Marked, after: Made, least_mm: float | None = None) -> Insertion:
    """The insertion by the photo of the marked pipe and the photo of the joint."""
    near = None if after.far is None else _near_edge(before, after.far, after)
    shared = before.by_pipe_mm, after.by_pipe_mm
    side = 0.0 if before.same_side else apart_mm(max(before.wave_mm, after.wave_mm), None)
    length = difference(before.depth, near or _as_it_may_lie(before, after.gap), shared, after.confidence, side)
    return Insertion(length, p_enough(length, least_mm), near, before.lens_open,
                     before.depth if before.same_side else None)


def least_high_mm(lengths: Sequence[Interval], confidence: float) -> float:
    """The least of several high ends, each put where their number asks for it: of many views of one pipe one is always
    low.  Infinite where there is none."""
    tail = (1 - confidence) / 2
    wider = normal_quantile(1 - tail / max(1, len(lengths))) / normal_quantile(1 - tail)
    return min((each.value_mm + wider * (each.high_mm - each.value_mm) for each in lengths), default=math.inf)


def _as_it_may_lie(before: Marked, gap: Interval) -> Interval:
    """The gap; where a line that reaches the mouth shows no far edge, its near edge may lie under the collar, by as
    much as the line is wide."""
    return replace(gap, low_mm=-before.width_mm) if gap.low_mm <= 0 else gap


def unlike(before: Marked, after: Made) -> Doubt | None:
    """Why both photos can't show one line: it isn't equally wide, or not as wide as lip and mouth leave room for."""
    told = "{:.1f} mm wide on the marked pipe, {} on the joint".format
    if after.far is None:
        most = min(MOST_WIDER_MM, max(LEAST_WIDER_MM, MOST_WIDER_SHARE * before.width_mm))
        if after.width_mm is None or abs(after.width_mm - before.width_mm) < most:
            return None
        return Doubt("mark-differs", told(before.width_mm, f"{after.width_mm:.1f} mm"))
    behind = _by_width(before, after.far, after.confidence)
    if behind.value_mm - behind.u_mm <= after.gap.high_mm:
        return None
    return Doubt("mark-differs", told(before.width_mm, f"{after.far.value_mm:.1f} mm or more"))


def _near_edge(before: Marked, far: Interval, after: Made) -> Interval:
    """From the mouth to the mark's near edge, by its width; what the lip can hide at most holds all the same.

    A width that would have it lie further out is off by as much, and makes nothing surer: the interval reaches as far
    in from there as by the width alone.
    """
    told, most = _by_width(before, far, after.confidence), after.gap.high_mm
    over = max(0.0, told.value_mm - most)
    return Interval(told.value_mm - over, min(told.low_mm, most) - over, min(told.high_mm, most), told.u_mm)


def gap_of(near: Interval, most_mm: float) -> Interval:
    """The gap of a near edge, 0 where it lies under the collar; most_mm: what the gap's own measurement leaves open.

    An edge far under the collar makes the gap no surer than one right at the mouth: its high end is raised by as much,
    as if 0 had been read (`propagation.truncated_at_zero`).
    """
    high = min(near.high_mm + max(0.0, -near.value_mm), max(near.high_mm, most_mm))
    return Interval(max(0.0, near.value_mm), max(0.0, near.low_mm), high, near.u_mm)


def _by_width(before: Marked, far: Interval, confidence: float) -> Interval:
    """The far edge less the line's width; of the marked pipe's scale as much is uncertain as of its depth."""
    k, width = normal_quantile((1 + confidence) / 2), before.width_mm
    u = width * math.hypot(WIDTH_SHARE, before.depth.u_mm / before.depth.value_mm)
    value = far.value_mm - width
    return Interval(value, value - math.hypot(far.value_mm - far.low_mm, k * u),
                    value + math.hypot(far.high_mm - far.value_mm, k * u), math.hypot(far.u_mm, u))


def difference(depth: Interval, gap: Interval, shared: tuple[float, float], confidence: float,
               side_mm: float = 0.0) -> Interval:
    """Depth less gap; `shared` are the standard uncertainties of each that come from one common quantity, `side_mm`
    that of what another side may add.

    Each end of the interval is put together from the reaches of both lengths to that side: a gap that can't be
    negative, or that the lip leaves open, reaches further one way than the other.
    """
    k = normal_quantile((1 + confidence) / 2)
    common = math.hypot(shared[0] - shared[1], side_mm)

    def own(reach: float, u: float) -> float:
        return math.sqrt(max(0.0, reach**2 - (k * u) ** 2))

    value = depth.value_mm - gap.value_mm
    down = math.hypot(own(depth.value_mm - depth.low_mm, shared[0]), own(gap.high_mm - gap.value_mm, shared[1]),
                      k * common)
    up = math.hypot(own(depth.high_mm - depth.value_mm, shared[0]), own(gap.value_mm - gap.low_mm, shared[1]),
                    k * common)
    variance = depth.u_mm**2 - shared[0] ** 2 + gap.u_mm**2 - shared[1] ** 2 + common**2
    return Interval(value, value - down, value + up, math.sqrt(max(0.0, variance)))


def p_within(near: Interval, limit_mm: float) -> float:
    """Probability that the gap of a near edge lies at or under the limit."""
    return conformity_probability((near.value_mm, near.u_mm), limit_mm)


def p_enough(length: Interval, least_mm: float | None) -> float | None:
    """Probability that the true insertion is at least so much."""
    if least_mm is None:
        return None
    return conformity_probability((length.value_mm, length.u_mm), math.inf, least_mm)
