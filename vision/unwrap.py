"""Pose -> Strip: the pipe's surface laid flat around the mouth.

On the strip roll, distance, tilt and curvature are gone: columns are tenths of a millimetre along the pipe,
rows are degrees round it.  Photos finer than the strip are averaged down first, so that nothing aliases.
"""

from __future__ import annotations

import cv2
import numpy as np

from vision import geometry
from vision.records import Bytes, Floats, Photo, Pose, Strip

ROWS, COLUMNS = 128, 512
STEP_MM, FIRST_MM = 0.1, -11.0
HALF_ARC_DEG = 62.0


def unwrap(photo: Photo, pose: Pose, first_mm: float = FIRST_MM, columns: int = COLUMNS) -> Strip:
    """Resample the pipe's cylinder on a grid around the mouth guess of the pose, from `first_mm` before it."""
    angles = np.radians(np.linspace(-HALF_ARC_DEG, HALF_ARC_DEG, ROWS))
    along = first_mm + STEP_MM * np.arange(columns, dtype=np.float64)
    at = geometry.cylinder_px(pose.pipe, pose.mouth_mm + along, angles, photo.camera)
    (x, y), (width, height) = np.moveaxis(at, -1, 0), photo.size_px
    seen = (x > -0.5) & (x < width - 0.5) & (y > -0.5) & (y < height - 0.5)
    return Strip(_resample(photo, at, pose.px_per_mm * STEP_MM), first_mm, STEP_MM, angles, seen,
                 at.astype(np.float32))


def _resample(photo: Photo, at: Floats, photo_px_per_cell: float) -> Bytes:
    """Bilinear samples of the part of the photo that is needed, shrunk where a cell covers several pixels."""
    size = np.array(photo.size_px)
    x, y = np.moveaxis(at, -1, 0)
    low = np.clip(np.floor([x.min(), y.min()]).astype(int) - 4, 0, size - 1)
    high = np.clip(np.ceil([x.max(), y.max()]).astype(int) + 5, low + 1, size)
    part = photo.pixels[low[1]:high[1], low[0]:high[0]]
    if photo_px_per_cell > 1.2:
        scale = 1 / photo_px_per_cell
        part = np.asarray(cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    ratio = np.array([part.shape[1], part.shape[0]]) / (high - low)
    local = ((at - low + 0.5) * ratio - 0.5).astype(np.float32)
    flat = cv2.remap(part, local[..., 0], local[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(flat, np.uint8)
