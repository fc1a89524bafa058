"""Strip -> Gap: mouth and mark on the flat strip, and whether what looks like a mark is one.

`mouth` finds the collar's mouth, `mark` the lines of ink; this stage decides what they mean together.
A seam, a shadow or a ring of grease at the mouth must never pass for ink: a line that touches the mouth has
no bare pipe before it to prove that it is ink, so more is asked of it.
"""

from __future__ import annotations

import math

import numpy as np

from calibration.fittings import Fitting
from vision import geometry, mark, mouth, networks
from vision.mark import Line
from vision.mouth import Mouth
from vision.networks import Reading
from vision.records import Doubt, Edge, FirstInk, Floats, Gap, Pose, Refusal, Strip, Survey

_OFF, _INK, _DECOY, _OVER = (networks.STRIP_CLASSES.index(name) for name in ("off", "ink", "decoy", "over"))
TOUCH_MM = 0.35  # ink nearer than this to where pipe begins to be seen counts as reaching it
LEAST_ARC_DEG = 9.0
# Mean probability that the outermost rows beside the mouth show what lies beside the pipe: its side is elsewhere then.
# Of 1,568 gaps 14 had more, five of these off by more than 0.5 mm, of the others 60 (DEVELOPERS.md, "The sides").
MOST_BESIDE = 0.1
_OUTERMOST_RAD, _BEYOND_MM, _LEAST_CELLS = math.radians(12.0), (1.0, 16.0), 100
# Mean ink probability of a line.  Of 890 joints that were never marked four were called short by 0.64, with lines of
# 0.67, 0.68, 0.69 and 0.94; of 1,283 marks near the mouth that were called anything five have less than 0.7.
LEAST_SHARE = 0.7
FAINT_SHARE = 0.64  # a line of another colour than the clear one's, with less than this, is none of its ink
RIVAL_SHARE = 0.55  # a second line with this much is one that a person has to rule out
CLEAR_SHARE = 0.92  # a line so clear tells by its colour what else may be its ink, and is one though little of it shows
WORST_MOUTH_MM = 0.58  # standard uncertainty of a mouth that is still one
LEAST_SHOWN_MM = 0.76  # of a line that touches the mouth: less can't be told from the seam's own shadow
FACE_MARGIN_MM = 0.25
RING_ARC_DEG = 110.0  # a line seen over more of the arc may be a whole ring
EVEN_MM = 0.14  # a hand-drawn line is less even in width than this, mostly; a ring of something else need not be
MOST_MIXED = 0.12  # share of a line's rows that may be of another colour, as a speck of dirt is
# Mean ink probability of a stretch before the line that may be the joint's own mark, overlooked: so it was on the only
# two of 169 joints that were falsely called short (DEVELOPERS.md, "The networks").
MAYBE_INK = 0.07
# Probability, by the survey, that the first ink begins where a line does, and that it begins before it: so sure, it
# settles that a free line is the first, and ink of which the strip's readers need not be as sure (DEVELOPERS.md, "The
# networks").
SURE_INK, SURELY_NONE = 0.95, 0.01
# A free line is ink if the reader and one more of sceptic and survey hold that for likelier than not.
LIKELY = 0.5
# One at the mouth is ink by what strip, survey and close look, each by the logit of its probability, say together; one
# that touches it sooner than a free one (DEVELOPERS.md, "Ink at the mouth").
OF_STRIP, OF_SURVEY, OF_CLOSE_LOOK, TOUCHING, AGAINST = 1.53, 0.32, 0.67, 1.24, 2.94
# More is asked of an even ring: six marks that were one had 4.7 to 6.7, of ten look-alikes that had passed for ink, on
# 1,456 joints that were never marked, eight 4.3 at most.
AGAINST_EVEN = 4.5
_SUREST = 0.995  # as sure as one look counts
SURE_SHARE = 0.4  # mean ink probability of a free line that the survey is sure of
LEAST_WIDTH_MM = 0.55  # of a free line: of 1,205 that were ink, none narrower had its joint called anything
NEAR_MM = 2.2  # from the mouth to the near edge of a line that more is asked of (DEVELOPERS.md, "Ink at the mouth")
MOST_TAPED = 0.2  # mean probability of a look-alike behind the line; 0.12 at most behind marks
_BEHIND_MM = 8.0
_REACH_MM = 0.8  # the survey tells the middle of the rows with ink; a line drawn askew lies before and behind it
_STRETCH_MM = 1.0  # about as wide as a narrow line
_BESIDE_LINE_MM = 1.5  # before a line its own soft edge may look inked
_ENOUGH_CELLS = 200  # of a stretch, a sixth of the strip's height; a mean of fewer says little
MARK_BIAS_MM = 0.08  # how far the whole near edge may be read off
_ASKEW_MM = 1.0


