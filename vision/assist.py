"""Lines that a person placed -> Limbs, and later the Gap: the way round `locate`, `refine` and `read`.

Where the finder can't settle a photo, a person may still see the line.  The hand says where the collar's sides,
its mouth and the mark's near edge are; the picture refines each where it shows an edge there; and what it does
not show stays as it was placed, with the hand's own uncertainty.  No network is asked: what is ink and what is
collar, the person has decided, and the answer says so.  Pose, its checks, uncertainty and verdict are the same
as for every photo.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.camera import Camera
from calibration.fittings import Fitting
from vision import geometry, mouth, sides
from vision.records import (
    Axis,
    Doubt,
    Edge,
    Floats,
    Gap,
    Hand,
    Limb,
    Limbs,
    Photo,
    Placed,
    Pose,
    Refusal,
    Sighting,
    Strip,
)

_STATIONS = 96
_SIGMAS = 3.0  # of the hand: as far as an edge may lie from where it was placed
_LEAST_PX = 4.0
_SIDE_SWING = 0.6
_COLLAR_UNEVEN_PX, _PIPE_UNEVEN_PX = 0.7, 0.7  # more than in `refine`: no mask says that a side is the pipe's own
_SEAT_RAD = math.radians(0.65)  # pipe against collar, as in `pose`
_HELD_RAD = math.radians(15)  # how square phones are held to a pipe, as in `square`
_OFF_CENTRE_MM = 0.4 / math.sqrt(3)  # pipe in the collar's bore, as in `uncertainty`
_PIPE_WINDOW = 0.05  # of the pipe's width: how far its side may lie from where the collar alone puts it
_LEAST_LINE_PX = 8.0
_MOST_OPENING_RAD = math.radians(25)  # between two sides of one cylinder before a phone
_FARTHEST_MOUTH = 2.0  # collar widths from the collar's placed sides
_LEAST_ARC_RAD = math.radians(24)  # of the mark read in the picture around where it was placed
_WIDEST_RAD = math.radians(55)
_APART_RAD = math.radians(8)  # points nearer round the pipe say nothing of a slant
_FOUND_SHARE = 0.5  # of the rows must show an edge near the placed one
_EDGE_MM = (0.3, 1.0)  # least and most that an edge is looked for on either side of where it was placed
_TOUCH_MM = 0.35  # as in `read`
_BARE_MM, _LEAST_BARE_MM = (4.0, 20.0), 5.0  # beyond a mark's near edge: where pipe is looked at for its colour
_APART_SIGMAS = 3.0  # of the hand: mark and mouth further apart than this tell which way the pipe runs
_STEEP_SHIFT = 0.15  # collar widths by which the mouth may seem to lie behind the middle of the placed sides
_STEEPEST_DEG = 30.0  # the tilt rests on the sides alone here, and one side taken wrongly makes it this steep
_UNEVEN_MM = 0.2  # a hand-drawn mark, a seam: what two points on an edge say of its mean, however well placed
_LEFT_MM = 0.08  # what refining leaves of an edge's uncertainty at least
_LEFT_SHARE = 0.4  # of the hand's own: that the edge which stands out is another than the one meant
_ASKEW_MM = 1.0


# --- sides -----------------------------------------------------------------------------------------------


def sides_by_hand(photo: Photo, hand: Hand, fitting: Fitting) -> Limbs | Refusal:
    """Silhouettes of collar and pipe from the placed lines, refined where the picture shows them.

    Pipe sides that were not placed are looked for where the collar's own axis puts the pipe, and taken from
    there where they aren't found.  Refuses with `lines-misplaced`.
    """
    trouble = _trouble(hand, photo.size_px)
    if trouble:
        return Refusal("assist", "lines-misplaced", trouble)
    middle = np.mean([*hand.collar], axis=(0, 1))
    collar = tuple(_side(photo, line, middle, hand.u_px, _COLLAR_UNEVEN_PX) for line in hand.collar)
    assert len(collar) == 2
    if hand.pipe is not None:
        pipe = tuple(_side(photo, line, middle, hand.u_px, _PIPE_UNEVEN_PX) for line in hand.pipe)
        assert len(pipe) == 2
        return Limbs(pipe, collar)
    axis = _collar_axis(collar, photo.camera, fitting, axis_of(hand))
    if axis is None:
        return Refusal("assist", "lines-misplaced", "the collar's sides belong to no cylinder before the camera")
    squarer = _squarer(axis, hand.mouth.mean(0), fitting, photo.camera)
    return Limbs(_pipe_sides(photo, hand, collar, squarer, fitting), collar)


def start_from(sighting: Sighting) -> Hand:
    """Rough lines where the finder saw a joint, for a person to move."""
    axis, at = sighting.axis_px, sighting.mouth_px
    across = np.array([-axis[1], axis[0]])
    behind = min(0.9 * sighting.collar_reach_px, 0.6 * sighting.collar_width_px)
    run = np.array([[-behind], [-0.15 * behind]]) * axis
    first, second = (at + run + side * sighting.collar_width_px / 2 * across for side in (-1, 1))
    mouth = at + np.array([[-0.25], [0.25]]) * sighting.pipe_width_px * across
    return Hand((first, second), mouth, mouth + 0.12 * sighting.pipe_width_px * axis)


def axis_of(hand: Hand) -> Floats:
    """Unit vector in the photo along the joint, towards the pipe.

    The mark lies on the pipe's side of the mouth.  Where the two are one, the mouth lies beyond the collar's
    placed sides; but seen steeply from the pipe's side its near edge may seem to lie among them.
    """
    first, second = (line[1] - line[0] for line in hand.collar)
    along = geometry.unit(first if first @ second > 0 else -first) + geometry.unit(second)
    out = hand.mark.mean(0) - hand.mouth.mean(0)
    if abs(float(out @ geometry.unit(along))) < _APART_SIGMAS * hand.u_px:
        out = hand.mouth.mean(0) - np.mean([*hand.collar], axis=(0, 1))
    return geometry.unit(along if along @ out >= 0 else -along)


def _trouble(hand: Hand, size_px: tuple[int, int]) -> str:
    """What is absurd about the lines, or ""."""
    named = {"the collar's first side": hand.collar[0], "the collar's second side": hand.collar[1],
             "the mouth": hand.mouth, "the mark": hand.mark}
    if hand.pipe is not None:
        named |= {"the pipe's first side": hand.pipe[0], "the pipe's second side": hand.pipe[1]}
    for name, points in named.items():
        if (points < -0.5).any() or (points > np.array(size_px) - 0.5).any():
            return f"{name} lies outside the picture"
        if np.ptp(points, axis=0).max() < _LEAST_LINE_PX:
            return f"the points of {name} lie on one another"
    return _crossed(hand)


def _crossed(hand: Hand) -> str:
    first, second = (geometry.unit(line[1] - line[0]) for line in hand.collar)
    if abs(float(first[0] * second[1] - first[1] * second[0])) > math.sin(_MOST_OPENING_RAD):
        return "the collar's sides point far apart"
    axis = axis_of(hand)
    across = np.array([-axis[1], axis[0]])
    ends = [np.sort(line @ across) for line in hand.collar]
    low, high = sorted(ends, key=lambda end: float(end.mean()))
    width = float(high.mean() - low.mean())
    if low[1] >= high[0]:
        return "the collar's sides cross or lie on one another"
    along = np.concatenate([line @ axis for line in hand.collar])
    place = float(hand.mouth.mean(0) @ axis)
    if place < along.mean() - _STEEP_SHIFT * width or place > along.max() + _FARTHEST_MOUTH * width:
        return "the mouth does not lie at the collar's end"
    for name, points in (("mouth", hand.mouth), ("mark", hand.mark)):
        at = points @ across
        if at.min() < low.mean() - 0.1 * width or at.max() > high.mean() + 0.1 * width:
            return f"the {name} does not lie between the collar's sides"
    return "" if hand.pipe is None else _wider(hand.pipe, across, width)


def _wider(pipe: tuple[Floats, Floats], across: Floats, collar_px: float) -> str:
    width = abs(float((pipe[0] - pipe[1]).mean(0) @ across))
    return "the pipe is as wide as its collar, or wider" if width >= collar_px else ""


def _side(photo: Photo, line: Floats, middle: Floats, u_px: float, uneven_px: float) -> Limb:
    """A placed side, refined where the picture shows an edge along it."""
    run = line[1] - line[0]
    length = float(np.linalg.norm(run))
    axis = run / length
    normal = np.array([-axis[1], axis[0]])
    outward = normal if normal @ (line.mean(0) - middle) > 0 else -normal
    course = sides.Course(line[0], axis, outward, np.linspace(0, length, _STATIONS), np.zeros(_STATIONS),
                          max(_LEAST_PX, _SIGMAS * u_px), _SIDE_SWING, uneven_px)
    found = sides.find_limb(photo, course)
    return found if found is not None else _as_placed(geometry.undistort(line, photo.camera), outward, u_px)


def _as_placed(points: Floats, outward: Floats, u_px: float) -> Limb:
    """The line through two placed points, as uncertain as the hand."""
    run = points[1] - points[0]
    length = float(np.linalg.norm(run))
    normal = np.array([-run[1], run[0]]) / length
    normal = normal if normal @ outward > 0 else -normal
    covariance = np.diag([2 * u_px**2 / length**2, u_px**2 / 2])
    return Limb(np.array([*normal, -normal @ points[0]]), points.mean(0), covariance, u_px, length, points)


def _collar_axis(collar: tuple[Limb, Limb], camera: Camera, fitting: Fitting, axis_px: Floats) -> Axis | None:
    """The collar's cylinder, from its silhouettes and diameter."""
    normals = geometry.plane_of_line(np.stack([limb.line for limb in collar]), geometry.camera_matrix(camera))
    if not -1 + 1e-9 < float(normals[0] @ normals[1]) < 0:
        return None
    radius = fitting.collar_od_mm / 2
    point, direction = geometry.axis_of_planes(normals[0], normals[1], radius)
    if point[2] <= 0:
        return None
    direction = geometry.towards(direction, point, axis_px)
    slope = geometry.axis_slope(collar, geometry.camera_matrix(camera), radius, direction)
    inner = np.zeros((4, 4))
    inner[:2, :2], inner[2:, 2:] = (geometry.limb_covariance(limb) for limb in collar)
    return Axis(point, direction, radius, np.asarray(slope @ inner @ slope.T))


