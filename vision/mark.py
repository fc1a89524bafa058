"""Ink on the flat strip: lines round the pipe, each with its edges row by row.  Part of the stage `read`.

A depth mark is ink on part of the rows, nearly upright on the strip, hand-drawn: ragged, faded, askew.  The
reader says which cells are ink; a line is found as the course (place and slant) that collects the most ink,
then its two edges are measured on the photo's own colours.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.records import Floats, Strip

_SLANTS_MM = np.linspace(-2.8, 2.8, 15)  # over sin(angle) = 1
_BOX_MM = 1.0
_REACH_MM = 1.6
_LEAST_ROWS = 7
_EDGE_WINDOW_MM = 0.5
_INSIDE_MM = 0.15  # how far before the visible pipe ink may seem to begin: blur


@dataclass(frozen=True)
class Line:
    """One line of ink.  near_mm, far_mm: (rows,) edges, NaN where the row has no ink of it.

    share: mean ink probability within it.  contrast: distance of its colour from the bare pipe beside it,
    in units of the pipe's own scatter.
    """

    near_mm: Floats
    far_mm: Floats
    share: float
    contrast: float

    @property
    def rows(self) -> NDArray[np.bool_]:
        """Rows in which the line was read."""
        return np.isfinite(self.near_mm)

    @property
    def uneven_mm(self) -> float:
        """Standard deviation of the width along the line: hands draw unevenly."""
        return float(np.nanstd(self.far_mm - self.near_mm))

    @property
    def width_mm(self) -> float:
        """Median width."""
        return float(np.nanmedian(self.far_mm - self.near_mm))


def find_lines(strip: Strip, ink: NDArray[np.float32], pipe: NDArray[np.float32], start_mm: Floats,
               most: int = 3) -> list[Line]:
    """Lines of ink beyond the mouth, the one with most ink first.

    ink, pipe: (rows, cols) probabilities.  start_mm: (rows,) where pipe begins to be seen.
    """
    along: Floats = strip.first_mm + strip.step_mm * np.arange(ink.shape[1], dtype=np.float64)
    beyond = strip.seen & (along[None] > start_mm[:, None] - _INSIDE_MM)
    left = _smoothed(np.where(beyond, ink, 0).astype(np.float32))
    lines: list[Line] = []
    for _ in range(most + 2):
        course = _best_course(strip, left)
        if course is None:
            break
        near, far = _extent(left, course, along)
        taken = (along[None] >= course[:, None] - _REACH_MM) & (along[None] <= course[:, None] + _REACH_MM)
        rows = np.isfinite(near)
        if rows.sum() >= _LEAST_ROWS:
            cells = (along[None] >= near[:, None]) & (along[None] <= far[:, None])
            share = float(ink[cells].mean())
            near, far, contrast = _measured(strip, cells, pipe, near, far, along)
            lines.append(Line(near, far, share, contrast))
            taken |= cv2.dilate(cells.astype(np.uint8), np.ones((3, 9), np.uint8)) > 0
        left = np.where(taken, 0, left)
        if len(lines) == most:
            break
    return lines


def _smoothed(ink: NDArray[np.float32]) -> NDArray[np.float32]:
    """Averaged over neighbouring rows: ink goes on round the pipe, a speck does not."""
    return np.asarray(cv2.GaussianBlur(ink, (1, 5), 0.01, sigmaY=1.0), np.float32)


def _best_course(strip: Strip, ink: NDArray[np.float32]) -> Floats | None:
    """Axial place by row of the slanted course that collects most ink, or None where there is hardly any."""
    box = max(1, round(_BOX_MM / strip.step_mm))
    best, answer = 0.0, None
    smooth = cv2.blur(ink, (box, 1))
    for slant in _SLANTS_MM:
        shift = np.round(slant * np.sin(strip.angles_rad) / strip.step_mm).astype(int)
        columns = np.clip(np.arange(ink.shape[1])[None] + shift[:, None], 0, ink.shape[1] - 1)
        total = np.take_along_axis(smooth, columns, axis=1).sum(0)
        top = int(total.argmax())
        value = float(total[top]) * (1 - 0.02 * abs(slant))
        if value > best:
            best = value
            answer = strip.first_mm + strip.step_mm * top + slant * np.sin(strip.angles_rad)
    return answer if best > 0.35 * _LEAST_ROWS else None


def _extent(ink: NDArray[np.float32], course: Floats, along: Floats) -> tuple[Floats, Floats]:
    """First and last cell border of the ink on the course, by row; NaN where there is none."""
    near, far = np.full(len(course), np.nan), np.full(len(course), np.nan)
    step = along[1] - along[0]
    for row, place in enumerate(course):
        there = ink[row] > 0.5
        window = np.abs(along - place) <= _REACH_MM
        hit = np.nonzero(there & window)[0]
        if len(hit) == 0:
            continue
        middle = hit[np.argmin(np.abs(along[hit] - place))]
        first = last = int(middle)
        while first > 0 and there[max(0, first - 2):first].any():
            first -= 1
        while last < len(along) - 1 and there[last + 1:last + 3].any():
            last += 1
        near[row] = _crossing(ink[row], along, first, -1, step)
        far[row] = _crossing(ink[row], along, last, +1, step)
    return near, far


def _crossing(values: NDArray[np.float32], along: Floats, cell: int, way: int, step: float) -> float:
    """Where the probability falls through a half just outside a cell, between cell centres."""
    other = cell + way
    if not 0 <= other < len(values):
        return float(along[cell])
    inner, outer = float(values[cell]), float(values[other])
    part = (inner - 0.5) / max(inner - outer, 1e-6)
    return float(along[cell] + way * step * np.clip(part, 0.0, 1.0))


def _measured(strip: Strip, cells: NDArray[np.bool_], pipe: NDArray[np.float32], near: Floats, far: Floats,
              along: Floats) -> tuple[Floats, Floats, float]:
    """Edges moved onto the photo's own colours where they show there, and the line's contrast.

    The colours are projected on the direction from bare pipe to ink; an edge is where that profile crosses
    half way, within half a millimetre of the reader's edge.
    """
    beside = (pipe > 0.5) & (np.abs(along[None] - 0.5 * (near + far)[:, None]) < 4.0) & strip.seen
    if beside.sum() < 40 or cells.sum() < 20:
        return near, far, 0.0
    colours = strip.pixels.astype(np.float64)
    ink_rgb, pipe_rgb = np.median(colours[cells], axis=0), np.median(colours[beside], axis=0)
    way = ink_rgb - pipe_rgb
    size = float(way @ way)
    scatter = (colours[beside] - pipe_rgb) @ way / max(np.sqrt(size), 1e-9)
    noise = max(1.5, float(1.483 * np.median(np.abs(scatter))))
    contrast = float(np.sqrt(size)) / noise
    if contrast < 2.0:
        return near, far, contrast
    share = ((colours - pipe_rgb) @ way / size).astype(np.float32)
    profile = np.asarray(cv2.GaussianBlur(share, (5, 5), 1.0), np.float32)
    return _halfway(profile, near, along, +1), _halfway(profile, far, along, -1), contrast


def _halfway(profile: NDArray[np.float32], edges: Floats, along: Floats, rises: int) -> Floats:
    """Crossing of one half nearest to each edge; the edge as it was where none is near."""
    step = along[1] - along[0]
    out = edges.copy()
    for row in np.nonzero(np.isfinite(edges))[0]:
        low = int(max(0, np.floor((edges[row] - _EDGE_WINDOW_MM - along[0]) / step)))
        high = int(min(len(along) - 1, np.ceil((edges[row] + _EDGE_WINDOW_MM - along[0]) / step)))
        values = (profile[row, low:high + 1] - 0.5) * rises
        cross = np.nonzero((values[:-1] < 0) & (values[1:] >= 0))[0]
        if len(cross):
            places = along[low + cross] + step * values[cross] / (values[cross] - values[cross + 1])
            out[row] = places[np.argmin(np.abs(places - edges[row]))]
    return out
