"""Strip -> Gap where a person placed mouth and mark: the edges that the strip shows near the placed ones.

The hand says which edge is meant, the strip where it runs.  Where several edges lie near, each counts by how
strong it is and how likely the hand is to have meant it; where the strip shows none, the placed one stands.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.camera import Camera
from calibration.fittings import Fitting
from vision import geometry, mouth, sides
from vision.records import Doubt, Edge, Floats, Gap, Hand, Pose, Refusal, Strip

_SIGMAS = 3.0  # of the hand: as far as an edge may lie from where it was placed
_LEAST_ARC_RAD = math.radians(24)  # of the mark read in the picture around where it was placed
_WIDEST_RAD = math.radians(55)
_APART_RAD = math.radians(8)  # points nearer round the pipe say nothing of a slant
_FOUND_SHARE = 0.5  # of the rows must show an edge near the placed one
_EDGE_MM = (0.3, 1.0)  # least and most that an edge is looked for on either side of where it was placed
_BARE_MM, _LEAST_BARE_MM = (4.0, 20.0), 5.0  # beyond a mark's near edge: where pipe is looked at for its colour
_STEEPEST_DEG = 30.0  # the tilt rests on the sides alone here, and one side taken wrongly makes it this steep
_UNEVEN_MM = 0.2  # a hand-drawn mark, a seam: what two points on an edge say of its mean, however well placed
_LEFT_MM = 0.08  # what refining leaves of an edge's uncertainty at least
_LEFT_SHARE = 0.4  # of the hand's own: that the edge which stands out is another than the one meant
_ASKEW_MM = 1.0


def read_by_hand(strip: Strip, pose: Pose, fitting: Fitting, hand: Hand, camera: Camera) -> Gap | Refusal:
    """The gap between the placed edges, refined where the strip shows them.

    Refuses with `lines-misplaced` where they do not lie on the pipe, and with `too-oblique`.
    """
    if abs(pose.tilt_deg) > _STEEPEST_DEG:
        tilted = f"tilted by {abs(pose.tilt_deg):.0f} degrees"
        return Refusal("trace", "too-oblique", f"{tilted}, more than placed lines bear")
    u_mm = math.hypot(hand.u_px / pose.px_per_mm / math.cos(math.radians(pose.tilt_deg)), _UNEVEN_MM)
    at_mouth, at_mark = (_on_pipe(points, pose, camera) for points in (hand.mouth, hand.mark))
    if at_mouth is None or at_mark is None:
        return Refusal("trace", "lines-misplaced", "mouth or mark lies beside the pipe")
    rows = _rows(strip, at_mark.angles_rad)
    lip, ink = _courses(strip, at_mouth, at_mark, rows, u_mm)
    return _gap(strip, pose, fitting, camera, rows, lip, ink)


@dataclass(frozen=True)
class _Course:
    """An edge on the strip: (rows,) axial millimetres from the pose's mouth, or at the hand's own points.

    hand_mm: what is left of the hand's uncertainty in its mean.  scatter_mm: of single rows; 0 where the
    picture shows none.
    """

    angles_rad: Floats
    at_mm: Floats
    hand_mm: float
    scatter_mm: float = 0.0


def _on_pipe(points: Floats, pose: Pose, camera: Camera) -> _Course | None:
    """Placed points on the pipe's own cylinder; None where none of them lies on it."""
    along, angle = geometry.meet_cylinder_px(points, pose.pipe, pose.pipe.radius_mm, camera)
    good = np.isfinite(along)
    return _Course(angle[good], along[good] - pose.mouth_mm, 0.0) if good.any() else None


def _rows(strip: Strip, angles: Floats) -> Floats:
    """Which rows of the strip are read: those of the placed mark, at least a sector of it; (n,) bool."""
    middle = float(np.clip((angles.min() + angles.max()) / 2, -_WIDEST_RAD, _WIDEST_RAD))
    half = max(float(np.ptp(angles)) / 2, _LEAST_ARC_RAD / 2)
    low, high = max(middle - half, -_WIDEST_RAD), min(middle + half, _WIDEST_RAD)
    return np.asarray((strip.angles_rad >= low) & (strip.angles_rad <= high))


