"""Limbs -> Pose: the cylinders in the camera frame, from their silhouettes and known diameters.

An axis has four degrees of freedom and a pair of limbs has four parameters, one for one: the least squares
fit of an axis to all its silhouette points is the closed form applied to the least squares lines, so there
is nothing to iterate, and the covariance of the lines carries over exactly to first order.

Pipe and collar are two readings of nearly one axis.  They are not forced to agree: their directions differ
by a degree or so on real couplings.  What is measured lies on the pipe and uses the pipe's own axis; the
difference of the two readings widens the covariance of the tilt, which a slight taper upsets most.
"""

from __future__ import annotations

import math

import numpy as np

from calibration.camera import Camera
from calibration.fittings import Fitting
from vision import geometry
from vision.records import Axis, Floats, Limbs, Pose, Refusal
from vision.usual import SEAT_U_RAD

STEEPEST_TILT_DEG = 45.0
LEAST_PX_PER_MM = 1.4  # the coarsest that the readers learnt from is 1.6
RATIO_ALLOWANCE = 0.035  # standard allowance: taper, seat, rounded diameters, metal that mirrors the ground
MOST_APART_DEG = 4.0  # in the picture, where limbs tell an axis well: no seat of a joint is so crooked
_SIGMAS = 3.0


def solve_pose(limbs: Limbs, camera: Camera, fitting: Fitting, mouth_px: Floats,
               axis_px: Floats) -> Pose | Refusal:
    """The joint in the camera frame.

    mouth_px: (2,) first guess of the mouth in the stored photo.  axis_px: (2,) along the axis, towards the
    pipe.  Refuses with `edges-not-found` for limbs that belong to no cylinder before the lens.
    """
    matrix = geometry.camera_matrix(camera)
    pipe = geometry.axis_of_limbs(limbs.pipe, matrix, fitting.pipe_od_mm / 2, axis_px)
    if pipe is None:
        return Refusal("pose", "edges-not-found", "the pipe's sides belong to no cylinder before the camera")
    collar = None if limbs.collar is None else geometry.axis_of_limbs(limbs.collar, matrix, fitting.collar_od_mm / 2,
                                                                      axis_px)
    return _pose(pipe, collar, _mouth(pipe, mouth_px, camera), camera)


def _mouth(pipe: Axis, mouth_px: Floats, camera: Camera) -> float:
    """Axial coordinate of the mouth guess on the pipe's near side, or beside it on the axis."""
    along, _ = geometry.meet_cylinder_px(np.asarray(mouth_px, float), pipe, pipe.radius_mm, camera)
    if np.isfinite(along):
        return float(along)
    ray = geometry.rays(np.asarray(mouth_px, float), camera)
    return float(_nearest(ray, pipe))


def _nearest(ray: Floats, axis: Axis) -> float:
    """Axial coordinate of the axis point that comes nearest to a ray from the lens."""
    lean = float(ray @ axis.direction)
    return float(ray @ axis.point_mm) * lean / (1 - lean**2)


def _pose(pipe: Axis, collar: Axis | None, mouth: float, camera: Camera) -> Pose:
    distance = float(np.linalg.norm(pipe.point_mm))
    near = geometry.surface(pipe.point_mm, pipe.direction, pipe.radius_mm, np.array(mouth), np.array(0.0))
    return Pose(
        pipe=_widened(pipe, collar), collar=collar, mouth_mm=mouth,
        tilt_deg=math.degrees(math.atan2(-mouth, distance)),
        distance_mm=float(np.linalg.norm(near)), px_per_mm=camera.focal_px / float(near[2]),
    )


def tilt_disagreement(pipe: Axis, collar: Axis | None) -> float:
    """Standard uncertainty, rad, of the pipe's tilt beyond its fit: half of what pipe and collar differ by
    more than their fits explain, and never less than what real joints have shown.
    """
    if collar is None:
        return SEAT_U_RAD
    _, u, _ = geometry.frame(pipe.point_mm, pipe.direction)
    apart = float(u @ (collar.direction - pipe.direction))
    explained = float(pipe.covariance[0, 0] + collar.covariance[0, 0])
    return max(SEAT_U_RAD, 0.5 * math.sqrt(max(0.0, apart**2 - 4 * explained)))


