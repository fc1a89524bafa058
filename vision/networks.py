"""The two networks that look at pictures: shipped weights, run by OpenCV.

`finder` looks at a 640 x 480 picture: what is pipe, collar, other hardware, ink, or lies over them.
`reader` looks at the flat strip: what each cell is, and whether it lies beyond the collar's mouth.
How they were made, on what, and how good they are: DEVELOPERS.md, "The networks".
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

import cv2
import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Shares = NDArray[np.float32]

FINDER_CLASSES = ("background", "pipe", "collar", "hardware", "ink", "over")
STRIP_CLASSES = ("off", "pipe", "collar", "ink", "decoy", "print", "dirt", "grease", "over")
FINDER_SIZE_PX = (640, 480)


@lru_cache(maxsize=2)
def _network(name: str) -> cv2.dnn.Net:
    weights = resources.files("vision").joinpath("weights", f"{name}.onnx").read_bytes()
    return cv2.dnn.readNetFromONNX(np.frombuffer(weights, np.uint8))


def _logits(name: str, rgb: Bytes) -> Shares:
    blob = rgb.transpose(2, 0, 1)[None].astype(np.float32)
    network = _network(name)
    network.setInput(blob)
    return np.asarray(network.forward()[0], np.float32)


def _softmax(logits: Shares) -> Shares:
    powers = np.exp(logits - logits.max(0))
    return np.asarray(powers / powers.sum(0), np.float32)


def find(rgb: Bytes) -> Shares:
    """Class probabilities (6, 480, 640) of a (480, 640, 3) picture, in the order of FINDER_CLASSES."""
    return _softmax(_logits("finder", rgb))


@dataclass(frozen=True)
class Reading:
    """What the reader says of a strip.

    shares: (9, rows, cols) class probabilities.  beyond: (rows, cols) probability of lying beyond the mouth;
    views: (4, rows, cols) the same from each view that `beyond` is the mean of.
    """

    shares: Shares
    beyond: Shares
    views: Shares


def read(rgb: Bytes) -> Reading:
    """Read a (128, 512, 3) strip.

    It is read four times, mirrored round the pipe, lighter and darker, and the answers averaged: what is true
    of a joint does not change with them, and a guess does.  The last strip's reading is kept: squaring the
    axis and measuring the gap ask for the same one.
    """
    return _read(rgb.tobytes(), rgb.shape)


@lru_cache(maxsize=1)
def _read(pixels: bytes, shape: tuple[int, ...]) -> Reading:
    rgb = np.frombuffer(pixels, np.uint8).reshape(shape)
    shares, views = [], []
    for mirrored, table in zip((False, True, False, True), _EXPOSURES, strict=True):
        view = cv2.LUT(rgb, table)
        logits = _logits("reader", np.ascontiguousarray(view[::-1] if mirrored else view))
        turned = logits[:, ::-1] if mirrored else logits
        shares.append(_softmax(turned[:-1]))
        views.append(np.asarray(1 / (1 + np.exp(-turned[-1])), np.float32))
    beyond = np.stack(views)
    return Reading(np.mean(shares, axis=0), beyond.mean(0), beyond)


def _exposure(gamma: float) -> Bytes:
    return np.round(255 * (np.arange(256) / 255) ** gamma).astype(np.uint8)


_EXPOSURES = tuple(_exposure(gamma) for gamma in (1.0, 1.0, 0.65, 1.5))
