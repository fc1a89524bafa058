"""Lines that a person placed -> Limbs: the way round `locate` and `refine`; `trace` then reads mouth and mark.

Where the finder can't settle a photo, a person may still see the line.  The hand says where the collar's sides,
its mouth and the mark's near edge are; the picture refines each where it shows an edge there; and what it does
not show stays as it was placed, with the hand's own uncertainty.  No network is asked: what is ink and what is
collar, the person has decided, and the answer says so.  Pose, its checks, uncertainty and verdict are the same
as for every photo.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from calibration.camera import Camera
from calibration.fittings import Fitting
from vision import geometry, sides
from vision.records import (
    Axis,
    Edge,
    Floats,
    Gap,
    Hand,
    Limb,
    Limbs,
    Photo,
    Placed,
    Refusal,
    Sighting,
)
from vision.usual import HELD_U_RAD, OFF_CENTRE_MM, SEAT_U_RAD

_STATIONS = 96
_SIGMAS = 3.0  # of the hand: as far as an edge may lie from where it was placed
_LEAST_PX = 4.0
_SIDE_SWING = 0.6
_COLLAR_UNEVEN_PX, _PIPE_UNEVEN_PX = 0.7, 0.7  # more than in `refine`: no mask says that a side is the pipe's own
_PIPE_WINDOW = 0.05  # of the pipe's width: how far its side may lie from where the collar alone puts it
_LEAST_LINE_PX = 8.0
_MOST_OPENING_RAD = math.radians(25)  # between two sides of one cylinder before a phone
_FARTHEST_MOUTH = 2.0  # collar widths from the collar's placed sides
_APART_SIGMAS = 3.0  # of the hand: mark and mouth further apart than this tell which way the pipe runs
_STEEP_SHIFT = 0.15  # collar widths by which the mouth may seem to lie behind the middle of the placed sides


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
    axis = geometry.axis_of_limbs(collar, geometry.camera_matrix(photo.camera), fitting.collar_od_mm / 2, axis_of(hand))
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


def _squarer(axis: Axis, mouth_px: Floats, fitting: Fitting, camera: Camera) -> Axis:
    """The collar's axis with a tilt that its short sides hardly tell drawn towards square, as phones are held."""
    along, _ = geometry.meet_cylinder_px(mouth_px, axis, fitting.pipe_od_mm / 2, camera)
    if not np.isfinite(along):
        return axis
    variance = float(axis.covariance[0, 0])
    lean = math.atan2(-float(along), float(np.linalg.norm(axis.point_mm)))
    point, u, _ = geometry.frame(axis.point_mm, axis.direction)
    middle = point + float(along) * axis.direction
    direction = geometry.unit(axis.direction + math.tan(lean * variance / (variance + HELD_U_RAD**2)) * u)
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
    doubt = np.diag([SEAT_U_RAD**2, (OFF_CENTRE_MM / math.sqrt(3) * px_per_mm) ** 2])
    return Limb(line, ideal.mean(0), collar.covariance + doubt, collar.sigma_px, float(np.ptp(steps)), ideal[:1])


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
