"""Marked pipes photographed before insertion -> the mark's own wave round the pipe: part of `views`.

A mark drawn askew makes the gap go round as a wave, and so does a pipe cocked in its collar.  The marked pipe alone
shows the first of the two.  Angles must be counted by the pipe itself, since it may be turned as it is pushed in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vision.records import Edge, Floats, Pose, PremarkVerdict
from vision.redraw import independent_rows
from vision.ring import WAVE_U_MM, Wave
from vision.wave import HAND_RAD, TOLD_U_DEG

# A joint whose gap goes round as a wave is one whose line may well be worse than lines usually are: where its cause is
# asked for, the usual says only half of what it says of joints at large.
_SUSPECTED_RAD = 2 * HAND_RAD
# A bare pipe's sides tell its axis in the picture no better, whatever their edges' scatter: they bend, and end in
# shadow.  Of 99 photos of marked pipes of known truth 96 in 100 slants lie within what this makes of them, 68 without.
_SIDES_U_RAD = math.radians(0.3)


@dataclass(frozen=True)
class Before:
    """What was said of a marked pipe, and from which side it was photographed; None: nobody knows."""

    verdict: PremarkVerdict
    at_deg: float | None


def mark_wave(befores: Sequence[Before]) -> Wave | None:
    """The mark's place along the pipe as a wave round it; None where no photo from a known side shows a mark.

    Its mean says nothing and is 0: each photo counts from a place of its own.  What the silhouettes leave open of the
    axis passes for slant of the mark, most of it towards the lens, so that photos from several sides know more than
    one; before any of them a line drawn by hand is expected to be as square as hands draw.
    """
    seen = [(before.verdict.depth, before.verdict.pose, before.at_deg) for before in befores]
    slopes = [_slope(depth.near, pose, math.radians(at)) for depth, pose, at in seen
              if depth and pose and at is not None]
    if not slopes:
        return None
    radius = next(pose.pipe.radius_mm for _, pose, _ in seen if pose is not None)
    wave, spread = _together(slopes, radius)
    aside = np.array([-wave[1], wave[0]]) * math.radians(TOLD_U_DEG)  # were a photo taken from a little elsewhere
    wave, spread = _together([(value, own + np.outer(aside, aside)) for value, own in slopes], radius)
    covariance = np.zeros((3, 3))
    covariance[1:, 1:] = spread
    return Wave(0.0, float(wave[0]), float(wave[1]), covariance)


def _together(slopes: Sequence[tuple[Floats, Floats]], radius_mm: float) -> tuple[Floats, Floats]:
    """The wave (cos, sin) mm that all photos and what hands do make likeliest, and its covariance."""
    weights = [np.linalg.inv(own) for _, own in slopes]
    spread = np.linalg.inv(np.sum(weights, axis=0) + np.eye(2) / (_SUSPECTED_RAD * radius_mm) ** 2)
    asked = np.sum([weight @ value for weight, (value, _) in zip(weights, slopes, strict=True)], axis=0)
    return np.asarray(spread @ asked), np.asarray(spread)


def _slope(near: Edge, pose: Pose, at_rad: float) -> tuple[Floats, Floats]:
    """What one photo, taken from a side, knows of the wave: (cos, sin) mm in the joint's angles, and covariance."""
    basis = np.column_stack([np.ones(len(near.at_mm)), np.cos(near.angles_rad), np.sin(near.angles_rad)])
    fit = np.linalg.lstsq(basis, near.at_mm, rcond=None)[0]
    noise = math.hypot(max(near.sigma_mm, 0.05), WAVE_U_MM)
    spread = np.linalg.inv(basis.T @ basis + 1e-9 * np.eye(3)) * noise**2 * len(near.at_mm)
    own = spread[1:, 1:] / independent_rows(near, pose)
    tilt, roll = pose.pipe.covariance[0, 0], pose.pipe.covariance[1, 1] + _SIDES_U_RAD**2
    own = own + np.diag([tilt, roll]) * pose.pipe.radius_mm**2
    back = np.array([[math.cos(at_rad), -math.sin(at_rad)], [math.sin(at_rad), math.cos(at_rad)]])
    return np.asarray(back @ fit[1:]), np.asarray(back @ own @ back.T)