def _squarer(axis: Axis, mouth_px: Floats, fitting: Fitting, camera: Camera) -> Axis:
    """The collar's axis with a tilt that its short sides hardly tell drawn towards square, as phones are held."""
    along, _ = geometry.meet_cylinder_px(mouth_px, axis, fitting.pipe_od_mm / 2, camera)
    if not np.isfinite(along):
        return axis
    variance = float(axis.covariance[0, 0])
    lean = math.atan2(-float(along), float(np.linalg.norm(axis.point_mm)))
    point, u, _ = geometry.frame(axis.point_mm, axis.direction)
    middle = point + float(along) * axis.direction
    direction = geometry.unit(axis.direction + math.tan(lean * variance / (variance + _HELD_RAD**2)) * u)
    return replace(axis, point_mm=middle - float(middle @ direction) * direction, direction=direction)


def _pipe_sides(photo: Photo, hand: Hand, collar: tuple[Limb, Limb], axis: Axis,
                fitting: Fitting) -> tuple[Limb, Limb]:
    """The pipe's sides from the mouth outwards, near where the collar's axis puts them."""
    lines = geometry.limb_lines(axis.point_mm, axis.direction, fitting.pipe_od_mm / 2,
                                geometry.camera_matrix(photo.camera))
    if collar[0].line[:2] @ lines[0][:2] < 0:
        lines = lines[::-1]
    px_per_mm = photo.camera.focal_px / float(np.linalg.norm(axis.point_mm))
    first, second = (_pipe_side(photo, hand, line, limb, px_per_mm, fitting)
                     for line, limb in zip(lines, collar, strict=True))
    return first, second