def read(strip: Strip, pose: Pose, fitting: Fitting, survey: Survey | None = None) -> Gap | Refusal:
    """Measure the gap on the strip; `survey` is a second look at mouth and ink, where there is one.

    Refuses with `covered`, `edges-not-found`, `mouth-not-found`, `mark-not-found`, `mark-hidden`, `mark-unclear`,
    `two-lines`, `glare` or `too-dark`.
    """
    reading = networks.read(strip.pixels)
    edge = mouth.find_mouth(strip, reading, pose, fitting.collar_od_mm / 2)
    if edge is None:
        covered = float((reading.shares[_OVER][:, :200] > 0.5).mean()) > 0.3
        return Refusal("read", "covered" if covered else "mouth-not-found")
    seen = edge
    if survey is not None:
        edge = edge.with_survey(survey)
    if (off := _beside(strip, reading, edge)) > MOST_BESIDE:
        return Refusal("read", "edges-not-found", f"{off:.0%} of one edge of the pipe laid flat shows no pipe")
    lines = mark.find_lines(strip, reading.shares, edge.seen_mm)
    lines = [line for line in lines if _arc_deg(strip, line) >= LEAST_ARC_DEG]
    ink = None if survey is None else survey.ink
    first = _first_of(lines, ink)
    if first is not None:
        lines = [line for line in lines if _near_mm(line) >= _near_mm(first)]
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
    before = None if first is not None else _inked_before(strip, reading, edge, line)
    if before is not None:
        return Refusal("read", "two-lines", f"before the line, {before:.1f} mm from the mouth, may be another")
    if doubt := _look_alike(strip, reading, edge, line, survey):
        return Refusal("read", "mark-unclear", doubt)
    return _gap(strip, edge, line, _face_mm(pose, fitting, seen, survey), sure=first is not None)


def _beside(strip: Strip, reading: Reading, edge: Mouth) -> float:
    """Probability that the outermost rows, on that hand where it is higher, show what lies beside the pipe."""
    place = _along(strip) - float(np.median(edge.at_mm[edge.rows]))
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
    return clear.share >= CLEAR_SHARE and line.share < FAINT_SHARE and _opposed(line.rgb, clear)


def _opposed(rgb: Floats | None, line: Line) -> bool:
    """Whether a colour differs from the bare pipe's the other way than a line's does."""
    if rgb is None or line.rgb is None or line.pipe_rgb is None:
        return False
    return float((rgb - line.pipe_rgb) @ (line.rgb - line.pipe_rgb)) < 0


def _first_of(lines: list[Line], ink: FirstInk | None) -> Line | None:
    """The line that the survey is sure is where ink begins; None where there is none such."""
    return next((line for line in lines if ink is not None and _begins(line, ink)), None)


def _begins(line: Line, ink: FirstInk) -> bool:
    near = _near_mm(line)
    return ink.near(near, _REACH_MM) >= SURE_INK and ink.before(near - _REACH_MM) < SURELY_NONE


