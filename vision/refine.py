"""Sighting -> Limbs: the silhouette lines of pipe and collar to a fraction of a pixel, on the full photo.

The finder's mask says where each side is to a few pixels; `sides` finds the line near that guess.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import geometry, networks
from vision.records import Floats, Limb, Limbs, Look, Photo, Refusal, Sighting
from vision.sides import Course, cauchy_line, find_limb

_JOINT = [networks.FINDER_CLASSES.index(name) for name in ("pipe", "collar", "ink")]
_OVER = networks.FINDER_CLASSES.index("over")
_STATIONS = 96
_LEAST_FOUND = 0.12  # of the stations must show a border of the mask
_MARGIN_PX = 3.0  # of the look: a border nearer to the photo's own is not the joint's
_SHORT_SHARE = 0.6  # of the other side's length: a shorter side says little of its own direction
_ROUGH_RAD = 0.045  # direction of a side that only the finder's look shows
_ROUGH_WIDTH = 0.04  # of the pipe's width, when one side of it has to be guessed
_WIDEST_COLLAR, _TIGHTEST_COLLAR = 1.22, 1.05  # collar over pipe diameter of most couplings
_COLLAR_SWING_RAD = 0.035  # how far a collar's side may swing from the pipe's: taper, seat
_PIPE_UNEVEN_PX = 0.2  # a bend, dirt, a shadow beside it: what a pipe's side leaves a straight line by
_COLLAR_UNEVEN_PX = 0.7  # press rings, crimps and reflections move parts of a collar's side by about that


def find_limbs(photo: Photo, sighting: Sighting) -> Limbs | Refusal:
    """Silhouette lines of the pipe and, where it can be had, of the collar.

    A side of the pipe that the photo does not show clearly is taken from the finder's look, with the doubt
    that this deserves.  Refuses with `edges-not-found` where neither side can be followed.
    """
    width, mask = sighting.pipe_width_px, _Mask.of(sighting.close)
    reach = min(0.92 * sighting.pipe_reach_px, 1.15 * width)
    sides = _sides(photo, sighting, mask, (0.06 * width, reach))
    if not any(sides):
        return Refusal("refine", "edges-not-found", "the sides of the pipe")
    left, right = (_rough(other, sighting) if limb is None else _steadied(limb, other)
                   for limb, other in zip(sides, reversed(sides), strict=True))
    if sighting.collar_reach_px <= 0:  # a bare pipe
        return Limbs((left, right), None)
    behind = min(0.9 * sighting.collar_reach_px, 0.6 * width)
    outer_left, outer_right = _sides(photo, sighting, mask, (-0.06 * width, -behind), (left, right))
    return Limbs((left, right), (outer_left, outer_right) if outer_left and outer_right else None)


@dataclass(frozen=True)
class _Mask:
    """Of a look: the probability of being part of the joint, and of something that lies over it."""

    joint: NDArray[np.float32]
    over: NDArray[np.float32]
    from_photo: Floats

    @classmethod
    def of(cls, look: Look) -> _Mask:
        inverse = np.linalg.inv(look.to_photo[:, :2])
        return cls(np.asarray(sum(look.shares[index] for index in _JOINT), np.float32), look.shares[_OVER],
                   np.column_stack([inverse, -inverse @ look.to_photo[:, 2]]))

    def at(self, points: Floats) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Both at points (rows, columns, 2) of the photo."""
        x, y = ((by_x * points[..., 0] + by_y * points[..., 1] + start).astype(np.float32)
                for by_x, by_y, start in self.from_photo)
        joint, over = (cv2.remap(share, x, y, cv2.INTER_LINEAR) for share in (self.joint, self.over))
        return np.asarray(joint, np.float32), np.asarray(over, np.float32)


def _sides(photo: Photo, sighting: Sighting, mask: _Mask, between: tuple[float, float],
           like: tuple[Limb, Limb] | None = None) -> tuple[Limb | None, Limb | None]:
    """Both limbs between two stations.  The collar is short, ringed and tapered: it takes its direction
    from the pipe's limbs (`like`) and only says how far beside them its own lie."""
    if abs(between[1] - between[0]) < 10:
        return None, None
    courses = [_course(sighting, mask, photo.size_px, between, side, like[index] if like else None)
               for index, side in enumerate((-1, 1))]
    left, right = (None if course is None else find_limb(photo, course) for course in courses)
    return left, right


