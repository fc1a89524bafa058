"""Ink on the flat strip: lines round the pipe, each with its edges row by row.  Part of the stages `read` and `depth`.

A depth mark is ink on part of the rows, nearly upright on the strip, hand-drawn: ragged, faded, askew.  The
reader says which cells are ink; a line is found as the course (place and slant) that collects the most ink,
then its two edges are measured on the photo's own colours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.networks import STRIP_CLASSES
from vision.records import Floats, Strip

_INK, _DECOY, _PIPE = (STRIP_CLASSES.index(name) for name in ("ink", "decoy", "pipe"))
LEAST_ARC_DEG = 9.0  # of the girth that the rows of a line cover: less is passed over
MARK_BIAS_MM = 0.08  # how far a whole edge of a mark may be read off
_SLANTS_MM = np.linspace(-2.8, 2.8, 15)  # over sin(angle) = 1
_BOX_MM = 1.0
_REACH_MM = 1.6
_LEAST_ROWS = 7
_FEW_ROWS, _USUAL_SCATTER_MM = 5, 0.3
_EDGE_WINDOW_MM = 0.5
_HARDLY = 0.02  # mean ink probability of a box: less adds nothing to a course
_LEAST_CONTRAST = 2.0  # of the pipe's own scatter: a line that stands out by less keeps the edges its reader saw
_OTHER_WAY = 0.3  # of the line's own contrast: a row that differs so much from the pipe against it is no part of it
_CODES = np.arange(256) / 255
# Light of each 8-bit number of a photo in sRGB, of white's (IEC 61966-2-1, 5.2).
_LIGHT: Floats = np.where(_CODES <= 0.04045, _CODES / 12.92, ((_CODES + 0.055) / 1.055) ** 2.4)
_INSIDE_MM = 0.15  # how far before the visible pipe ink may seem to begin: blur


@dataclass(frozen=True)
class Line:
    """One line of ink.  near_mm, far_mm: (rows,) edges, NaN where the row has no ink of it.

    share: mean ink probability within it.  mixed: share of its rows that differ from the pipe the other way: ink is of
    one colour, a gasket beside ink is not.  rgb, pipe_rgb: its colour and the bare pipe's; None where too little of
    either shows.
    """

    near_mm: Floats
    far_mm: Floats
    share: float
    mixed: float = 0.0
    rgb: Floats | None = None
    pipe_rgb: Floats | None = None

    @property
    def rows(self) -> NDArray[np.bool_]:
        """Rows in which the line was read."""
        return np.isfinite(self.near_mm)

    @property
    def begins_mm(self) -> float:
        """Median of its near edge."""
        return float(np.nanmedian(self.near_mm))

    def arc_deg(self, angles_rad: Floats) -> float:
        """How much of the pipe's girth its rows cover, of a strip with such angles."""
        return float(np.degrees(angles_rad[1] - angles_rad[0]) * self.rows.sum())

    def opposed(self, rgb: Floats | None) -> bool:
        """Whether a colour differs from the bare pipe's the other way than this line's does."""
        if rgb is None or self.rgb is None or self.pipe_rgb is None:
            return False
        return float((rgb - self.pipe_rgb) @ (self.rgb - self.pipe_rgb)) < 0

    @property
    def width_mm(self) -> float:
        """Median width."""
        return float(np.nanmedian(self.far_mm - self.near_mm))


def find_lines(strip: Strip, shares: NDArray[np.float32], start_mm: Floats, most: int = 3) -> list[Line]:
    """Lines of ink beyond the mouth, the one with most ink first.

    shares: (classes, rows, cols) probabilities.  start_mm: (rows,) where pipe begins to be seen.
    A line goes as far as ink or a look-alike does: of a stroke that is taken for both, the edge is not inside it.
    """
    ink, decoy, pipe = shares[_INK], shares[_DECOY], shares[_PIPE]
    along = strip.along_mm
    beyond = strip.seen & (along[None] > start_mm[:, None] - _INSIDE_MM)
    left = _smoothed(np.where(beyond, ink, 0).astype(np.float32))
    either = _smoothed(np.where(beyond, ink + decoy, 0).astype(np.float32))
    lines: list[Line] = []
    for _ in range(most + 2):
        course = _best_course(strip, left)
        if course is None:
            break
        near, far = _extent(left, either, course, along)
        taken = (along[None] >= course[:, None] - _REACH_MM) & (along[None] <= course[:, None] + _REACH_MM)
        rows = np.isfinite(near)
        if rows.sum() >= _LEAST_ROWS:
            cells = (along[None] >= near[:, None]) & (along[None] <= far[:, None])
            share = float(ink[cells].mean())
            lines.append(_measured(strip, cells, pipe, Line(near, far, share), along))
            taken |= cv2.dilate(cells.astype(np.uint8), np.ones((3, 9), np.uint8)) > 0
        left, either = np.where(taken, 0, left), np.where(taken, 0, either)
        if len(lines) == most:
            break
    return lines


