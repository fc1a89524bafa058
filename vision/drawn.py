"""Marked pipes photographed before insertion -> the mark's own wave round the pipe: part of `views`.

A mark drawn askew makes the gap go round as a wave, and so does a pipe cocked in its collar.  The marked pipe alone
shows the first of the two.  Angles must be counted by the pipe itself, since it may be turned as it is pushed in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vision.compare import HAND_RAD
from vision.records import Edge, Floats, Pose, PremarkVerdict
from vision.redraw import independent_rows
from vision.ring import WAVE_U_MM, Wave

# A joint whose gap goes round as a wave is one whose line may well be worse than lines usually are: where its cause is
# asked for, the usual says only half of what it says of joints at large.
_SUSPECTED_RAD = 2 * HAND_RAD


@dataclass(frozen=True)
class Before:
    """What was said of a marked pipe, and from which side it was photographed."""

    verdict: PremarkVerdict
    at_deg: float


def mark_wave(befores: Sequence[Before]) -> Wave | None:
    """The mark's place along the pipe as a wave round it; None where no photo shows a mark.

    Its mean says nothing and is 0: each photo counts from a place of its own.  What the silhouettes leave open of the
    axis passes for slant of the mark, most of it towards the lens, so that photos from several sides know more than
    one; before any of them a line drawn by hand is expected to be as square as hands draw.
    """
    seen = [(before.verdict.depth, before.verdict.pose, math.radians(before.at_deg)) for before in befores]
    known = np.zeros((2, 2))
    asked = np.zeros(2)
    for depth, pose, turn in seen:
        if depth is None or pose is None:
            continue
        weight, value = _slope(depth.near, pose)
        out = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
        known += out.T @ weight @ out
        asked += out.T @ weight @ value
    if not known.any():
        return None
    radius = next(pose.pipe.radius_mm for _, pose, _ in seen if pose is not None)
    spread = np.linalg.inv(known + np.eye(2) / (_SUSPECTED_RAD * radius) ** 2)
    cos, sin = spread @ asked
    covariance = np.zeros((3, 3))
    covariance[1:, 1:] = spread
    return Wave(0.0, float(cos), float(sin), covariance)


def _slope(near: Edge, pose: Pose) -> tuple[Floats, Floats]:
    """What one photo knows of the wave in its own angles, (cos, sin) mm: weight (2, 2), the inverse of its
    covariance, and value (2,)."""
    basis = np.column_stack([np.ones(len(near.at_mm)), np.cos(near.angles_rad), np.sin(near.angles_rad)])
    fit = np.linalg.lstsq(basis, near.at_mm, rcond=None)[0]
    noise = math.hypot(max(near.sigma_mm, 0.05), WAVE_U_MM)
    spread = np.linalg.inv(basis.T @ basis + 1e-9 * np.eye(3)) * noise**2 * len(near.at_mm)
    own = spread[1:, 1:] / independent_rows(near, pose)
    tilt, roll = pose.pipe.covariance[0, 0], pose.pipe.covariance[1, 1]
    weight = np.linalg.inv(own + np.diag([tilt, roll]) * pose.pipe.radius_mm**2)
    return np.asarray(weight, np.float64), np.asarray(fit[1:], np.float64)