def _look_alike(strip: Strip, reading: Reading, edge: Mouth, line: Line, survey: Survey | None) -> str:
    """Why a line may be something else, a ring of grease or a gasket say; empty where it is believed to be ink.

    Most look-alikes lie at the mouth, and would have the joint called full: there more looks are heard.
    """
    touches, surveyed = _touches(line, edge), _begins_at(line, survey.ink if survey else None)
    if not touches and not _seconded(strip, reading, line, surveyed):
        return "two of three looks take the line for something else"
    if not touches and line.width_mm < LEAST_WIDTH_MM:
        return f"a line of {line.width_mm:.1f} mm may be a scratch"
    if not touches and _from_mouth(edge, line) > NEAR_MM:
        return ""
    closely = _begins_at(line, survey.ink_closely if survey else None)
    told = _told(line.share, surveyed, closely, touches)
    if told <= AGAINST:
        return "a line at the mouth that may be something else when its surroundings are seen too"
    heard = survey is not None and survey.ink_closely is not None
    if touches and _is_even_ring(strip, line) and not (heard and told > AGAINST_EVEN):
        return "an even ring at the mouth may be grease, a gasket or tape"
    if _taped(strip, reading, line):
        return "a line at the mouth with a look-alike right behind it, tape or a label"
    return ""


def _begins_at(line: Line, ink: FirstInk | None) -> float:
    """Probability, by a look that may be missing, that the first ink begins where a line does."""
    return 1.0 if ink is None else ink.near(_near_mm(line), _REACH_MM)


def _told(strip: float, survey: float, closely: float, touches: bool) -> float:
    """How surely a line at the mouth is ink rather than a look-alike, by three probabilities that it is."""
    looks = OF_STRIP * _logit(strip) + OF_SURVEY * _logit(survey) + OF_CLOSE_LOOK * _logit(closely)
    return looks + TOUCHING * touches


def _is_even_ring(strip: Strip, line: Line) -> bool:
    """Whether a line runs round the pipe more evenly than a hand draws."""
    return _arc_deg(strip, line) > RING_ARC_DEG and line.uneven_mm < EVEN_MM


def _logit(chance: float) -> float:
    held = min(max(chance, 1 - _SUREST), _SUREST)
    return math.log(held / (1 - held))


def _taped(strip: Strip, reading: Reading, line: Line) -> bool:
    """Whether tape or a label lies behind a line: of what then shows between it and the collar, none need be ink."""
    along, far = _along(strip), float(np.nanmedian(line.far_mm))
    behind = strip.seen & ((along > far) & (along < far + _BEHIND_MM))[None]
    return bool(behind.any() and reading.shares[_DECOY][behind].mean() > MOST_TAPED)


def _seconded(strip: Strip, reading: Reading, line: Line, chance: float) -> bool:
    """Whether sceptic or survey, which gives it that chance, too takes a line for ink; with neither it is unopposed."""
    if reading.sceptic is None or chance >= LIKELY:
        return True
    along = _along(strip)
    cells = (along[None] > line.near_mm[:, None]) & (along[None] < line.far_mm[:, None])
    inked, other = (float(reading.sceptic[kind][cells].sum()) for kind in (_INK, _DECOY))
    return inked >= LIKELY * (inked + other)


def _along(strip: Strip) -> Floats:
    """Where the strip's columns lie, axial mm from the pose's guess."""
    return np.asarray(strip.first_mm + strip.step_mm * np.arange(strip.seen.shape[1]))


def _touches(line: Line, edge: Mouth) -> bool:
    return bool(np.median((line.near_mm - edge.seen_mm)[line.rows]) < TOUCH_MM)


def _near_mm(line: Line) -> float:
    return float(np.nanmedian(line.near_mm))


