"""The photo's colours on a grid of places: a part of the stages that lay something out flat."""

from __future__ import annotations

import cv2
import numpy as np

from vision.records import Bytes, Floats, Photo

# Along the pipe, from the pose's guess of the mouth: where all that is laid flat or straightened begins, and its step.
FIRST_MM, STEP_MM = -11.0, 0.1


def resample(photo: Photo, at_px: Floats, photo_px_per_cell: float) -> Bytes:
    """Bilinear samples (rows, columns, 3) at pixels (rows, columns, 2) of the stored photo; black outside it.

    A photo finer than the cells is averaged down first, by a whole number, so that nothing aliases.
    """
    many = max(1, int(photo_px_per_cell))
    size = np.array(photo.size_px)
    x, y = np.moveaxis(at_px, -1, 0)
    low = np.clip(np.floor([x.min(), y.min()]).astype(int) - max(4, many), 0, size - 1)
    high = np.clip(np.ceil([x.max(), y.max()]).astype(int) + 3 + 2 * many, low + 1, size)
    if many > 1 and (high - low).min() >= many:
        high = low + (high - low) // many * many
        part = shrunk(photo.pixels[low[1]:high[1], low[0]:high[0]], many)
    else:
        many, part = 1, photo.pixels[low[1]:high[1], low[0]:high[0]]
    to_part = np.column_stack([np.eye(2) / many, (0.5 - low) / many - 0.5])
    local = cv2.transform(at_px, to_part).astype(np.float32)
    flat = cv2.remap(part, local[..., 0], local[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(flat, np.uint8)


def shrunk(pixels: Bytes, many: int) -> Bytes:
    """Each `many` by `many` pixels averaged to one; what is left over at right and below is left off."""
    height, width = pixels.shape[0] // many, pixels.shape[1] // many
    part = pixels[:height * many, :width * many]
    while many % 2 == 0:  # halving is several times as quick as anything else
        part, many = _averaged(part, (part.shape[1] // 2, part.shape[0] // 2)), many // 2
    return part if many == 1 else _averaged(part, (width, height))


def _averaged(pixels: Bytes, size: tuple[int, int]) -> Bytes:
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
