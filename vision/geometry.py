"""Rays, planes, lines and cylinders: pure maths on arrays, with derivatives where an uncertainty needs them.

Everything broadcasts over leading dimensions, so that a Monte Carlo runs the very code that measured.  A
vector's own dimension is always the last.  Lengths are millimetres in the camera frame, angles radians.

The cylinder frame that all functions share: the origin of an axis is the axis point nearest the lens, so the
lens itself stands at axial coordinate 0, `distance` away.  Angles round the axis are 0 where the surface
faces the lens and grow towards `u x a` (a: direction, u: from the lens to the axis): downwards in a picture
in which the pipe runs to the right.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from vision.records import Axis, Floats, Limb

Coefficients = tuple[Floats | float, Floats | float, Floats | float, Floats | float, Floats | float]

LIMB_FLOOR_PX = 0.15  # what a sharpened or blurred silhouette may lie off as a whole, beyond its scatter

_UNDISTORT_STEPS = 60  # the fixed point gains a digit in two to three steps with the strongest phone lenses
_UNDISTORT_END = 1e-13


# --- the lens ------------------------------------------------------------------------------------------

def camera_matrix(camera: Camera) -> Floats:
    """The (3, 3) matrix K that takes a point of the camera frame to homogeneous undistorted pixels."""
    x, y = camera.centre_px
    return np.array([[camera.focal_px, 0.0, x], [0.0, camera.focal_px, y], [0.0, 0.0, 1.0]])


def distort_plane(at: Floats, coefficients: Coefficients) -> Floats:
    """Distort points (..., 2) of the plane z = 1: OpenCV's model with (k1, k2, p1, p2, k3).

    Each coefficient is a number or an array that broadcasts with at[..., 0].  Source: OpenCV calib3d,
    "Detailed Description", the polynomial model.
    """
    k1, k2, p1, p2, k3 = coefficients
    x, y = at[..., 0], at[..., 1]
    square = x * x + y * y
    radial = 1 + square * (k1 + square * (k2 + square * k3))
    if not (np.any(p1) or np.any(p2)):
        return np.stack([x * radial, y * radial], -1)
    return np.stack([x * radial + 2 * p1 * x * y + p2 * (square + 2 * x * x),
                     y * radial + p1 * (square + 2 * y * y) + 2 * p2 * x * y], -1)


def undistort_plane(at: Floats, coefficients: Coefficients, start: Floats | None = None,
                    steps: int = _UNDISTORT_STEPS) -> Floats:
    """Inverse of `distort_plane` by fixed point from `start` (by default the points themselves)."""
    ideal = at if start is None else start
    for _ in range(steps):
        change = at - distort_plane(ideal, coefficients)
        ideal = ideal + change
        if np.abs(change).max(initial=0.0) < _UNDISTORT_END:
            break
    return np.asarray(ideal)


def distort(points_px: Floats, camera: Camera) -> Floats:
    """From undistorted pixels (..., 2) to pixels of the stored photo."""
    if not any(camera.distortion):
        return np.asarray(points_px, float)
    plane = (np.asarray(points_px, float) - np.array(camera.centre_px)) / camera.focal_px
    return _pixels(distort_plane(plane, camera.distortion), camera)


def undistort(points_px: Floats, camera: Camera) -> Floats:
    """From pixels (..., 2) of the stored photo to undistorted pixels, where straight lines are straight."""
    if not any(camera.distortion):
        return np.asarray(points_px, float)
    centre = np.array(camera.centre_px)
    plane = (np.asarray(points_px, float) - centre) / camera.focal_px
    return np.asarray(undistort_plane(plane, camera.distortion) * camera.focal_px + centre)


def rays(points_px: Floats, camera: Camera) -> Floats:
    """Unit vectors (..., 3) from the lens through pixels (..., 2) of the stored photo."""
    ideal = (undistort(points_px, camera) - np.array(camera.centre_px)) / camera.focal_px
    return unit(np.concatenate([ideal, np.ones((*ideal.shape[:-1], 1))], -1))


def project(points_mm: Floats, camera: Camera) -> Floats:
    """Pixels (..., 2) of the stored photo of points (..., 3) in front of the lens."""
    x, y, z = np.moveaxis(points_mm, -1, 0)  # apart: arithmetic on pairs takes several times as long
    plane = np.stack([x / z, y / z], -1)
    return _pixels(distort_plane(plane, camera.distortion) if any(camera.distortion) else plane, camera)


def _pixels(plane: Floats, camera: Camera) -> Floats:
    """Points (..., 2) of the plane z = 1 as pixels."""
    return np.stack([plane[..., i] * camera.focal_px + centre for i, centre in enumerate(camera.centre_px)], -1)


# --- limbs and axes ------------------------------------------------------------------------------------

def unit(vectors: Floats) -> Floats:
    """Vectors (..., n) scaled to length 1."""
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True))


def plane_of_line(line: Floats, matrix: Floats) -> Floats:
    """Unit normal (..., 3) of the plane through the lens and an undistorted picture line (..., 3): K^T l.

    It points to the side where a x + b y + c > 0.  Source: Hartley and Zisserman, "Multiple View
    Geometry", the back-projection of a line.
    """
    return unit(np.einsum("...ji,...j->...i", matrix, line))


def plane_of_line_slope(line: Floats, matrix: Floats) -> Floats:
    """Derivative (..., 3, 3) of `plane_of_line` by the line's three coefficients."""
    raw = np.einsum("...ji,...j->...i", matrix, line)
    length = np.linalg.norm(raw, axis=-1)[..., None, None]
    normal = raw[..., None] / length
    project_out = np.eye(3) - normal * np.swapaxes(normal, -1, -2)
    return np.asarray(project_out / length @ np.swapaxes(matrix, -1, -2))