def _widened(pipe: Axis, collar: Axis | None) -> Axis:
    wider = pipe.covariance.copy()
    wider[0, 0] += tilt_disagreement(pipe, collar) ** 2
    return Axis(pipe.point_mm, pipe.direction, pipe.radius_mm, wider)


def crookedness(pose: Pose) -> tuple[float, float]:
    """Angle, rad, between pipe and collar in the picture, and its fit uncertainty; 0 with no collar."""
    if pose.collar is None:
        return 0.0, 0.0
    _, _, v = geometry.frame(pose.pipe.point_mm, pose.pipe.direction)
    variance = float(pose.pipe.covariance[1, 1] + pose.collar.covariance[1, 1])
    return float(v @ pose.collar.direction), math.sqrt(variance)


def distance_ratio(pose: Pose) -> tuple[float, float] | None:
    """Distance of the mouth by the collar's silhouettes over that by the pipe's, and its fit uncertainty.

    1 where catalog and photo agree; smaller where the collar looks too wide for the pipe.  None without a
    collar.
    """
    if pose.collar is None:
        return None
    middle = pose.pipe.point_mm + pose.mouth_mm * pose.pipe.direction
    away = float(np.linalg.norm(middle))
    along = _nearest(middle / away, pose.collar)
    other = float(np.linalg.norm(pose.collar.point_mm + along * pose.collar.direction))
    variance = _depth_variance(pose.pipe, pose.mouth_mm) + _depth_variance(pose.collar, along)
    return other / away, math.sqrt(variance) / away


def _depth_variance(axis: Axis, along: float) -> float:
    """Variance, mm², of the distance at an axial coordinate, along the sight line there."""
    lever = np.array([along, 0.0, 1.0, 0.0])
    cos = math.cos(math.atan2(along, float(np.linalg.norm(axis.point_mm))))
    return float(lever @ axis.covariance @ lever) / cos**2


def in_view(pose: Pose) -> Pose | Refusal:
    """The pose, if its pipe is near enough and square enough to the sight; else `too-far` or `too-oblique`."""
    if pose.px_per_mm < LEAST_PX_PER_MM:
        return Refusal("pose", "too-far", f"{pose.px_per_mm:.1f} px per mm")
    if abs(pose.tilt_deg) > STEEPEST_TILT_DEG:
        return Refusal("pose", "too-oblique", f"tilted by {abs(pose.tilt_deg):.0f} degrees")
    return pose


def trusted(pose: Pose, fitting: Fitting) -> Pose | Refusal:
    """The pose, if it is one to measure from.

    Refuses as `in_view` does, and with `edges-not-found` (pipe and collar point apart) or `size-mismatch`.
    """
    if isinstance(seen := in_view(pose), Refusal):
        return seen
    apart, u = crookedness(pose)
    if abs(apart) > max(math.radians(MOST_APART_DEG), _SIGMAS * u):
        return Refusal("pose", "edges-not-found",
                       f"the sides of pipe and collar point {abs(math.degrees(apart)):.0f} degrees apart")
    ratio = distance_ratio(pose)
    if ratio and abs(math.log(ratio[0])) > _SIGMAS * math.hypot(ratio[1], _ratio_u(fitting)):
        real = fitting.collar_od_mm / fitting.pipe_od_mm
        return Refusal("pose", "size-mismatch",
                       f"collar to pipe looks like {real / ratio[0]:.3f}, the catalog says {real:.3f}")
    return pose


def _ratio_u(fitting: Fitting) -> float:
    collar = fitting.collar_od_tolerance_mm / fitting.collar_od_mm / math.sqrt(3)
    pipe = fitting.pipe_od_tolerance_mm / fitting.pipe_od_mm / math.sqrt(3)
    return math.hypot(collar, pipe, RATIO_ALLOWANCE)


