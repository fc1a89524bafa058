"""Whether what passes for the mark was drawn on the picture: a circle, an arrow, a stroke by somebody who meant well.

Ink on a pipe takes part in the pipe's light: it is darker towards the sides, grainy, crossed by reflections.  What an
app draws on a picture is of one colour, and goes on beyond the pipe's sides where a finger went on.
"""

from __future__ import annotations

import numpy as np

from vision import geometry
from vision.lanes import SIGNS, beside_mm
from vision.records import Axis, Edge, Floats, Photo, Pose, Refusal, Strip
from vision.resample import resample

# What tells them apart was set on 370 lines of rendered photos and 38 strokes drawn on the photos kept out that had a
# joint called something; DEVELOPERS.md, "Drawn on the picture".
_ALIKE = 4.0  # 8-bit numbers: as near to the line's own colour as compression leaves what was drawn
_EVEN, _RATHER, _SOMEWHAT = 0.7, 0.55, 0.25  # share of a line's cells that are so
_BURNT, _DARK = 246.0, 30.0  # lighter than this any line is even, and darker where the pipe is dark as well
_LIT = 70.0  # median of the strongest colour of what is not dark
_LEAST_ROWS = 30
_VIVID = 150.0  # apart lie the strongest and the weakest of a line's three colours: purer than paint in daylight
_BESIDE = np.linspace(1.06, 1.3, 10)  # half widths from the axis: ground, beside the pipe
_REACH_MM, _STEP_MM = 10.0, 0.1
_NEAR_MM = 7.0  # of the line's end: what is straight in the picture is none about the pipe
_SAME, _OTHER = 36.0, 60.0
_MOST_SAME = 5.5  # mm of a lane in the line's colour: more of it is ground, no stroke
_GOES_ON = 0.7  # of the lanes beside one side


def overdrawn(photo: Photo, pose: Pose, strip: Strip, near: Edge, width_mm: float) -> Refusal | None:
    """Refuse with `drawn-over` a line that nobody drew on the pipe; None for what may be ink.

    near: the line's near edge.  width_mm: how wide it is.
    """
    cells = _inner(strip, near, width_mm)
    if len(cells) == 0:
        return None
    colour = np.median(cells, axis=0)
    even = float((np.abs(cells - colour).max(1) <= _ALIKE).mean())
    lit = float(np.median(strip.pixels[strip.seen].max(1))) >= _LIT
    if _of_one_colour(colour, even, len(near.at_mm), lit):
        return Refusal("read", "drawn-over", f"{even:.0%} of it is of one colour, whatever light falls on the pipe")
    if any(_goes_on(photo, pose.pipe, pose.mouth_mm + at, colour, sign) for at, sign in _ends(near, width_mm)):
        return Refusal("read", "drawn-over", "it goes on beside the pipe")
    return None


def _inner(strip: Strip, near: Edge, width_mm: float) -> Floats:
    """(n, 3) colours of the cells in the inner half of a line."""
    rows = np.searchsorted(strip.angles_rad, near.angles_rad)
    middle = near.at_mm + width_mm / 2
    inside = np.abs(strip.along_mm[None] - middle[:, None]) <= max(width_mm / 4, strip.step_mm / 2)
    return np.asarray(strip.pixels[rows][inside & strip.seen[rows]], float)


def _of_one_colour(colour: Floats, even: float, rows: int, lit: bool) -> bool:
    """Whether a line is more even than light on a pipe lets it be, or purer than ink is; lit: the pipe is."""
    if np.ptp(colour) >= _VIVID and even > (_SOMEWHAT if colour.max() < _BURNT else _RATHER):
        return True
    return bool(even >= _EVEN and rows >= _LEAST_ROWS and colour.min() < _BURNT and (lit or colour.max() > _DARK))


def _ends(near: Edge, width_mm: float) -> tuple[tuple[float, int], ...]:
    """Where a line's middle comes to either side of the pipe, by the sign of that side."""
    first, last = (float(near.at_mm[end]) + width_mm / 2 for end in (0, -1))
    return (first, SIGNS[0]), (last, SIGNS[1])


def _goes_on(photo: Photo, axis: Axis, at_mm: float, colour: Floats, sign: int) -> bool:
    """Whether a stroke of a colour goes on beside the pipe at one side, about a place along its axis."""
    along = at_mm + np.arange(-_REACH_MM, _REACH_MM, _STEP_MM)
    at_px = geometry.project(beside_mm(axis, sign * _BESIDE, along), photo.camera)
    lanes = np.asarray(resample(photo, at_px, 1.0), float)
    same = np.abs(lanes - colour).max(2) <= _SAME
    ground = np.abs(np.median(lanes, axis=1) - colour).max(1) > _OTHER
    here = same & (np.abs(along - at_mm) < _NEAR_MM)
    return bool((here.any(1) & ground & (same.sum(1) * _STEP_MM < _MOST_SAME)).mean() >= _GOES_ON)