def moved_line_slope(line: Floats, centre_px: Floats) -> Floats:
    """Derivative (..., 3, 2) of a line that is turned about `centre_px` and then shifted along its normal, by angle
    (x towards y) and offset, at rest."""
    a, b = line[..., 0], line[..., 1]
    zero = np.zeros_like(a)
    by_angle = np.stack([-b, a, b * centre_px[..., 0] - a * centre_px[..., 1]], -1)
    return np.stack([by_angle, np.stack([zero, zero, zero - 1], -1)], -1)


def axis_of_planes(first: Floats, second: Floats, radius: Floats | float) -> tuple[Floats, Floats]:
    """The cylinder of given radius that touches two planes through the lens.

    first, second: outward unit normals (..., 3).  Returns the axis point nearest the lens (..., 3) and the
    axis direction (..., 3), which points along first x second.  Source: with sin(alpha) = r / distance the
    normals are -sin(alpha) u +- cos(alpha) v (Doignon and de Mathelin, ICRA 2007), solved for u.
    """
    together = 1 + (first * second).sum(-1, keepdims=True)
    point = -np.asarray(radius)[..., None] * (first + second) / together
    return point, unit(np.cross(first, second))


def axis_of_planes_slope(first: Floats, second: Floats, radius: float) -> Floats:
    """Derivative (..., 6, 6) of (point, direction) by (first, second), of the normals' own coordinates."""
    together = (1 + (first * second).sum(-1))[..., None, None]
    both = (first + second)[..., None]
    eye = np.broadcast_to(np.eye(3), (*first.shape, 3))
    point = [-radius * (eye / together - both * other[..., None, :] / together**2)
             for other in (second, first)]
    cross = np.cross(first, second)
    length = np.linalg.norm(cross, axis=-1)[..., None, None]
    along = cross[..., None] / length
    project_out = (np.eye(3) - along * np.swapaxes(along, -1, -2)) / length
    turn = [project_out @ -_cross_matrix(second), project_out @ _cross_matrix(first)]
    return np.concatenate([np.concatenate(point, -1), np.concatenate(turn, -1)], -2)


