"""Pose -> Strip: the pipe's surface laid flat around the mouth.

On the strip roll, distance, tilt and curvature are gone: columns are tenths of a millimetre along the pipe,
rows are degrees round it.  Photos finer than the strip are averaged down first, so that nothing aliases.
"""

from __future__ import annotations

import numpy as np

from vision import geometry
from vision.records import Photo, Pose, Strip
from vision.resample import FIRST_MM, STEP_MM, resample

ROWS, COLUMNS = 128, 512
HALF_ARC_DEG = 62.0


def unwrap(photo: Photo, pose: Pose, first_mm: float = FIRST_MM, columns: int = COLUMNS) -> Strip:
    """Resample the pipe's cylinder on a grid around the mouth guess of the pose, from `first_mm` before it."""
    angles = np.radians(np.linspace(-HALF_ARC_DEG, HALF_ARC_DEG, ROWS))
    along = first_mm + STEP_MM * np.arange(columns, dtype=np.float64)
    at = geometry.cylinder_px(pose.pipe, pose.mouth_mm + along, angles, photo.camera)
    (x, y), (width, height) = np.moveaxis(at, -1, 0), photo.size_px
    seen = (x > -0.5) & (x < width - 0.5) & (y > -0.5) & (y < height - 0.5)
    return Strip(resample(photo, at, pose.px_per_mm * STEP_MM), first_mm, STEP_MM, angles, seen,
                 at.astype(np.float32))