def _pipe_side(photo: Photo, hand: Hand, line: Floats, collar: Limb, px_per_mm: float, fitting: Fitting) -> Limb:
    """One side of the pipe as the picture shows it; as the collar predicts it where it shows none."""
    outward, axis_px = line[:2], axis_of(hand)
    along = np.array([-outward[1], outward[0]])
    along = along if along @ axis_px > 0 else -along
    width = fitting.pipe_od_mm * px_per_mm
    start = geometry.undistort(hand.mouth.mean(0), photo.camera)
    foot = start - outward * (outward @ start + line[2])
    steps = np.linspace(0.06 * width, 1.1 * width, _STATIONS)
    ideal = foot + steps[:, None] * along
    stored = geometry.distort(ideal, photo.camera)
    inside = ((stored > 3) & (stored < np.array(photo.size_px) - 4)).all(-1)
    if inside.sum() > _STATIONS / 4:
        shown = stored[inside]
        course = sides.Course(shown[0], along, outward, (shown - shown[0]) @ along, (shown - shown[0]) @ outward,
                              max(6.0, _PIPE_WINDOW * width), _SIDE_SWING, _PIPE_UNEVEN_PX)
        found = sides.find_limb(photo, course)
        if found is not None:
            return found
    doubt = np.diag([_SEAT_RAD**2, (_OFF_CENTRE_MM * px_per_mm) ** 2])
    return Limb(line, ideal.mean(0), collar.covariance + doubt, collar.sigma_px, float(np.ptp(steps)), ideal[:1])


