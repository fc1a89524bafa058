"""Training pictures of the finder: whole frames, turned, scaled, shifted and processed at random."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from . import phoneify

Bytes = NDArray[np.uint8]

WIDTH, HEIGHT = 640, 480
IGNORE = 255
# class of the render -> class of the finder (nets.FINDER_CLASSES)
_MAP = np.full(256, IGNORE, np.uint8)
_MAP[[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11]] = [0, 1, 2, 3, 4, 1, 1, 1, 1, 5, 0, 2]


def sample(rgb: Bytes, classes: Bytes, rng: Generator) -> tuple[Bytes, Bytes]:
    """One (480, 640, 3) picture and its (480, 640) classes; what lies outside the render is ignored.

    Half of the pictures keep the whole frame; the others look closer, as the second look does.
    """
    height, width = classes.shape
    joint = np.isin(classes, (1, 2, 4))
    fit = max(WIDTH / width, HEIGHT / height) if rng.random() < 0.5 else min(WIDTH / width, HEIGHT / height)
    zoom = fit * float(np.exp(rng.normal(0, 0.12)))
    centre = np.array([width / 2, height / 2])
    if rng.random() < 0.45 and joint.any():
        ys, xs = np.nonzero(np.isin(classes, (2, 3)) if (classes == 2).any() else joint)
        pick = rng.integers(len(xs))
        centre = np.array([xs[pick], ys[pick]], float)
        extent = max(30.0, float(np.sqrt((classes == 2).sum() or joint.sum())))
        zoom = float(rng.uniform(90, 300)) / extent
    turn = float(rng.uniform(0, 360)) if rng.random() < 0.6 else float(rng.choice([0, 90, 180, 270]))
    warp = cv2.getRotationMatrix2D((float(centre[0]), float(centre[1])), turn, zoom)
    warp[:, 2] += np.array([WIDTH / 2, HEIGHT / 2]) - centre + rng.normal(0, 25, 2)
    if rng.random() < 0.5:
        warp[0] = -warp[0]
        warp[0, 2] += WIDTH - 1
    shrink = zoom < 0.9
    source = cv2.GaussianBlur(rgb, (0, 0), 0.4 / zoom) if shrink else rgb
    border = int(rng.integers(3))
    mode = (cv2.BORDER_CONSTANT, cv2.BORDER_REFLECT_101, cv2.BORDER_REPLICATE)[border]
    out = cv2.warpAffine(
        source, warp, (WIDTH, HEIGHT), flags=cv2.INTER_LINEAR, borderMode=mode, borderValue=(0, 0, 0)
    )
    target = cv2.warpAffine(
        _MAP[classes],
        warp,
        (WIDTH, HEIGHT),
        flags=cv2.INTER_NEAREST,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=IGNORE if border else 0,
    )
    out = phoneify.recolour(out, rng)
    return phoneify.process(out, rng, most_blur_px=max(1.2, min(2.5, 1.5 * zoom))), target


def photo_without_joint(rgb: Bytes, rng: Generator) -> tuple[Bytes, Bytes]:
    """A real photo: all background, whatever it shows."""
    out, target = sample(rgb, np.zeros(rgb.shape[:2], np.uint8), rng)
    return out, target
