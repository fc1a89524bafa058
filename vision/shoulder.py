"""The shoulder: where the silhouette steps from the collar's width to the pipe's.  A second look at the mouth.

Grease, a shadow or the lit end face can make the strip's reader take the mouth a millimetre off.  Beside the
pipe none of them is in the way: a line that runs just outside the pipe's limb, inside the collar's, leaves the
collar for the ground exactly at the collar's end face.  Both sides are read on several such lines; where they
agree they are a reading of the mouth that owes nothing to the strip.
"""

from __future__ import annotations

import cv2
import numpy as np

from vision import geometry
from vision.records import Floats, Photo, Pose, Shoulder

_LANES = np.linspace(0.15, 0.6, 6)  # of the way from the pipe's limb to the collar's
_REACH_MM = 5.0
_STEP_MM = 0.1
_AGREE_MM = 0.9  # both sides must place the mouth within this of each other
_ROUNDED_MM = 0.35  # by which a rounded lip shortens the silhouette there (lips of 0.3 to 1.6 mm)
_CLEAR = 1.5  # the step must stand out over the next best by this factor


def find_shoulder(photo: Photo, pose: Pose, collar_radius_mm: float) -> Shoulder | None:
    """Read the step on both sides; None where either is unclear or they disagree."""
    sides = [_side(photo, pose, collar_radius_mm, side) for side in (-1, 1)]
    if any(side is None for side in sides):
        return None
    left, right = (float(side) for side in sides if side is not None)
    if abs(left - right) > _AGREE_MM:
        return None
    return Shoulder((left + right) / 2 + _ROUNDED_MM, max(0.35, abs(left - right) / 2))


def _side(photo: Photo, pose: Pose, radius: float, side: int) -> float | None:
    """Where on one side the lanes leave the collar, all together."""
    along = np.arange(-_REACH_MM, _REACH_MM + _STEP_MM / 2, _STEP_MM)
    total = np.zeros(len(along))
    for lane in _LANES:
        points = _rim_px(photo, pose, radius, side, float(lane), along)
        inside = ((points > 1) & (points < np.array(photo.size_px) - 2)).all()
        if not inside:
            return None
        total += _change(photo, points, pose.px_per_mm)
    return _peak(along, total)


def _rim_px(photo: Photo, pose: Pose, radius: float, side: int, lane: float, along: Floats) -> Floats:
    """Pixels at which a collar that ended at each axial place would end on this lane.

    Of the ring's two points on a lane the one that reaches farthest over the pipe's side is seen: the near one
    from the collar's side, the far one from the pipe's.
    """
    pipe = pose.pipe
    distance = float(np.linalg.norm(pipe.point_mm))
    limb, rim = (np.arctan2(r, np.sqrt(distance**2 - r**2)) for r in (pipe.radius_mm, radius))
    slope = np.tan(limb + lane * (rim - limb))  # sideways over depth, in the plane across the axis
    square = 1 + slope**2
    root = np.sqrt(max(0.0, distance**2 - square * (distance**2 - radius**2)))
    depths = np.array([distance - root, distance + root]) / square
    place = pose.mouth_mm + along
    depth = np.where(place > 0, depths[0], depths[1])
    _, u, v = geometry.frame(pipe.point_mm, pipe.direction)
    points = depth[:, None] * u + side * (slope * depth)[:, None] * v + place[:, None] * pipe.direction
    return geometry.project(points, photo.camera)


def _change(photo: Photo, points: Floats, px_per_mm: float) -> Floats:
    """How much the colour changes at each place, scaled to the lane's own strongest change."""
    at = points.astype(np.float32)
    colours = cv2.remap(photo.pixels, at[:, 0][:, None], at[:, 1][:, None], cv2.INTER_LINEAR)[:, 0].astype(float)
    sigma = max(2.5, 1.2 / (px_per_mm * _STEP_MM))
    x = np.arange(-int(4 * sigma), int(4 * sigma) + 1)
    kernel = -x * np.exp(-(x**2) / (2 * sigma**2))
    slope = np.stack([np.convolve(np.pad(c, len(x) // 2, mode="edge"), kernel, mode="valid") for c in colours.T])
    size = np.sqrt((slope**2).sum(0))
    return np.asarray(size / (size.max() + 1e-9))


def _peak(along: Floats, total: Floats) -> float | None:
    """Place of the strongest change, if it stands out over every other a millimetre away."""
    top = int(total.argmax())
    apart = np.abs(along - along[top]) > 1.0
    if total[top] < _CLEAR * total[apart].max(initial=0.0) or top in (0, len(along) - 1):
        return None
    return float(along[top])