def _inked_before(strip: Strip, reading: Reading, edge: Mouth, line: Line) -> float | None:
    """Where, mm from the mouth, a stretch before the line may be inked: the line is then not the nearest one."""
    along = _along(strip)
    place = along[None] - edge.seen_mm[:, None]
    ends = np.interp(strip.angles_rad, strip.angles_rad[line.rows], line.near_mm[line.rows]) - _BESIDE_LINE_MM
    between = strip.seen & (place > 0) & (along[None] < ends[:, None])
    bins = (place[between] / strip.step_mm).astype(int)
    stretch = np.ones(round(_STRETCH_MM / strip.step_mm))
    if not bins.size or bins.max() < len(stretch):
        return None
    ink = reading.shares[_INK][between]
    inked = np.convolve(np.bincount(bins, ink), stretch, "valid")
    cells = np.convolve(np.bincount(bins), stretch, "valid")
    share = np.where(cells > _ENOUGH_CELLS, inked / np.maximum(cells, 1), 0.0)
    top = int(share.argmax())
    if share[top] <= MAYBE_INK:
        return None
    there = (bins >= top) & (bins < top + len(stretch))
    rgb = np.average(strip.pixels[between][there], axis=0, weights=ink[there])
    if line.share >= CLEAR_SHARE and _opposed(rgb, line):
        return None
    return strip.step_mm * top + _STRETCH_MM / 2


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


def _arc_deg(strip: Strip, line: Line) -> float:
    return float(np.degrees(strip.angles_rad[1] - strip.angles_rad[0]) * line.rows.sum())


def _nothing(strip: Strip, reading: Reading, edge: Mouth) -> Refusal:
    """No ink: say what may be in its way."""
    along = _along(strip)
    zone = strip.seen & (along[None] > edge.border_mm[:, None]) & (along[None] < edge.border_mm[:, None] + 12)
    light = strip.pixels.max(-1)[zone] if zone.any() else np.array([0])
    if float(np.median(light)) < 28:
        return Refusal("read", "too-dark", f"median brightness {np.median(light):.0f} of 255")
    if float((reading.shares[_OVER][zone] > 0.5).mean()) > 0.35:
        return Refusal("read", "covered")
    if float((light >= 250).mean()) > 0.3:
        return Refusal("read", "glare", f"{(light >= 250).mean():.0%} of the pipe beside the mouth is burnt out")
    hidden = float(np.median(edge.hidden_mm[edge.rows]))
    if hidden > 0.8:
        return Refusal("read", "mark-hidden", f"the lip hides {hidden:.1f} mm of pipe")
    return Refusal("read", "mark-not-found")


def _gap(strip: Strip, edge: Mouth, line: Line, face_mm: float, sure: bool = False) -> Gap | Refusal:
    """The gap of a line, once look-alikes are ruled out."""
    rows = line.rows
    touching = _touches(line, edge)
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
                  _scatter(angles[rows], line.near_mm[rows]), MARK_BIAS_MM),
        line_width_mm=line.width_mm, hidden_mm=hidden, askew_mm=askew, arc_deg=_arc_deg(strip, line),
        ink_score=line.share, touches=touching, doubts=doubts,
        far=Edge(angles[ended], line.far_mm[ended], mouth.points_px(strip, np.nan_to_num(line.far_mm))[ended],
                 _scatter(angles[ended], line.far_mm[ended]), MARK_BIAS_MM),
    )


def _from_mouth(edge: Mouth, line: Line) -> float:
    return float(np.nanmedian(line.near_mm - edge.at_mm))


def _middle(edge: Mouth, line: Line) -> float:
    return float(np.nanmedian(0.5 * (line.near_mm + line.far_mm) - edge.at_mm))


def _value(apart: Floats, hidden: float, touching: bool) -> tuple[float, float, float]:
    """Gap and the bracket that the view leaves open: ink that comes out from under the lip may end anywhere there."""
    if touching:
        return hidden / 2, 0.0, hidden
    value = float(np.mean(apart))
    return value, value, value


def _scatter(angles: Floats, values: Floats) -> float:
    """Robust scatter of an edge about its straight course."""
    if len(values) < 5:
        return 0.3
    rest = values - np.polyval(np.polyfit(np.sin(angles), values, 1), np.sin(angles))
    return float(1.483 * np.median(np.abs(rest - np.median(rest))))
