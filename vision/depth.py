"""Strip -> Ends -> Depth: the cut and the mark of a bare pipe, and how far they are apart.

`cut` finds the cut end, `mark` the lines of ink.  The depth runs from the cut to the mark's edge that faces it: of a
made joint the gap runs from the mouth to that very edge, so that depth less gap is what lies in the collar.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision import cut, mark, networks
from vision.absent import in_its_way, is_covered
from vision.cut import Cut
from vision.mark import LEAST_ARC_DEG, MARK_BIAS_MM, Line, scatter_mm
from vision.mouth import points_px, weighed
from vision.records import Depth, Doubt, Edge, Ends, Floats, Refusal, Strip, Survey

WINDOW = 512  # columns of the strip that the reader sees at a time
_WINDOW_STEP = 256
_OVER = networks.STRIP_CLASSES.index("over")
CLEAR_MM = 3.0  # beyond the cut, where chamfer, burr and shadow end and a mark may be looked for
LOOKED_MM = 25.0  # from the strip's beginning: what lies over this hides the cut
MARK_ARC_DEG = 20.0  # of 732 marks whose depth was told none is seen over less than 23; a scratch of 15 passed for one
LEAST_SHARE = 0.74  # mean ink probability of a line; of 45 rendered pipes that were never marked none was measured
RIVAL_SHARE = 0.60  # a second line with this much is one that a person has to rule out
RAGGED_CUT_MM = 0.15  # scatter of a clean cut's edge on the strip: more is a burr
LEAST_END_U_MM = 0.06  # standard uncertainty of a surveyed end: of 414 whose spread is less, a quarter lie further off
_BEFORE = 0.7  # of the half width beside the axis: what a survey of the end is the mean of
_ASKEW_MM = 1.0


def find_ends(strip: Strip) -> Ends | Refusal:
    """Cut and lines of a strip that begins before the cut.

    Refuses with `covered` or `cut-not-found`.
    """
    shares = _read(strip)
    start = replace(strip, pixels=np.ascontiguousarray(strip.pixels[:, :WINDOW]), seen=strip.seen[:, :WINDOW])
    edge = cut.find_cut(start, networks.read_bare(start.pixels))
    if edge is None:
        before = shares[_OVER][:, :round(LOOKED_MM / strip.step_mm)]
        return Refusal("depth", "covered" if is_covered(before) else "cut-not-found")
    lines = mark.find_lines(strip, shares, edge.course_mm + CLEAR_MM)
    lines = [line for line in lines if line.arc_deg(strip.angles_rad) >= LEAST_ARC_DEG]
    burr = max(0.0, edge.scatter_mm - RAGGED_CUT_MM)
    return Ends(_cut_edge(strip, edge), tuple(_near_edge(strip, line) for line in lines),
                tuple(line.width_mm for line in lines), tuple(line.share for line in lines), burr,
                (Doubt("cut-ragged", f"by {edge.scatter_mm:.1f} mm"),) if burr > 0 else ())


def cut_near(ends: Ends) -> float:
    """Where the cut is met by the lanes before the camera, axial mm from the pose's guess."""
    before = np.abs(np.sin(ends.cut.angles_rad)) < _BEFORE
    return float(np.mean(ends.cut.at_mm[before] if before.any() else ends.cut.at_mm))


def with_end(ends: Ends, strip: Strip, survey: Survey) -> Ends:
    """Ends with the cut where strip and survey together have it."""
    cut = ends.cut
    moved, bias = weighed(survey.mouth_mm - cut_near(ends), cut.bias_mm, max(survey.u_mm, LEAST_END_U_MM))
    at = cut.at_mm + moved
    rows = np.isin(strip.angles_rad, cut.angles_rad)
    points = points_px(strip, np.interp(strip.angles_rad, cut.angles_rad, at))[rows]
    return replace(ends, cut=replace(cut, at_mm=at, points_px=points, bias_mm=bias))