# --- mouth and mark ----------------------------------------------------------------------------------------


def read_by_hand(strip: Strip, pose: Pose, fitting: Fitting, hand: Hand, camera: Camera) -> Gap | Refusal:
    """The gap between the placed edges, refined where the strip shows them.

    Refuses with `lines-misplaced` where they do not lie on the pipe, and with `too-oblique`.
    """
    if abs(pose.tilt_deg) > _STEEPEST_DEG:
        tilted = f"tilted by {abs(pose.tilt_deg):.0f} degrees"
        return Refusal("assist", "too-oblique", f"{tilted}, more than placed lines bear")
    u_mm = math.hypot(hand.u_px / pose.px_per_mm / math.cos(math.radians(pose.tilt_deg)), _UNEVEN_MM)
    at_mouth, at_mark = (_on_pipe(points, pose, camera) for points in (hand.mouth, hand.mark))
    if at_mouth is None or at_mark is None:
        return Refusal("assist", "lines-misplaced", "mouth or mark lies beside the pipe")
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
    along = strip.first_mm + strip.step_mm * np.arange(strip.seen.shape[1])
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
    if float(apart.mean()) > max(_TOUCH_MM, u_mm):
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
    hidden = float(np.mean(lip.at_mm - seam))
    touching = bool(np.median(ink.at_mm - lip.at_mm) < _TOUCH_MM)
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


# --- who placed what -----------------------------------------------------------------------------------------


def told(hand: Hand, limbs: Limbs, gap: Gap | None, camera: Camera) -> tuple[Placed, ...]:
    """What became of every line: kept as the hand placed it, refined in the picture, or made up."""
    collar = limbs.collar or ()
    lines = [_told_side(f"collar side {number}", line, limb, camera)
             for number, (line, limb) in enumerate(zip(hand.collar, collar, strict=True), 1)]
    lines += [_told_side(f"pipe side {number}", None if hand.pipe is None else hand.pipe[number - 1], limb, camera)
              for number, limb in enumerate(limbs.pipe, 1)]
    if gap is not None:
        lines += [_told_edge(name, points, edge)
                  for name, points, edge in (("mouth", hand.mouth, gap.mouth), ("mark", hand.mark, gap.near))]
    return tuple(lines)


def _told_side(name: str, line: Floats | None, limb: Limb, camera: Camera) -> Placed:
    by_picture = len(limb.points_px) > 2
    if line is None:
        return Placed(name, "picture" if by_picture else "geometry", None)
    beside = geometry.undistort(line, camera) @ limb.line[:2] + limb.line[2]
    return Placed(name, "picture" if by_picture else "hand", float(np.sqrt(np.mean(beside**2))))


def _told_edge(name: str, points: Floats, edge: Edge) -> Placed:
    apart = np.linalg.norm(points[:, None] - edge.points_px[None], axis=-1).min(1)
    return Placed(name, "picture" if edge.sigma_mm else "hand", float(np.sqrt(np.mean(apart**2))))