def _bare_pipe(strip: Strip, rows: Floats, mark_mm: float) -> Floats | None:
    """Colour of the pipe beyond the mark, (rows, 3); None where too little of it is in the picture."""
    along = strip.along_mm
    columns = (along > mark_mm + _BARE_MM[0]) & (along < mark_mm + _BARE_MM[1])
    seen = strip.seen[rows][:, columns]
    if columns.sum() * strip.step_mm < _LEAST_BARE_MM or seen.mean() < 0.5:
        return None
    return np.asarray(np.median(strip.pixels[rows][:, columns].astype(np.float64), axis=1))


def _refined(strip: Strip, edge: _Course, rows: Floats, u_mm: float, bare: Floats | None) -> _Course:
    """The edge in these rows: moved onto the strip's own where it shows one near, else as it was placed.

    bare: the pipe's colour, for an edge past which the colour has to leave it: a mark's far edge will not do.
    """
    angles = strip.angles_rad[rows]
    guess = _through(edge, angles)
    half_mm = float(np.clip(_SIGMAS * u_mm, *_EDGE_MM))
    u_mean_mm = u_mm / math.sqrt(len(edge.at_mm))
    found = _edge_near(strip, rows, guess, half_mm, u_mean_mm, bare)
    if found is None:
        return _Course(angles, guess, u_mean_mm)
    beside, left_mm, scatter = found
    return _Course(angles, guess + beside, math.hypot(_LEFT_MM, left_mm, _LEFT_SHARE * u_mean_mm), scatter)


def _courses(strip: Strip, lip: _Course, ink: _Course, rows: Floats, u_mm: float) -> tuple[_Course, _Course]:
    """Both edges refined; a mark placed at the mouth stays beside it, for there are several edges in one place."""
    bare = _bare_pipe(strip, rows, float(ink.at_mm.mean()))
    refined = _refined(strip, lip, rows, u_mm, None)
    apart = _through(ink, refined.angles_rad) - _through(lip, refined.angles_rad)
    if float(apart.mean()) > max(mouth.TOUCH_MM, u_mm):
        return refined, _refined(strip, ink, rows, u_mm, bare)
    at_mouth = replace(refined, at_mm=refined.at_mm + apart, hand_mm=u_mm / math.sqrt(len(ink.at_mm)))
    return refined, at_mouth


def _through(edge: _Course, angles: Floats) -> Floats:
    """The plane's cut through placed points, at other angles; its slant only where the points lie apart."""
    sin = np.sin(edge.angles_rad)
    if np.ptp(edge.angles_rad) < _APART_RAD:
        return np.full(len(angles), edge.at_mm.mean())
    slope, level = np.polyfit(sin, edge.at_mm, 1)
    return np.asarray(level + slope * np.sin(angles))