def scatter_mm(angles_rad: Floats, values_mm: Floats) -> float:
    """Robust scatter of an edge's rows about its straight course; a usual one where they are too few to tell."""
    if len(values_mm) < _FEW_ROWS:
        return _USUAL_SCATTER_MM
    turn = np.sin(angles_rad)
    rest = values_mm - np.polyval(np.polyfit(turn, values_mm, 1), turn)
    return float(1.483 * np.median(np.abs(rest - np.median(rest))))


def _smoothed(ink: NDArray[np.float32]) -> NDArray[np.float32]:
    """Averaged over neighbouring rows: ink goes on round the pipe, a speck does not."""
    return np.asarray(cv2.GaussianBlur(ink, (1, 5), 0.01, sigmaY=1.0), np.float32)


def _best_course(strip: Strip, ink: NDArray[np.float32]) -> Floats | None:
    """Axial place by row of the slanted course that collects most ink, or None where there is hardly any."""
    box = max(1, round(_BOX_MM / strip.step_mm))
    smooth = np.asarray(cv2.blur(ink, (box, 1)), np.float32)
    first, last = _inked(smooth, round(float(np.abs(_SLANTS_MM).max()) / strip.step_mm))
    best, answer = 0.0, None
    for slant in _SLANTS_MM:
        shift = np.round(slant * np.sin(strip.angles_rad) / strip.step_mm).astype(int)
        columns = np.clip(np.arange(first, last)[None] + shift[:, None], 0, ink.shape[1] - 1)
        total = np.take_along_axis(smooth, columns, axis=1).sum(0)
        top = int(total.argmax())
        value = float(total[top]) * (1 - 0.02 * abs(slant))
        if value > best:
            best = value
            answer = strip.first_mm + strip.step_mm * (first + top) + slant * np.sin(strip.angles_rad)
    return answer if best > 0.35 * _LEAST_ROWS else None


def _inked(smooth: NDArray[np.float32], margin: int) -> tuple[int, int]:
    """The columns beyond which a course, slanted by up to `margin` columns, meets hardly any ink."""
    there = np.nonzero(smooth.max(0) > _HARDLY)[0]
    if len(there) == 0:
        return 0, 1
    return max(0, int(there[0]) - margin), min(smooth.shape[1], int(there[-1]) + margin + 1)


def _extent(ink: NDArray[np.float32], either: NDArray[np.float32], course: Floats,
            along: Floats) -> tuple[Floats, Floats]:
    """First and last cell border of the line on the course, by row; NaN where there is no ink.

    Of each row the run of line about the ink nearest to the course; a gap of one cell doesn't end it.
    """
    inked, there = ink > 0.5, either > 0.5
    closed = there.copy()
    closed[:, 1:-1] |= there[:, :-2] & there[:, 2:]
    columns = np.arange(ink.shape[1])
    far = np.where(inked, np.abs(along[None] - course[:, None]), np.inf)
    middle, rows = far.argmin(1), np.arange(len(course))
    hit = far[rows, middle] <= _REACH_MM
    before = np.maximum.accumulate(np.where(closed, -1, columns), axis=1)[rows, middle]
    behind = np.minimum.accumulate(np.where(closed, len(columns), columns)[:, ::-1], axis=1)[:, ::-1][rows, middle]
    near, end = (_crossing(either, along, cells, way) for cells, way in ((before + 1, -1), (behind - 1, +1)))
    return np.where(hit, near, np.nan), np.where(hit, end, np.nan)