def _rough(other: Limb | None, sighting: Sighting) -> Limb:
    """The side that was not found: parallel to the one that was, the pipe's width away from it.

    Where a hand hides a side the finder's width is too small; the collar, in plain sight, bounds it.
    """
    assert other is not None
    collar = sighting.collar_width_px
    width = float(np.clip(sighting.pipe_width_px, collar / _WIDEST_COLLAR, collar / _TIGHTEST_COLLAR))
    normal = other.line[:2]
    offset_px = _ROUGH_WIDTH * width + sighting.close.photo_px_per_px
    covariance = other.covariance + np.diag([_ROUGH_RAD**2, offset_px**2])
    return replace(other, line=np.array([*-normal, -(other.line[2] + width)]), covariance=covariance,
                   centre_px=other.centre_px - width * normal, points_px=other.points_px - width * normal)


def _steadied(limb: Limb, other: Limb | None) -> Limb:
    """A side seen on a short stretch only, before a hand say, takes its direction from the other side."""
    if other is None or limb.length_px > _SHORT_SHARE * other.length_px:
        return limb
    normal = -other.line[:2]
    return replace(limb, line=np.array([*normal, -normal @ limb.centre_px]),
                   covariance=limb.covariance + other.covariance + np.diag([_ROUGH_RAD**2, 0.0]))


def _course(sighting: Sighting, mask: _Mask, size_px: tuple[int, int], between: tuple[float, float], side: int,
            like: Limb | None) -> Course | None:
    """Follow the mask's border on one side of the axis.

    Stations where something lies over the border, or where it is the photo's own, are left out.
    """
    across = np.array([-sighting.axis_px[1], sighting.axis_px[0]])
    along = np.linspace(*between, _STATIONS)
    scale = sighting.close.photo_px_per_px
    span = np.arange(0.15 * sighting.pipe_width_px, 0.95 * sighting.collar_width_px, 0.5 * scale)
    points = geometry.grid(sighting.mouth_px + along[:, None] * sighting.axis_px, span, side * across)
    joint, over = mask.at(points)
    inside = np.cumprod(joint > 0.5, axis=1)
    count = inside.sum(1)
    rows = np.arange(_STATIONS)
    last = np.clip(count - 1, 0, len(span) - 6)
    covered = np.maximum.reduce([over[rows, last + step] for step in (-3, 0, 3, 5)]) > 0.35
    ends = points[rows, last]
    within = ((ends > _MARGIN_PX * scale) & (ends < np.array(size_px) - 1 - _MARGIN_PX * scale)).all(-1)
    found = (count > 3) & (count < len(span) - 6) & ~covered & within
    if found.sum() < _LEAST_FOUND * _STATIONS:
        return None
    rows, last = rows[found], last[found]
    high, low = joint[rows, last], joint[rows, last + 1]
    border = span[last] + 0.5 * scale * np.clip((high - 0.5) / np.maximum(high - low, 1e-3), 0, 1)
    at = along[found]
    half = max(3.0, 3.0 * scale)
    if like is None:
        slope, offset = cauchy_line(at, border, scale)
        return Course(sighting.mouth_px, sighting.axis_px, side * across, at, slope * at + offset, half, 0.6,
                       _PIPE_UNEVEN_PX * max(1.0, scale / 2))
    slope = _slope_of(like, sighting, side)
    offset = float(np.median(border - slope * at))
    stiff = _COLLAR_SWING_RAD * float(np.ptp(at)) / 2 / half
    return Course(sighting.mouth_px, sighting.axis_px, side * across, at, slope * at + offset, half, stiff,
                   _COLLAR_UNEVEN_PX)


def _slope_of(limb: Limb, sighting: Sighting, side: int) -> float:
    """Slope of a limb in (along, beside) of the sighting's axis; what distortion bends is left aside."""
    across = side * np.array([-sighting.axis_px[1], sighting.axis_px[0]])
    normal = limb.line[:2]
    return float(-(normal @ sighting.axis_px) / (normal @ across))
