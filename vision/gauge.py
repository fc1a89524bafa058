"""Lanes -> Gauge: where the pipe's sides are, and what follows where they aren't where the pose has them.

A shadow, another pipe, a board or a hand can pass for a side.  The finder's mask and the edge that fits it best do not
tell; the joint as a whole often does.  The gauger says where it sees the sides, how surely, and where a bare pipe ends;
then the facer looks at the cut again, twice as finely.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.camera import Camera
from vision import geometry, networks
from vision.lanes import CLOSE, SIGNS, beside_mm, gauged, mean_of, straightened
from vision.records import Axis, Floats, Gauge, Lanes, Limbs, Photo, Pose, Refusal, Sighting, Survey
from vision.sides import Course, find_limb

OFF = 0.045  # of the half width: less is a bend, and a side found anew there is seldom better (DEVELOPERS.md)
SIGMAS = 1.4  # of the gauge, whose spread is nearly twice what it errs by (DEVELOPERS.md, "The networks")
USUAL_U = 0.0105  # spread of the gauge where nothing is in doubt: the coarseness of its rows
ERRS = 0.6  # of its spread: a side that lies so near to where it was thought to be is seen there
WIDER = 1.5  # sides that the gauge doubts are off by so many times its doubt, root mean square (DEVELOPERS.md)
# Of the half width: a pipe that alone tells the scale, its collar left out, has to be seen as surely.  Of 73 joints so
# measured 24 are doubted by more: six of these gaps lay outside their intervals, of the others two of 49.
ALONE_U = 0.02
_FROM_MM, _TO_WIDTHS = 2.0, 1.1  # beyond the mouth: where the side is followed, as far as `refine` does
_STATIONS = 96
_LEAST_HALF_PX = 3.0
_SWING, _UNEVEN_PX = 0.6, 0.2  # as `refine` allows a pipe's sides


def gauge(lanes: Lanes) -> Gauge:
    """Where a bare pipe's sides are, and where it ends; of a joint, `survey` tells."""
    return gauged(networks.gauge(lanes.picture), lanes)


def faced(photo: Photo, pose: Pose, seen: Gauge, cut_mm: float, collar_radius_mm: float) -> Survey:
    """A bare pipe's cut looked at closely, half way between where the strip (cut_mm) and the gauge see it."""
    middle_mm = (cut_mm + seen.mouth.mouth_mm) / 2
    picture = straightened(photo, pose, middle_mm, (pose.pipe.radius_mm, collar_radius_mm), CLOSE)
    return Survey(*mean_of(networks.face(picture), middle_mm + CLOSE.along_mm))


def moved(photo: Photo, limbs: Limbs, pose: Pose, seen: Gauge) -> Limbs | None:
    """Limbs with a side that lies elsewhere than was thought found anew; None where none does, or isn't found."""
    pipe = list(limbs.pipe)
    found = False
    for sign, side, u in zip(SIGNS, seen.sides, seen.u, strict=True):
        if _borne_out(sign, side, u):
            continue
        course = _course(photo, pose, sign, float(side), float(u))
        limb = None if course is None else find_limb(photo, course)
        if limb is not None:
            pipe[_index(limbs, limb.line[:2])] = limb
            found = True
    return replace(limbs, pipe=(pipe[0], pipe[1])) if found else None


def facing(sighting: Sighting, pose: Pose, beside_mm: float, camera: Camera) -> Sighting:
    """The sighting with its mouth, or cut, where it has been read since: so far beside the pose's guess."""
    front = geometry.cylinder_px(pose.pipe, np.array([pose.mouth_mm + beside_mm]), np.zeros(1), camera)
    return replace(sighting, mouth_px=front.reshape(2))


def scaled(limbs: Limbs, seen: Gauge) -> Limbs | Refusal:
    """The limbs of a joint, refused where no collar bears out a pipe whose sides the gauge doubts.

    The collar was left out for contradicting the pipe, and it may have been right: a stripe's edge can pass for a side.
    """
    if limbs.collar is None and float(seen.u.max()) > ALONE_U:
        return Refusal("gauge", "edges-not-found", "the pipe's are doubtful, and no collar bears them out")
    return limbs


def widened(limbs: Limbs, pose: Pose, seen: Gauge, camera: Camera) -> Limbs:
    """Limbs as uncertain as the gauge finds them: by how far it sees a side elsewhere, and by its own doubt."""
    pipe = list(limbs.pipe)
    half_px = pose.pipe.radius_mm * pose.px_per_mm
    for sign, side, u in zip(SIGNS, seen.sides, seen.u, strict=True):
        index = _index(limbs, _outward(pose, sign, camera))
        if pipe[index].closely and _borne_out(sign, side, u):
            continue
        apart = max(0.0, (side - sign) ** 2 - (ERRS * u) ** 2)
        more_px = WIDER * half_px * np.sqrt(apart + max(0.0, u**2 - USUAL_U**2))
        pipe[index] = replace(pipe[index], covariance=pipe[index].covariance + np.diag([0.0, more_px**2]))
    return replace(limbs, pipe=(pipe[0], pipe[1]))


def _borne_out(sign: int, side: float, u: float) -> bool:
    """Whether a side is seen about where the pose has it."""
    return bool(abs(side - sign) <= max(OFF, SIGMAS * u))


def lane_mm(axis: Axis, side: float, along_mm: Floats) -> Floats:
    """Points (n, 3) of the lane that lies so many half widths beside the axis."""
    return np.asarray(beside_mm(axis, np.array([side]), along_mm)[0])


def _course(photo: Photo, pose: Pose, sign: int, side: float, u: float) -> Course | None:
    """Where a side is looked for: along its lane; None where too little of that is in the photo."""
    radius = pose.pipe.radius_mm
    along = pose.mouth_mm + np.linspace(_FROM_MM, 2 * radius * _TO_WIDTHS, _STATIONS)
    points = geometry.project(lane_mm(pose.pipe, side, along), photo.camera)
    points = points[((points > 0) & (points < np.array(photo.size_px) - 1)).all(-1)]
    if len(points) < _STATIONS / 3:
        return None
    axis = geometry.unit(points[-1] - points[0])
    across = np.array([-axis[1], axis[0]])
    across = across if across @ _outward(pose, sign, photo.camera) > 0 else -across
    beside = points - points[0]
    half_px = max(_LEAST_HALF_PX, 2 * u * radius * pose.px_per_mm)
    return Course(points[0], axis, across, beside @ axis, beside @ across, half_px, _SWING, _UNEVEN_PX)


def _outward(pose: Pose, sign: int, camera: Camera) -> Floats:
    """Where a side lies from the axis, in the photo."""
    middle, beside = (geometry.project(lane_mm(pose.pipe, side, np.array([pose.mouth_mm])), camera)[0]
                      for side in (0.0, float(sign)))
    return np.asarray(beside - middle)


def _index(limbs: Limbs, outward: Floats) -> int:
    """Which of the pipe's two limbs lies on that side."""
    return 0 if limbs.pipe[0].line[:2] @ outward > 0 else 1
