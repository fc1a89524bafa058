"""The photo's colours on a grid of places: a part of the stages that lay something out flat."""

from __future__ import annotations

import cv2
import numpy as np

from vision.records import Bytes, Floats, Photo

_FINE_PX = 1.2  # photo pixels a cell from which the photo is averaged down first, so that nothing aliases


def resample(photo: Photo, at_px: Floats, photo_px_per_cell: float) -> Bytes:
    """Bilinear samples (rows, columns, 3) at pixels (rows, columns, 2) of the stored photo; black outside it."""
    size = np.array(photo.size_px)
    x, y = np.moveaxis(at_px, -1, 0)
    low = np.clip(np.floor([x.min(), y.min()]).astype(int) - 4, 0, size - 1)
    high = np.clip(np.ceil([x.max(), y.max()]).astype(int) + 5, low + 1, size)
    part = photo.pixels[low[1]:high[1], low[0]:high[0]]
    if photo_px_per_cell > _FINE_PX:
        scale = 1 / photo_px_per_cell
        part = np.asarray(cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    ratio = np.array([part.shape[1], part.shape[0]]) / (high - low)
    local = ((at_px - low + 0.5) * ratio - 0.5).astype(np.float32)
    flat = cv2.remap(part, local[..., 0], local[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(flat, np.uint8)