def read_depth(ends: Ends, strip: Strip) -> Depth | Refusal:
    """The depth of the strongest line, once rivals and look-alikes are ruled out.

    Refuses with `mark-not-found`, `line-unclear`, `two-lines`, `covered`, `glare` or `too-dark`.
    """
    strong = [i for i, share in enumerate(ends.shares) if share >= RIVAL_SHARE]
    if not strong:
        return _nothing(strip, ends)
    if len(strong) > 1:
        places = ", ".join(f"{np.mean(ends.lines[i].at_mm) - np.mean(ends.cut.at_mm):.1f}" for i in strong)
        return Refusal("depth", "two-lines", f"lines at {places} mm from the cut")
    line, share = ends.lines[strong[0]], ends.shares[strong[0]]
    if share < LEAST_SHARE:
        return Refusal("depth", "line-unclear", f"ink probability {share:.2f}")
    arc_deg = _step_deg(strip) * len(line.at_mm)
    if arc_deg < MARK_ARC_DEG:
        return Refusal("depth", "line-unclear", f"seen over {arc_deg:.0f} degrees of the pipe alone")
    apart = line.at_mm - _cut_at(ends.cut, line.angles_rad)
    turn = np.sin(line.angles_rad)
    slant = float(abs(np.polyfit(turn, apart, 1)[0]) * np.ptp(turn)) if len(turn) > 4 else 0.0
    doubts = (Doubt("mark-askew-cut", f"{slant:.1f} mm over the arc seen"),) if slant > _ASKEW_MM else ()
    return Depth(float(np.mean(apart)), ends.cut, line, ends.widths_mm[strong[0]], slant, arc_deg, ends.burr_mm, doubts)


def _read(strip: Strip) -> NDArray[np.float32]:
    """The sawyer's class shares (classes, rows, columns) of a strip of any length, window by window.

    Where windows overlap each counts the more the further a cell lies from its border: there the reader sees least.
    """
    length = strip.pixels.shape[1]
    total = np.zeros((len(networks.STRIP_CLASSES), *strip.pixels.shape[:2]), np.float32)
    count = np.zeros(length, np.float32)
    inner = np.minimum(np.arange(1, WINDOW + 1), np.arange(WINDOW, 0, -1)).astype(np.float32)
    for first in range(0, length - WINDOW + 1, _WINDOW_STEP):
        there = slice(first, first + WINDOW)
        total[:, :, there] += inner * networks.read_bare(np.ascontiguousarray(strip.pixels[:, there])).shares
        count[there] += inner
    return np.asarray(total / np.maximum(count, 1), np.float32)


def columns_for(depth_mm: float, strip_first_mm: float, step_mm: float) -> int:
    """Columns of a strip that shows the mark where it should be, and a hand's breadth beyond; whole windows."""
    wanted = (depth_mm * 1.5 + 8.0 - strip_first_mm) / step_mm
    return WINDOW + _WINDOW_STEP * max(0, int(np.ceil((wanted - WINDOW) / _WINDOW_STEP)))


def _cut_at(edge: Edge, angles: Floats) -> Floats:
    """The cut's course at other angles."""
    order = np.argsort(edge.angles_rad)
    return np.interp(angles, edge.angles_rad[order], edge.at_mm[order])


def _step_deg(strip: Strip) -> float:
    """From one row of the strip to the next."""
    return float(np.degrees(strip.angles_rad[1] - strip.angles_rad[0]))


def _cut_edge(strip: Strip, edge: Cut) -> Edge:
    rows = edge.rows
    return Edge(strip.angles_rad[rows], edge.course_mm[rows], points_px(strip, edge.course_mm)[rows], edge.scatter_mm,
                _bias_mm(edge))


def _bias_mm(edge: Cut) -> float:
    """Standard uncertainty that all rows of the cut share, from how the reader hesitates.

    Its floor is far wider than the cut is read off: it stems from when nothing told that a side lay in shadow or in
    the ground.  Now the gauge does, and a floor so wide leaves most of the cut to the survey.
    """
    return 0.42 + 0.6 * max(0.0, edge.soft_mm - 0.08) + 1.5 * min(edge.views_mm, 1.0)


def _near_edge(strip: Strip, line: Line) -> Edge:
    rows = line.rows
    angles, values = strip.angles_rad[rows], line.near_mm[rows]
    return Edge(angles, values, points_px(strip, np.nan_to_num(line.near_mm))[rows], scatter_mm(angles, values),
                MARK_BIAS_MM)


def _nothing(strip: Strip, ends: Ends) -> Refusal:
    """No ink: say what may be in its way."""
    if ends.shares:
        return Refusal("depth", "line-unclear", f"ink probability {ends.shares[0]:.2f}")
    beyond = strip.seen & (strip.along_mm > float(np.mean(ends.cut.at_mm)) + CLEAR_MM)[None]
    found = in_its_way(strip, beyond, _read(strip)[_OVER], "the pipe")
    return Refusal("depth", *found) if found else Refusal("depth", "mark-not-found")
