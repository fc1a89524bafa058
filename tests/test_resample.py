"""A photo's colours on a grid: averaged where the photo is finer, in place, and black outside."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.measure import block_reduce

from calibration.camera import Camera
from vision.records import Bytes, Photo
from vision.resample import resample, shrunk


def noise(height: int, width: int) -> Bytes:
    return np.random.default_rng(5).integers(0, 256, (height, width, 3)).astype(np.uint8)


@pytest.mark.parametrize("many", range(1, 9))
def test_shrinking_takes_the_mean_of_every_block(many: int) -> None:
    """Against scikit-image's block means; each halving rounds to a whole grey level anew."""
    pixels = noise(83, 118)
    whole = pixels[:83 // many * many, :118 // many * many].astype(float)
    expected = block_reduce(whole, (many, many, 1), np.mean)
    halvings = next(power for power in range(8) if many % 2 ** (power + 1))
    got = shrunk(pixels, many)
    assert got.shape == expected.shape
    assert np.abs(got - expected).max() <= 0.5 * (halvings + 1)


def ramps(height: int, width: int) -> tuple[Photo, NDArray[np.float64]]:
    """A photo whose red tells the column and whose green the row, and both as numbers."""
    y, x = np.mgrid[:height, :width]
    pixels = np.stack([x / 2, y / 2, 0 * x], -1)
    return Photo(np.round(pixels).astype(np.uint8), Camera(500.0, (width / 2, height / 2))), pixels


@pytest.mark.parametrize("photo_px_per_cell", [0.7, 1.0, 2.3, 3.5, 4.0, 6.2])
def test_every_cell_shows_its_own_place(photo_px_per_cell: float) -> None:
    photo, _ = ramps(300, 400)
    at = np.stack(np.meshgrid(np.arange(60, 340, photo_px_per_cell), np.arange(50, 240, photo_px_per_cell)), -1)
    told = resample(photo, at, photo_px_per_cell)
    assert np.abs(told[..., :2] - at / 2).max() < 1.3


def test_outside_the_photo_it_is_black() -> None:
    photo = Photo(np.full((90, 120, 3), 200, np.uint8), Camera(500.0, (60.0, 45.0)))
    at = np.stack(np.meshgrid(np.arange(-40.0, 160.0), np.arange(20.0, 40.0)), -1)
    told = resample(photo, at, 1.0)
    assert (told[:, :38] == 0).all()
    assert (told[:, 42:158] == 200).all()
    assert (told[:, 162:] == 0).all()