def _cross_matrix(vector: Floats) -> Floats:
    x, y, z = np.moveaxis(vector, -1, 0)
    zero = np.zeros_like(x)
    rows = ((zero, -z, y), (z, zero, -x), (-y, x, zero))
    return np.stack([np.stack(row, -1) for row in rows], -2)


def limb_covariance(limb: Limb) -> Floats:
    """(2, 2) of (angle_rad, offset_px): of the line's fit, and how far the whole edge may lie off."""
    return np.asarray(limb.covariance + np.diag([0.0, LIMB_FLOOR_PX**2]))


def axis_slope(limbs: tuple[Limb, Limb], matrix: Floats, radius: float, direction: Floats) -> Floats:
    """Derivative (4, 4) of (tilt, roll, depth, sideways) of an axis by (angle, offset) of both limbs.

    Tilt turns the direction away from the lens (towards u of `frame`), roll turns it towards v; depth and
    sideways move the axis point nearest the lens along u and v.
    """
    lines = np.stack([limb.line for limb in limbs])
    centres = np.stack([limb.centre_px for limb in limbs])
    normals = plane_of_line(lines, matrix)
    by_limb = plane_of_line_slope(lines, matrix) @ moved_line_slope(lines, centres)
    both = np.zeros((6, 4))
    both[:3, :2], both[3:, 2:] = by_limb[0], by_limb[1]
    slope = axis_of_planes_slope(normals[0], normals[1], radius) @ both
    point, found = axis_of_planes(normals[0], normals[1], radius)
    sign = 1.0 if float(found @ direction) > 0 else -1.0
    _, u, v = frame(point, sign * found)
    turn = sign * slope[3:]
    return np.stack([u @ turn, v @ turn, u @ slope[:3], v @ slope[:3]])


def axis_of_limbs(limbs: tuple[Limb, Limb], matrix: Floats, radius: float, axis_px: Floats) -> Axis | None:
    """The cylinder of this radius that two silhouettes bound; None where they bound none before the lens.

    axis_px: (2,) along the axis in the picture, which way the direction is to point.
    """
    normals = plane_of_line(np.stack([limb.line for limb in limbs]), matrix)
    if not _faces(normals):
        return None
    point, direction = axis_of_planes(normals[0], normals[1], radius)
    if point[2] <= 0:
        return None
    direction = towards(direction, point, axis_px)
    return Axis(point, direction, radius, _axis_covariance(limbs, matrix, radius, direction))


def _faces(normals: Floats) -> bool:
    """Whether two outward normals can bound a cylinder: nearly opposite, not parallel to each other."""
    together = float(normals[0] @ normals[1])
    return -1 + 1e-9 < together < 0


def _axis_covariance(limbs: tuple[Limb, Limb], matrix: Floats, radius: float, direction: Floats) -> Floats:
    """(4, 4) covariance of an axis: (tilt, roll, depth, sideways), rad and mm.

    Tilt turns the direction away from the lens, roll turns it in the picture; depth and sideways move the
    axis point nearest the lens along u and v of `frame`.
    """
    slope = axis_slope(limbs, matrix, radius, direction)
    inner = np.zeros((4, 4))
    inner[:2, :2], inner[2:, 2:] = (limb_covariance(limb) for limb in limbs)
    return np.asarray(slope @ inner @ slope.T)


def towards(direction: Floats, point: Floats, axis_px: Floats) -> Floats:
    """`direction` (..., 3), turned round where its picture at `point` would run against `axis_px` (2,)."""
    run = direction[..., :2] * point[..., 2:] - direction[..., 2:] * point[..., :2]
    return np.where((run @ np.asarray(axis_px) >= 0)[..., None], direction, -direction)


