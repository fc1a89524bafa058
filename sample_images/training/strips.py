"""Training pictures of the reader: strips cut from the close renders with poses as wrong as the chain's.

A strip's cell is a point of the assumed cylinder; its class is that of the pixel it falls on, and whether
it lies beyond the mouth comes from the true geometry of that pixel, also under grease or a hand.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from . import phoneify

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

ROWS, COLUMNS, STEP_MM, FIRST_MM, HALF_DEG = 128, 512, 0.1, -11.0, 62.0
IGNORE = 255
# class of the render -> class of the reader (nets.STRIP_CLASSES)
_MAP = np.full(256, IGNORE, np.uint8)
_MAP[[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11]] = [0, 1, 2, 2, 3, 4, 5, 6, 7, 8, 0, 2]


@dataclass(frozen=True)
class Truth:
    """The true joint in the camera frame of one close render; axis points from the collar to the pipe."""

    matrix: Floats
    mouth_mm: Floats
    axis: Floats
    pipe_radius_mm: float
    collar_radius_mm: float
    lip_radius_mm: float


def _frame(axis: Floats, mouth: Floats) -> tuple[Floats, Floats]:
    """Two directions across the axis: towards the camera, and the third."""
    towards = -mouth - axis * (axis @ -mouth)
    towards /= np.linalg.norm(towards)
    return towards, np.cross(axis, towards)


def cells_px(matrix: Floats, mouth: Floats, axis: Floats, radius_mm: float) -> Floats:
    """Pixels (ROWS, COLUMNS, 2) of the strip's cells on an assumed cylinder."""
    towards, across = _frame(axis, mouth)
    angle = np.radians(np.linspace(-HALF_DEG, HALF_DEG, ROWS))
    along = FIRST_MM + STEP_MM * np.arange(COLUMNS)
    ring = radius_mm * (np.cos(angle)[:, None] * towards + np.sin(angle)[:, None] * across)
    points = mouth + ring[:, None] + along[None, :, None] * axis
    image = points @ matrix.T
    return np.asarray(image[..., :2] / image[..., 2:])


def _meet(rays: Floats, truth: Truth, radius_mm: float) -> tuple[Floats, Floats]:
    """Axial coordinate where rays meet the true cylinder of that radius, and whether they do."""
    flat = rays - (rays @ truth.axis)[..., None] * truth.axis
    start = -truth.mouth_mm + (truth.mouth_mm @ truth.axis) * truth.axis
    a, b = (flat**2).sum(-1), flat @ start
    c = start @ start - radius_mm**2
    root = b**2 - a * c
    depth = (-b - np.sqrt(np.maximum(root, 0))) / a
    return depth * (rays @ truth.axis) - truth.mouth_mm @ truth.axis, root > 0


def beyond_mouth(pixels: Floats, truth: Truth) -> NDArray[np.bool_]:
    """Whether the ideal joint (no grease, no hand) shows pipe beyond the mouth at these pixels."""
    homogeneous = np.concatenate([pixels, np.ones((*pixels.shape[:-1], 1))], -1)
    rays = homogeneous @ np.linalg.inv(truth.matrix).T
    on_pipe, hits = _meet(rays, truth, truth.pipe_radius_mm)
    on_collar, crosses = _meet(rays, truth, truth.collar_radius_mm)
    lean = np.arctan2(on_pipe - on_collar, truth.collar_radius_mm - truth.pipe_radius_mm)
    lean = np.clip(lean, 0, 1.2)
    lip = truth.lip_radius_mm * (1 - np.cos(lean) - np.sin(lean)) / np.cos(lean)
    return hits & (on_pipe > 0) & (~crosses | (on_collar > lip))


def _turned(axis: Floats, mouth: Floats, tilt: float, swing: float) -> Floats:
    towards, across = _frame(axis, mouth)
    turned = axis + np.tan(tilt) * towards + np.tan(swing) * across
    return np.asarray(turned / np.linalg.norm(turned))


def sample(rgb: Bytes, classes: Bytes, truth: Truth, rng: Generator) -> tuple[Bytes, Bytes, Bytes]:
    """One strip (ROWS, COLUMNS, 3), its classes, and its beyond-mouth map (255 where unknown)."""
    native = truth.matrix[0, 0] / np.linalg.norm(truth.mouth_mm)  # px per mm
    wanted = float(np.exp(rng.uniform(np.log(1.8), np.log(14.0))))
    factor = min(1.0, wanted / native)
    small = cv2.resize(rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA) if factor < 1 else rgb
    scale = np.array([small.shape[1] / rgb.shape[1], small.shape[0] / rgb.shape[0]])
    small = phoneify.process(
        phoneify.recolour(small, rng), rng, most_blur_px=max(1.0, 0.25 * native * factor)
    )
    tilt, swing = np.radians(rng.normal(0, 2.0)), np.radians(rng.normal(0, 0.7))
    axis = _turned(truth.axis, truth.mouth_mm, tilt, swing)
    towards, across = _frame(axis, truth.mouth_mm)
    mouth = (
        truth.mouth_mm
        + axis * rng.uniform(-3.5, 3.5)
        + across * rng.normal(0, 0.5)
        + towards * rng.normal(0, 0.5)
    )
    pixels = cells_px(truth.matrix, mouth, axis, truth.pipe_radius_mm * float(np.exp(rng.normal(0, 0.015))))
    inside = ((pixels > -0.5) & (pixels < np.array(rgb.shape[1::-1]) - 0.5)).all(-1)
    at = ((pixels + 0.5) * scale - 0.5).astype(np.float32)
    strip = cv2.remap(small, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    near = np.round(pixels).astype(int)
    near = np.clip(near, 0, np.array(rgb.shape[1::-1]) - 1)
    target = np.where(inside, _MAP[classes[near[..., 1], near[..., 0]]], IGNORE).astype(np.uint8)
    beyond = np.where(inside, beyond_mouth(pixels, truth), IGNORE).astype(np.uint8)
    if rng.random() < 0.5:
        strip, target, beyond = strip[::-1], target[::-1], beyond[::-1]
    return np.ascontiguousarray(strip), np.ascontiguousarray(target), np.ascontiguousarray(beyond)