def _edge_near(strip: Strip, rows: Floats, guess: Floats, half_mm: float, u_mm: float,
               bare: Floats | None) -> tuple[Floats, float, float] | None:
    """Offsets (rows,) from the guess to the edge that most rows agree on, the uncertainty of its mean, and the
    scatter of its rows; None where the strip shows none.

    The same vote that finds the sides of pipe and collar, in cells of the strip.
    """
    half = half_mm / strip.step_mm
    offsets: Floats = np.arange(-half, half + sides.STEP_PX / 2, sides.STEP_PX, dtype=np.float64)
    index = np.nonzero(rows)[0]
    columns = (guess - strip.first_mm) / strip.step_mm
    margin = sides.MARGIN
    wide = offsets[0] + sides.STEP_PX * np.arange(-margin, len(offsets) + margin)
    x = (columns[:, None] + wide).astype(np.float32)
    y = np.broadcast_to(index[:, None].astype(np.float32), x.shape)
    smooth = cv2.GaussianBlur(strip.pixels, (1, 7), 0)
    picture = cv2.remap(smooth, x, np.ascontiguousarray(y), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    colours = np.asarray(picture, np.float64)
    if bare is None:
        strength = np.sqrt((sides.derivative(colours) ** 2).sum(-1))[:, margin:-margin]
    else:
        unlike = np.sqrt(((colours - bare[:, None]) ** 2).sum(-1, keepdims=True))
        strength = np.maximum(sides.derivative(unlike)[..., 0], 0.0)[:, margin:-margin]
    along: Floats = index.astype(np.float64) - float(index.mean())
    line = sides.vote(along, offsets, strength, 0.5)
    found, beside = sides.peaks(along, offsets, strength, line)
    if found.sum() < max(6, _FOUND_SHARE * len(index)):
        return None
    slant, level = sides.cauchy_line(along[found], beside[found], 0.5)
    rest = beside[found] - slant * along[found] - level
    scatter = 1.483 * float(np.median(np.abs(rest))) * strip.step_mm
    place, left = _weighed(along, offsets, strength, slant, u_mm / strip.step_mm)
    return (slant * along + place) * strip.step_mm, left * strip.step_mm, max(scatter, 0.02)


def _weighed(along: Floats, offsets: Floats, strength: Floats, slant: float, u: float) -> tuple[float, float]:
    """Place of the edge that is meant, and its standard uncertainty, where several lie near: in cells.

    Each edge counts by its strength and by how likely the hand is to have meant it from where it was placed.
    """
    total = np.mean([np.interp(offsets + slant * at, offsets, row) for at, row in zip(along, strength, strict=True)],
                    axis=0)
    inner = np.nonzero((total[1:-1] >= total[:-2]) & (total[1:-1] >= total[2:]))[0] + 1
    if not len(inner):
        return 0.0, u
    share = (total[inner] / total[inner].max()) * np.exp(-0.5 * (offsets[inner] / u) ** 2)
    share = share / share.sum()
    place = float(share @ offsets[inner])
    return place, float(np.sqrt(share @ (offsets[inner] - place) ** 2))


def _gap(strip: Strip, pose: Pose, fitting: Fitting, camera: Camera, rows: Floats, lip: _Course,
         ink: _Course) -> Gap:
    """The gap of two edges in the same rows; a mark at the lip's contour may end anywhere behind it."""
    seam = mouth.mouth_of_border(strip, _whole(strip, rows, lip.at_mm), pose, fitting.collar_od_mm / 2)[rows]
    hidden = float(np.mean((lip.at_mm - seam)[geometry.in_front(lip.angles_rad)]))
    touching = bool(np.median(ink.at_mm - lip.at_mm) < mouth.TOUCH_MM)
    value = hidden / 2 if touching else float(np.mean(np.maximum(ink.at_mm - seam, 0.0)))
    slant = np.polyfit(np.sin(ink.angles_rad), ink.at_mm - seam, 1)[0]
    askew = float(abs(slant) * np.ptp(np.sin(ink.angles_rad)))
    said = askew > _ASKEW_MM and not touching
    doubts = (Doubt("mark-askew", f"{askew:.1f} mm between the placed ends"),) if said else ()
    return Gap(
        value, 0.0 if touching else value, hidden if touching else value,
        mouth=_edge(pose, camera, lip, seam), near=_edge(pose, camera, ink, ink.at_mm),
        line_width_mm=None, hidden_mm=hidden, askew_mm=askew, arc_deg=math.degrees(float(np.ptp(ink.angles_rad))),
        ink_score=0.0, touches=touching, doubts=doubts, hand_mm=math.hypot(lip.hand_mm, ink.hand_mm),
    )


def _whole(strip: Strip, rows: Floats, at_mm: Floats) -> Floats:
    """The edge in every row of the strip, level beyond its ends."""
    return np.asarray(np.interp(strip.angles_rad, strip.angles_rad[rows], at_mm))


def _edge(pose: Pose, camera: Camera, course: _Course, at_mm: Floats) -> Edge:
    """The course in the photo, also where it leaves the strip, which is only so long."""
    pipe = pose.pipe
    points = geometry.surface(pipe.point_mm, pipe.direction, pipe.radius_mm, pose.mouth_mm + course.at_mm,
                              course.angles_rad)
    return Edge(course.angles_rad, at_mm, geometry.project(points, camera), course.scatter_mm, 0.0)