def limb_lines(point: Floats, direction: Floats, radius: Floats | float, matrix: Floats) -> Floats:
    """Silhouette lines (..., 2, 3) of a cylinder, outward, a² + b² = 1, in undistorted pixels.

    First the limb at negative angles round the axis, then the one at positive angles: with the pipe running
    to the right, the upper and then the lower.  `point` may be any point of the axis.
    """
    foot, u, v = frame(point, direction)
    sin = np.asarray(radius)[..., None] / np.linalg.norm(foot, axis=-1, keepdims=True)
    cos = np.sqrt(1 - sin**2)
    normals = np.stack([-sin * u - cos * v, -sin * u + cos * v], -2)
    lines = normals @ np.linalg.inv(matrix)
    return np.asarray(lines / np.linalg.norm(lines[..., :2], axis=-1, keepdims=True))


def frame(point: Floats, direction: Floats) -> tuple[Floats, Floats, Floats]:
    """The axis point nearest the lens, the unit vector u from lens to it, and v = u x direction."""
    foot = point - direction * (point * direction).sum(-1, keepdims=True)
    u = unit(foot)
    return foot, u, np.cross(u, direction)


# --- points on the cylinder ----------------------------------------------------------------------------

def meet(directions: Floats, point: Floats, direction: Floats,
         radius: Floats | float) -> tuple[Floats, Floats]:
    """Where rays from the lens first meet a cylinder: axial coordinate and angle, each (...).

    directions: unit vectors (..., 3).  Axial coordinates count from the axis point nearest the lens.  Rays
    that miss give nan.
    """
    foot, u, v = frame(point, direction)
    distance = np.linalg.norm(foot, axis=-1)
    along, deep, side = (np.vecdot(directions, basis) for basis in (direction, u, v))
    across = deep**2 + side**2
    room = np.asarray(radius) ** 2 * across - (distance * side) ** 2
    reach = (distance * deep - np.sqrt(np.where(room >= 0, room, np.nan))) / across
    return reach * along, np.arctan2(reach * side, distance - reach * deep)


def surface(point: Floats, direction: Floats, radius: Floats | float, along_mm: Floats,
            angle_rad: Floats) -> Floats:
    """Points (..., 3) of a cylinder at axial coordinates and angles (...), which broadcast."""
    foot, u, v = frame(point, direction)
    cos, sin = np.cos(angle_rad)[..., None], np.sin(angle_rad)[..., None]
    radial = np.asarray(radius)[..., None] * (sin * v - cos * u)
    return np.asarray(foot + np.asarray(along_mm)[..., None] * direction + radial)


def cylinder_px(axis: Axis, along_mm: Floats, angles_rad: Floats, camera: Camera) -> Floats:
    """Pixels (rows, columns, 2) of the stored photo of a grid on the surface: rows angles, columns along."""
    round_it = surface(axis.point_mm, axis.direction, axis.radius_mm, np.zeros(1), angles_rad)
    return project(grid(round_it, along_mm, axis.direction), camera)


def grid(points: Floats, along: Floats, direction: Floats) -> Floats:
    """Each of points (rows, n) moved by each length along a direction (n,): (rows, columns, n).

    In memory a coordinate lies after the other, as `project` takes them.
    """
    return np.moveaxis(points.T[..., None] + direction[:, None, None] * along, 0, -1)


def meet_cylinder_px(points_px: Floats, axis: Axis, radius_mm: float,
                     camera: Camera) -> tuple[Floats, Floats]:
    """Axial coordinate and angle (each (...)) at which pixels (..., 2) of the stored photo show a cylinder.

    The cylinder has the axis of `axis` and radius `radius_mm`; nan where a pixel lies beside it.
    """
    return meet(rays(points_px, camera), axis.point_mm, axis.direction, radius_mm)


# --- what the collar's lip hides -----------------------------------------------------------------------

