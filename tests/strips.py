"""Flat strips, and what a reader would say of them: for the tests of mouth, mark and read."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vision.networks import STRIP_CLASSES, Reading
from vision.records import Floats, Strip
from vision.resample import FIRST_MM, STEP_MM
from vision.unwrap import COLUMNS, HALF_ARC_DEG, ROWS

ANGLES = np.radians(np.linspace(-HALF_ARC_DEG, HALF_ARC_DEG, ROWS))
ALONG = FIRST_MM + STEP_MM * np.arange(COLUMNS)
PIPE, INK, COLLAR = (190.0, 150.0, 40.0), (25.0, 25.0, 35.0), (150.0, 150.0, 155.0)
OTHERS = {"over": (120.0, 80.0, 60.0), "grease": (60.0, 55.0, 50.0), "dirt": (110.0, 100.0, 60.0),
          "decoy": (150.0, 80.0, 150.0)}


@dataclass(frozen=True)
class Stroke:
    """A line round the pipe: from `at_mm` to `at_mm + width_mm`, slanted over the sine of the angle.

    share: how sure the reader is that it is ink.  arc_deg: the part of the rows that carries it.
    uneven_mm: by how much the far edge wavers, as a hand's does.  color: of the ink.
    """

    at_mm: float
    width_mm: float = 2.0
    slant_mm: float = 0.0
    arc_deg: tuple[float, float] = (-90.0, 90.0)
    share: float = 0.97
    uneven_mm: float = 0.0
    color: tuple[float, float, float] = INK

    def near_mm(self) -> Floats:
        return self.at_mm + self.slant_mm * np.sin(ANGLES)

    def far_mm(self) -> Floats:
        return self.near_mm() + self.width_mm + self.uneven_mm * np.sqrt(2) * np.sin(9 * ANGLES)

    @property
    def rows(self) -> NDArray[np.bool_]:
        low, high = np.radians(self.arc_deg)
        return (low <= ANGLES) & (high >= ANGLES)


@dataclass(frozen=True)
class Painted:
    """A strip to be made.  mouth_mm: (rows,) or one number, where the pipe begins; soft_mm: how gradually.

    zones: (class, from_mm, to_mm) patches over all rows.  light: factor on every colour.
    """

    mouth_mm: Floats | float = 0.0
    soft_mm: float = 0.05
    strokes: tuple[Stroke, ...] = ()
    zones: tuple[tuple[str, float, float], ...] = ()
    light: float = 1.0
    noise: float = 2.0
    seen: NDArray[np.bool_] = field(default_factory=lambda: np.ones((ROWS, COLUMNS), bool))

    @property
    def border(self) -> Floats:
        return np.broadcast_to(np.asarray(self.mouth_mm, float), (ROWS,))


def cover(low: Floats, high: Floats) -> Floats:
    """Share of each cell that lies between two places of its row."""
    left, right = ALONG[None] - STEP_MM / 2, ALONG[None] + STEP_MM / 2
    inside = np.minimum(right, high[:, None]) - np.maximum(left, low[:, None])
    return np.clip(inside / STEP_MM, 0, 1)


def make(painted: Painted) -> tuple[Strip, Reading]:
    """The strip's picture, and the answer of a reader that sees it so."""
    beyond = _beyond(painted)
    shares = np.zeros((len(STRIP_CLASSES), ROWS, COLUMNS))
    shares[STRIP_CLASSES.index("pipe")] = beyond
    shares[STRIP_CLASSES.index("collar")] = 1 - beyond
    colours = np.array(COLLAR) + beyond[..., None] * (np.array(PIPE) - np.array(COLLAR))
    for stroke in painted.strokes:
        near = np.maximum(stroke.near_mm(), painted.border)
        ink = cover(near, np.maximum(near, stroke.far_mm())) * stroke.rows[:, None]
        _put(shares, "ink", stroke.share * ink)
        colours += ink[..., None] * (np.array(stroke.color) - colours)
    for name, low, high in painted.zones:
        patch = cover(np.full(ROWS, low), np.full(ROWS, high))
        _put(shares, name, patch)
        colours += patch[..., None] * (np.array(OTHERS[name]) - colours)
    noise = painted.noise * np.random.default_rng(0).standard_normal(colours.shape)
    pixels = np.clip(np.round(painted.light * colours + noise), 0, 255).astype(np.uint8)
    rows, columns = np.indices((ROWS, COLUMNS))
    at = np.stack([100 + columns, 50 + 2 * rows], -1).astype(np.float32)
    strip = Strip(pixels, FIRST_MM, STEP_MM, ANGLES, painted.seen, at)
    shares32, beyond32 = shares.astype(np.float32), beyond.astype(np.float32)
    return strip, Reading(shares32, beyond32, np.repeat(beyond32[None], 4, 0), shares32)


def _beyond(painted: Painted) -> Floats:
    """Probability of lying beyond the mouth: each cell's covered share, softened."""
    away = (ALONG[None] - painted.border[:, None]) / max(painted.soft_mm, 1e-3)
    soft = 1 / (1 + np.exp(-np.clip(away, -50, 50)))
    return soft if painted.soft_mm > 0 else cover(painted.border, np.full(ROWS, 1e3))


def _put(shares: Floats, name: str, patch: Floats) -> None:
    shares *= 1 - patch
    shares[STRIP_CLASSES.index(name)] += patch
