"""The joint straightened, a part of the stages that look at it so: every row is a lane, columns are places along it.

A lane is the plane through the lens that runs along the axis at one slope sideways.  Lanes that pass beside the pipe
show the collar's profile against the ground, which no grease, shadow or lit end face covers.  The joint is straightened
twice, met at the pipe's radius and at the collar's: what lies on either surface is at its place on its own picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision import geometry
from vision.networks import Shares, Straight
from vision.records import Axis, Bytes, FirstInk, Floats, Gauge, Lanes, Photo, Pose, Survey
from vision.resample import FIRST_MM, STEP_MM, resample

SIGNS = (-1, 1)  # of a pipe's two sides, as lanes count
ROWS, COLUMNS = 128, 256
WIDEST = 1.4  # of the pipe's half width: as far beside the axis as lanes go
_FINER = 2  # lanes of a row


@dataclass(frozen=True)
class Places:
    """Columns of a straightened picture: so many, from the first on, mm from what it is laid about, by a step."""

    first_mm: float
    step_mm: float
    count: int

    @property
    def along_mm(self) -> Floats:
        """(count,) places along the axis."""
        return np.asarray(self.first_mm + self.step_mm * np.arange(self.count))


WHOLE, CLOSE = Places(FIRST_MM, STEP_MM, COLUMNS), Places(-4.8, 0.05, 192)


def straighten(photo: Photo, pose: Pose, middle_mm: float, collar_radius_mm: float) -> Lanes:
    """The joint's lanes, laid about a place near the mouth, or a bare pipe's about its cut.

    A bare pipe has no collar; what would lie at its radius is taken along all the same.
    """
    return Lanes(straightened(photo, pose, middle_mm, (pose.pipe.radius_mm, collar_radius_mm)), middle_mm)


def straightened(photo: Photo, pose: Pose, middle_mm: float, radii_mm: tuple[float, ...],
                 places: Places = WHOLE) -> Bytes:
    """(ROWS, columns, 3 for each radius) of the joint about `middle_mm` from the pose's guess of the mouth."""
    along = pose.mouth_mm + middle_mm + places.along_mm
    across = np.concatenate([_lanes_mm(pose.pipe, radius) for radius in radii_mm])
    at = geometry.project(geometry.grid(across, along, pose.pipe.direction), photo.camera)
    lanes = resample(photo, at, pose.px_per_mm * places.step_mm)
    rows = cv2.resize(lanes, (places.count, len(radii_mm) * ROWS), interpolation=cv2.INTER_AREA)
    return np.concatenate(np.split(np.asarray(rows, np.uint8), len(radii_mm)), axis=-1)


def beside_mm(axis: Axis, lanes: Floats, along_mm: Floats) -> Floats:
    """Points (lanes, places, 3) that lie so many half widths beside the axis, as the lens sees it."""
    foot, _, v = geometry.frame(axis.point_mm, axis.direction)
    distance = float(np.linalg.norm(foot))
    beside = lanes * distance * axis.radius_mm / np.sqrt(distance**2 - axis.radius_mm**2)
    return geometry.grid(foot + beside[:, None] * v, along_mm, axis.direction)


def _lanes_mm(axis: Axis, radius_mm: float) -> Floats:
    """(ROWS * _FINER, 3) where each lane meets the cylinder of a radius, or passes nearest to it, across the axis."""
    foot, u, v = geometry.frame(axis.point_mm, axis.direction)
    distance = float(np.linalg.norm(foot))
    count = ROWS * _FINER
    lane = WIDEST * (2 * (np.arange(count) + 0.5) / count - 1)
    slope = lane * axis.radius_mm / np.sqrt(distance**2 - axis.radius_mm**2)
    square = 1 + slope**2
    root = np.sqrt(np.maximum(distance**2 - square * (distance**2 - radius_mm**2), 0.0))
    depth = (distance - root) / square
    return np.asarray(depth[:, None] * u + (slope * depth)[:, None] * v)


def gauged(seen: Straight, lanes: Lanes) -> Gauge:
    """What a network saw on the straightened picture, in millimetres and half widths."""
    at = WIDEST * (2 * (np.arange(ROWS, dtype=np.float64) + 0.5) / ROWS - 1)
    told = np.array([mean_of(share, at) for share in seen.sides])
    return Gauge(told[:, 0], told[:, 1], _along(seen, lanes))


def _along(seen: Straight, lanes: Lanes) -> Survey:
    """What was seen along the axis."""
    at = lanes.middle_mm + FIRST_MM + STEP_MM * np.arange(COLUMNS, dtype=np.float64)
    ink = None if seen.ink is None else FirstInk(at, seen.ink.astype(np.float64))
    return Survey(*mean_of(seen.mouth, at), ink)


def mean_of(share: Shares, at: Floats) -> tuple[float, float]:
    """Mean and spread of a distribution."""
    mean = float(share @ at)
    return mean, float(np.sqrt(share @ (at - mean) ** 2))