def crossing(angle_rad: Floats | float, distance: Floats | float, inner: Floats | float,
             outer: Floats | float) -> Floats:
    """How far along the sight line to a pipe point the collar's radius is crossed, as a share of the way.

    Pipe point at `angle_rad` on radius `inner`, lens `distance` from the common axis; `outer` is the radius
    crossed.  Seen along the axis this is a line and a circle; axial coordinates grow in step with the way.  NaN where
    the sight line passes by.
    """
    half, square = _sight_line(angle_rad, distance, inner)
    return np.asarray((half - _root(half**2 - square * (distance**2 - outer**2))) / square)


def _crossing_slope(half: Floats, square: Floats, distance: Floats | float, outer: Floats | float) -> Floats:
    """Derivative of `crossing` by `outer`; negative, NaN where there is no crossing."""
    return np.asarray(-outer / _root(half**2 - square * (distance**2 - outer**2)))


def _sight_line(angle_rad: Floats | float, distance: Floats | float,
                inner: Floats | float) -> tuple[Floats, Floats]:
    """Of a sight line, seen along the axis: its run across times the distance, and its length squared."""
    across = np.asarray(distance - inner * np.cos(angle_rad))
    side = inner * np.sin(angle_rad)
    return distance * across, np.asarray(across**2 + side**2)


def _root(square: Floats) -> Floats:
    """Square root; NaN, without a warning, of what is negative: a sight line that misses has no crossing."""
    return np.sqrt(np.where(square < 0, np.nan, square))


def in_front(angle_rad: Floats) -> NDArray[np.bool_]:
    """The half of these angles (n,) that lies nearest to the line facing the lens: (n,) bool.

    There the lip hides least.  Sixty degrees round the pipe it hides half as much again, and a line that comes out
    from under it in front begins no further from the mouth than what is hidden there.
    """
    turned = np.abs(angle_rad)
    return np.asarray(turned <= np.median(turned))


def mouth_of_contour(contour_mm: Floats | float, angle_rad: Floats | float, distance: Floats | float,
                     inner: Floats | float, outer: Floats | float, lip: Floats | float) -> Floats:
    """The mouth's axial coordinate, from where the lip's contour is seen against the pipe.

    contour_mm: axial coordinate at which the grazing ray meets the pipe, the lens being at 0: positive where the lens
    stands on the collar's side.  lip: radius of the round that joins the collar's outside with its mouth.  Where the
    lens stands on the pipe's side (contour_mm <= 0) the seam itself is seen and returned unchanged.  The collar is a
    stack of rings, and each hides the pipe up to ring / share; the one that hides most is where the sight line grazes.
    Exact for concentric cylinders.
    """
    contour = np.asarray(contour_mm, float)
    sin, ring = _grazed(contour, angle_rad, distance, inner, outer, lip)
    mouth = contour * crossing(angle_rad, distance, inner, ring) + lip * (1 - sin)
    return np.where(contour > 0, np.minimum(mouth, contour), contour)


def _grazed(contour: Floats, angle_rad: Floats | float, distance: Floats | float, inner: Floats | float,
            outer: Floats | float, lip: Floats | float) -> tuple[Floats, Floats]:
    """Sine of the angle on the lip's round at which a sight line grazes it, and the radius of that ring.

    The ring at angle p of the round has radius outer - lip (1 - cos p) and lies lip (1 - sin p) behind the
    mouth; of all rings the one with tan p = 1 / (contour * |d share / d radius|) hides most.
    """
    ring = np.asarray(outer, float)
    sin = np.ones_like(np.asarray(contour, float))
    half, square = _sight_line(angle_rad, distance, inner)
    for _ in range(3):
        slope = np.maximum(contour, 0) * -_crossing_slope(half, square, distance, ring)
        cos = slope / np.sqrt(1 + slope**2)
        sin = 1 / np.sqrt(1 + slope**2)
        ring = outer - lip * (1 - cos)
    return sin, ring
