"""The joint straightened, and where its mouth lies on that: a second look at the mouth, by a network of its own.

The strip shows the pipe alone.  Here every row is a lane, the plane through the lens that runs along the axis at one
slope sideways; lanes that pass beside the pipe show the collar's profile against the ground, which no grease, shadow
or lit end face covers.  The joint is straightened twice, met at the pipe's radius and at the collar's: what lies on
either surface is at its place on its own picture.  The surveyor tells for every column how likely the mouth is there.
"""

from __future__ import annotations

import cv2
import numpy as np

from vision import geometry, mouth, networks
from vision.records import Bytes, Photo, Pose, Strip, Survey
from vision.resample import resample

ROWS, COLUMNS = 128, 256
STEP_MM, FIRST_MM = 0.1, -11.0
WIDEST = 1.4  # of the pipe's half width: as far beside the axis as lanes go
_FINER = 2  # lanes of a row


def survey(photo: Photo, pose: Pose, strip: Strip, collar_radius_mm: float) -> Survey:
    """Where the mouth lies, axial millimetres from the pose's guess, and how sure that is.

    The picture is laid about the mouth that the strip's readers see, for it reaches a few millimetres either way.
    """
    border, _, clear = mouth.split(networks.read(strip.pixels).beyond, strip)
    middle = float(np.median(border[clear] if clear.any() else border))
    picture = np.concatenate([straightened(photo, pose, middle, radius)
                              for radius in (pose.pipe.radius_mm, collar_radius_mm)], axis=-1)
    share = networks.survey(picture)
    at = FIRST_MM + STEP_MM * np.arange(COLUMNS)
    mean = float(share @ at)
    return Survey(middle + mean, float(np.sqrt(share @ (at - mean) ** 2)))


def straightened(photo: Photo, pose: Pose, middle_mm: float, radius_mm: float) -> Bytes:
    """(ROWS, COLUMNS, 3) of the joint about `middle_mm` from the pose's guess of the mouth, met at a radius."""
    axis = pose.pipe
    foot, u, v = geometry.frame(axis.point_mm, axis.direction)
    distance = float(np.linalg.norm(foot))
    count = ROWS * _FINER
    lane = WIDEST * (2 * (np.arange(count) + 0.5) / count - 1)
    slope = lane * axis.radius_mm / np.sqrt(distance**2 - axis.radius_mm**2)
    square = 1 + slope**2
    root = np.sqrt(np.maximum(distance**2 - square * (distance**2 - radius_mm**2), 0.0))
    depth = (distance - root) / square  # beside the surface: where the lane passes nearest to it
    along = pose.mouth_mm + middle_mm + FIRST_MM + STEP_MM * np.arange(COLUMNS)
    flat = depth[:, None] * u + (slope * depth)[:, None] * v
    at = geometry.project(flat[:, None] + along[None, :, None] * axis.direction, photo.camera)
    lanes = resample(photo, at, pose.px_per_mm * STEP_MM)
    return np.asarray(cv2.resize(lanes, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA), np.uint8)
