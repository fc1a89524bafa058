"""Strip -> Gap: mouth and mark on the flat strip, and whether what looks like a mark is one.

`mouth` finds the collar's mouth, `mark` the lines of ink; this stage decides what they mean together.
A seam, a shadow or a ring of grease at the mouth must never pass for ink: a line that touches the mouth has
no bare pipe before it to prove that it is ink, so more is asked of it.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from calibration.fittings import Fitting
from vision import geometry, mark, mouth, networks
from vision.absent import in_its_way, is_covered
from vision.alike import CLEAR_SHARE, REACH_MM, inked_before, look_alike, touches
from vision.mark import LEAST_ARC_DEG, MARK_BIAS_MM, Line, scatter_mm
from vision.mouth import Mouth
from vision.networks import Reading
from vision.records import Doubt, Edge, FirstInk, Floats, Gap, Pose, Refusal, Strip, Survey

_OFF, _OVER = (networks.STRIP_CLASSES.index(name) for name in ("off", "over"))
# Mean probability that the outermost rows beside the mouth show what lies beside the pipe: its side is elsewhere then.
# Of 1,568 gaps 14 had more, five of these off by more than 0.5 mm, of the others 60 (DEVELOPERS.md, "The sides").
MOST_BESIDE = 0.1
_OUTERMOST_RAD, _BEYOND_MM, _LEAST_CELLS = math.radians(12.0), (1.0, 16.0), 100
# Mean ink probability of a line.  Of 890 joints that were never marked four were called short by 0.64, with lines of
# 0.67, 0.68, 0.69 and 0.94; of 1,283 marks near the mouth that were called anything five have less than 0.7.
LEAST_SHARE = 0.7
FAINT_SHARE = 0.64  # a line of another colour than the clear one's, with less than this, is none of its ink
RIVAL_SHARE = 0.55  # a second line with this much is one that a person has to rule out
WORST_MOUTH_MM = 0.58  # standard uncertainty of a mouth that is still one
LEAST_SHOWN_MM = 0.76  # of a line that touches the mouth: less can't be told from the seam's own shadow
FACE_MARGIN_MM = 0.25
MOST_MIXED = 0.12  # share of a line's rows that may be of another colour, as a speck of dirt is
# Probability, by the survey, that the first ink begins where a line does, and that it begins before it: so sure, it
# settles that a free line is the first, and ink of which the strip's readers need not be as sure (DEVELOPERS.md, "The
# networks").
SURE_INK, SURELY_NONE = 0.95, 0.01
SURE_SHARE = 0.4  # mean ink probability of a free line that the survey is sure of
_ASKEW_MM = 1.0
# Where there is no mouth or no ink these choose the reason that is told, as those of `absent` do; what they were set on
# nobody wrote down either.
_LOOKED_MM = 20.0  # from the strip's beginning: what lies over this hides the mouth
_NO_INK_MM = 12.0  # of pipe beyond the mouth, where the mark should be
_HIDING_MM = 0.8  # of pipe that a lip hides: so much may hide a mark


def read(strip: Strip, pose: Pose, fitting: Fitting, survey: Survey | None = None) -> Gap | Refusal:
    """Measure the gap on the strip; `survey` is a second look at mouth and ink, where there is one.

    A gap whose line may be no mark says why (`unsure`).  Refuses with `covered`, `edges-not-found`, `mouth-not-found`,
    `mark-not-found`, `mark-hidden`, `mark-unclear`, `two-lines`, `glare` or `too-dark`.
    """
    reading = networks.read(strip.pixels)
    edge = mouth.find_mouth(strip, reading, pose, fitting.collar_od_mm / 2)
    if edge is None:
        before = reading.shares[_OVER][:, :round(_LOOKED_MM / strip.step_mm)]
        return Refusal("read", "covered" if is_covered(before) else "mouth-not-found")
    seen = edge
    if survey is not None:
        edge = edge.with_survey(survey)
    if (off := _beside(strip, reading, edge)) > MOST_BESIDE:
        return Refusal("read", "edges-not-found", f"{off:.0%} of one edge of the pipe laid flat shows no pipe")
    lines = mark.find_lines(strip, reading.shares, edge.seen_mm)
    lines = [line for line in lines if line.arc_deg(strip.angles_rad) >= LEAST_ARC_DEG]
    ink = None if survey is None else survey.ink
    first = _first_of(lines, ink)
    if first is not None:
        lines = [line for line in lines if line.begins_mm >= first.begins_mm]
    rivals = [line for line in lines
              if line is first or (line.share >= RIVAL_SHARE and not _of_other_ink(line, lines))]
    if len(rivals) > 1:  # said first: that there are two is sure, however well their distances are known
        places = ", ".join(f"{_middle(edge, line):.1f}" for line in rivals)
        return Refusal("read", "two-lines", f"lines at {places} mm from the mouth")
    if edge.bias_mm > WORST_MOUTH_MM:
        return Refusal("read", "mouth-not-found", f"read to {edge.bias_mm:.1f} mm only")
    if not lines:
        return _nothing(strip, reading, edge)
    line = first or max(lines, key=lambda each: each.share)
    before = None if first is not None else inked_before(strip, reading, edge, line, survey)
    if before is not None:
        return Refusal("read", "two-lines", f"before the line, {before:.1f} mm from the mouth, may be another")
    doubt = look_alike(strip, reading, edge, line, survey)
    if doubt and doubt.strong:
        return Refusal("read", "mark-unclear", doubt.why)
    gap = _gap(strip, edge, line, _face_mm(pose, fitting, seen, survey), sure=first is not None)
    return gap if isinstance(gap, Refusal) or doubt is None else replace(gap, unsure=doubt.why)


def _beside(strip: Strip, reading: Reading, edge: Mouth) -> float:
    """Probability that the outermost rows, on that hand where it is higher, show what lies beside the pipe."""
    place = strip.along_mm - float(np.median(edge.at_mm[edge.rows]))
    near = (place > _BEYOND_MM[0]) & (place < _BEYOND_MM[1])
    angles, shares = strip.angles_rad, [0.0]
    for rows in (angles < angles.min() + _OUTERMOST_RAD, angles > angles.max() - _OUTERMOST_RAD):
        cells = strip.seen & rows[:, None] & near[None]
        if cells.sum() > _LEAST_CELLS:
            shares.append(float(reading.shares[_OFF][cells].mean()))
    return max(shares)


def _of_other_ink(line: Line, lines: list[Line]) -> bool:
    """Whether a line is none of the clear one's ink: too faint to pass for a mark by itself, and darker than the pipe
    where the clear one is lighter, as the mouth's shadow is, or the other way round.
    """
    clear = max(lines, key=lambda each: each.share)
    return clear.share >= CLEAR_SHARE and line.share < FAINT_SHARE and clear.opposed(line.rgb)


def _first_of(lines: list[Line], ink: FirstInk | None) -> Line | None:
    """The line that the survey is sure is where ink begins; None where there is none such."""
    return next((line for line in lines if ink is not None and _begins(line, ink)), None)


def _begins(line: Line, ink: FirstInk) -> bool:
    near = line.begins_mm
    return ink.near(near, REACH_MM) >= SURE_INK and ink.before(near - REACH_MM) < SURELY_NONE


def _face_mm(pose: Pose, fitting: Fitting, edge: Mouth, survey: Survey | None) -> float:
    """Length of the strip before the mouth that may show the collar's end face, seen from the pipe's side.

    A face in shadow looks like a dark line that reaches the collar, if the mouth is taken at its outer rim.  Then
    the mouth lies beyond by the whole face; a survey that says it doesn't leaves nothing of that.
    """
    wall = (fitting.collar_od_mm - fitting.pipe_od_mm) / 2
    face = wall * max(0.0, math.tan(math.radians(pose.tilt_deg)))
    if survey is None:
        return face
    beyond = survey.mouth_mm - float(np.median(edge.at_mm[edge.rows]))
    return 0.0 if beyond < face - 2 * math.hypot(survey.u_mm, edge.bias_mm) else face


def _nothing(strip: Strip, reading: Reading, edge: Mouth) -> Refusal:
    """No ink: say what may be in its way."""
    along, start = strip.along_mm[None], edge.border_mm[:, None]
    zone = strip.seen & (along > start) & (along < start + _NO_INK_MM)
    if found := in_its_way(strip, zone, reading.shares[_OVER], "the pipe beside the mouth"):
        return Refusal("read", *found)
    hidden = float(np.median(edge.hidden_mm[edge.rows]))
    if hidden > _HIDING_MM:
        return Refusal("read", "mark-hidden", f"the lip hides {hidden:.1f} mm of pipe")
    return Refusal("read", "mark-not-found")


def _gap(strip: Strip, edge: Mouth, line: Line, face_mm: float, sure: bool = False) -> Gap | Refusal:
    """The gap of a line, once look-alikes are ruled out."""
    rows = line.rows
    touching = touches(line, edge)
    if line.share < (SURE_SHARE if sure and not touching else LEAST_SHARE):
        return Refusal("read", "mark-unclear", f"ink probability {line.share:.2f}")
    shown = float(np.median((line.far_mm - edge.seen_mm)[rows]))
    if touching and shown < max(LEAST_SHOWN_MM, face_mm + FACE_MARGIN_MM):
        return Refusal("read", "mark-unclear",
                       f"{shown:.1f} mm of a line shows, as much as a seam or the collar's end face would")
    if touching and line.mixed > MOST_MIXED:
        return Refusal("read", "mark-unclear", "a line at the mouth, part of it lighter, part darker than the pipe")
    angles = strip.angles_rad
    apart = np.maximum(line.near_mm - edge.at_mm, 0.0)[rows]
    hidden = float(np.mean(edge.hidden_mm[rows][geometry.in_front(angles[rows])]))
    value, least, most = _value(apart, hidden, touching)
    slope = np.polyfit(np.sin(angles[rows]), (line.near_mm - edge.at_mm)[rows], 1)[0]
    askew = float(abs(slope) * np.ptp(np.sin(angles[rows])))
    doubts = (Doubt("mark-askew", f"{askew:.1f} mm over the arc seen"),) if askew > _ASKEW_MM and not touching else ()
    ended = rows & np.isfinite(line.far_mm)
    return Gap(
        value, least, most,
        mouth=Edge(angles[rows], edge.at_mm[rows], mouth.points_px(strip, edge.border_mm)[rows], edge.scatter_mm,
                   edge.bias_mm),
        near=Edge(angles[rows], line.near_mm[rows], mouth.points_px(strip, np.nan_to_num(line.near_mm))[rows],
                  scatter_mm(angles[rows], line.near_mm[rows]), MARK_BIAS_MM),
        line_width_mm=line.width_mm, hidden_mm=hidden, askew_mm=askew, arc_deg=line.arc_deg(strip.angles_rad),
        ink_score=line.share, touches=touching, doubts=doubts,
        far=Edge(angles[ended], line.far_mm[ended], mouth.points_px(strip, np.nan_to_num(line.far_mm))[ended],
                 scatter_mm(angles[ended], line.far_mm[ended]), MARK_BIAS_MM),
    )


def _middle(edge: Mouth, line: Line) -> float:
    return float(np.nanmedian(0.5 * (line.near_mm + line.far_mm) - edge.at_mm))


def _value(apart: Floats, hidden: float, touching: bool) -> tuple[float, float, float]:
    """Gap and the bracket that the view leaves open: ink that comes out from under the lip may end anywhere there."""
    if touching:
        return hidden / 2, 0.0, hidden
    value = float(np.mean(apart))
    return value, value, value