def _crossing(values: NDArray[np.float32], along: Floats, cells: NDArray[np.int_], way: int) -> Floats:
    """Where each row's probability falls through a half just outside a cell, between cell centres."""
    cells = np.clip(cells, 0, len(along) - 1)
    others, rows = np.clip(cells + way, 0, len(along) - 1), np.arange(len(cells))
    inner, outer = (values[rows, at].astype(np.float64) for at in (cells, others))
    part = np.clip((inner - 0.5) / np.maximum(inner - outer, 1e-6), 0.0, 1.0)
    step = along[1] - along[0]
    return np.asarray(along[cells] + np.where(others == cells, 0.0, way * step * part))


def _measured(strip: Strip, cells: NDArray[np.bool_], pipe: NDArray[np.float32], line: Line, along: Floats) -> Line:
    """The line with its edges moved onto the photo's own colours where they show there, and its colour.

    An edge is where half the pipe is covered with ink, within half a millimetre of the reader's edge.
    """
    near, far = line.near_mm, line.far_mm
    beside = (pipe > 0.5) & (np.abs(along[None] - 0.5 * (near + far)[:, None]) < 4.0) & strip.seen
    if beside.sum() < 40 or cells.sum() < 20:
        return line
    colours = strip.pixels.astype(np.float64)
    ink_rgb, pipe_rgb = np.median(colours[cells], axis=0), np.median(colours[beside], axis=0)
    way = ink_rgb - pipe_rgb
    size = float(way @ way)
    scatter = (colours[beside] - pipe_rgb) @ way / max(np.sqrt(size), 1e-9)
    noise = max(1.5, float(1.483 * np.median(np.abs(scatter))))
    line = replace(line, rgb=ink_rgb, pipe_rgb=pipe_rgb)
    if float(np.sqrt(size)) < _LEAST_CONTRAST * noise:
        return line
    share = ((colours - pipe_rgb) @ way / size).astype(np.float32)
    profile = np.asarray(cv2.GaussianBlur(_cover(strip, ink_rgb, pipe_rgb), (5, 5), 1.0), np.float32)
    by_row = np.where(cells, share, 0).sum(1)[line.rows] / np.maximum(cells.sum(1)[line.rows], 1)
    return replace(line, near_mm=_halfway(profile, near, along, +1), far_mm=_halfway(profile, far, along, -1),
                   mixed=float((by_row < -_OTHER_WAY).mean()))


def light(rgb: Floats) -> Floats:
    """Light of a photo's numbers, 0 to 255, in shares of white's."""
    return np.interp(rgb, np.arange(256), _LIGHT)


def _cover(strip: Strip, ink_rgb: Floats, pipe_rgb: Floats) -> NDArray[np.float32]:
    """Share of each cell, 0 to 1 and beyond, that is ink rather than bare pipe.

    Blur and ink that covers a part mix light, and a photo's numbers are a root of it: half way between them a light
    line is too wide and a dark one too narrow.  So it is asked of the light.
    """
    ink, pipe = light(ink_rgb), light(pipe_rgb)
    way = ink - pipe
    return np.asarray((_LIGHT[strip.pixels] - pipe) @ way / max(float(way @ way), 1e-12), np.float32)


def _halfway(profile: NDArray[np.float32], edges: Floats, along: Floats, rises: int) -> Floats:
    """Crossing of one half nearest to each edge; the edge as it was where none is near."""
    step, out = along[1] - along[0], edges.copy()
    rows = np.nonzero(np.isfinite(edges))[0]
    low = np.maximum(0, np.floor((edges[rows] - _EDGE_WINDOW_MM - along[0]) / step)).astype(int)
    high = np.minimum(len(along) - 1, np.ceil((edges[rows] + _EDGE_WINDOW_MM - along[0]) / step)).astype(int)
    left = low[:, None] + np.arange(int((high - low).max(initial=1)))
    known = left < high[:, None]
    left = np.minimum(left, len(along) - 2)
    before, after = ((profile[rows[:, None], left + k] - 0.5) * rises for k in (0, 1))
    known &= (before < 0) & (after >= 0)
    places = along[left] + step * before / np.where(known, before - after, 1.0)
    apart = np.where(known, np.abs(places - edges[rows, None]), np.inf)
    best, index = apart.argmin(1), np.arange(len(rows))
    out[rows] = np.where(np.isfinite(apart[index, best]), places[index, best], edges[rows])
    return out
