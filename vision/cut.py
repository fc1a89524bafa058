"""The cut end on the flat strip, row by row.  Part of the stage `depth`.

The reader says of each cell whether it is pipe; where the row turns from what is none into pipe lies the cut, to
a few tenths of a millimetre.  The edge is then moved onto the photo's own colours where they show one there.
Whatever the reader calls what lies before the cut, ground, bore or end face, is no pipe.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import networks
from vision.networks import Reading
from vision.records import Floats, Strip

_ON = [networks.STRIP_CLASSES.index(name) for name in ("pipe", "decoy", "print", "dirt")]
_UNKNOWN = [networks.STRIP_CLASSES.index(name) for name in ("ink", "over")]
_OVER = networks.STRIP_CLASSES.index("over")
LOOKED_MM = 25.0  # how far along the strip the cut is looked for
_SOFTEST_MM = 0.8  # a row whose split is softer shows no cut to measure from
_WINDOW_MM = 2.5  # to each side of a split, that must be ground and pipe: a dark bore looks like ink in between
_LEAST_ROWS = 0.3  # of all, that must show the cut
_GROUND_MM = 0.8  # before the cut must be in the picture, and free
_COLOUR_MM = 0.5  # how far from the reader's split the photo's own colours may place the edge
_PIPE_MM, _BEFORE_MM = (0.8, 4.0), (-1.8, -0.5)  # beside the split: where the two colours are taken
_FAINT = 3.0  # times the colours' own scatter: an edge fainter than this stays where the reader saw it
_FAR_MM = 0.45  # a row further from the course than this is something else: a tear, dirt, a shadow
_RIDGE = (0.0, 0.15, 2.0)  # holds slant and bow small where few rows tell them


@dataclass(frozen=True)
class Cut:
    """The cut in every row, axial millimetres from the pose's guess.

    rough_mm: (rows,) row by row; course_mm: (rows,) the plane through them.  rows: (rows,) bool, read well.
    scatter_mm: of single rows about the course.  soft_mm: how softly the reader turns from ground to pipe.
    moved_mm: by how much the colours moved the edge that the reader saw, in the median.
    """

    rough_mm: Floats
    course_mm: Floats
    rows: NDArray[np.bool_]
    scatter_mm: float
    soft_mm: float
    moved_mm: float


def find_cut(strip: Strip, reading: Reading) -> Cut | None:
    """Read the cut; None where too few rows show one."""
    split, soft, clear = _split(_pipe_share(reading), strip)
    rows = clear & (soft < _SOFTEST_MM) & _in_sight(strip, reading, split)
    if rows.sum() < _LEAST_ROWS * len(rows):
        return None
    edge = _on_colours(strip, split, rows)
    course, good = _course(strip.angles_rad, edge, rows)
    if good.sum() < _LEAST_ROWS * len(rows):
        return None
    rest = (edge - course)[good]
    return Cut(edge, course, good, float(1.483 * np.median(np.abs(rest))), float(np.median(soft[good])),
               float(np.median((edge - split)[good])))


def _pipe_share(reading: Reading) -> Floats:
    """Probability of bare pipe in each cell; ink says nothing: a dark bore looks like it."""
    return np.asarray(reading.shares[_ON].sum(0) + 0.5 * reading.shares[_UNKNOWN].sum(0), np.float64)


def _split(pipe: Floats, strip: Strip) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Most likely beginning of the pipe in each row, how soft it is in mm, and whether there is one."""
    columns = round(LOOKED_MM / strip.step_mm)
    share = np.where(strip.seen[:, :columns], np.clip(pipe[:, :columns], 1e-3, 1 - 1e-3), 0.5)
    score = np.log(share) - np.log(1 - share)
    best = np.argmin(np.concatenate([np.zeros((len(score), 1)), np.cumsum(score, axis=1)], axis=1), axis=1)
    half = round(_WINDOW_MM / strip.step_mm)
    window = np.take_along_axis(share, np.clip(best[:, None] + np.arange(-half, half), 0, columns - 1), axis=1)
    soft = (window * (1 - window)).sum(1) * strip.step_mm
    place = best - half + (1 - window).sum(1)
    return strip.first_mm + strip.step_mm * (place - 0.5), soft, (window[:, 0] < 0.25) & (window[:, -1] > 0.75)


def _in_sight(strip: Strip, reading: Reading, split: Floats) -> NDArray[np.bool_]:
    """Rows whose cut, and the ground just before it, lie in the picture with nothing over them."""
    index = np.arange(len(split))
    at, before = (_column(strip, split - back) for back in (0.0, _GROUND_MM))
    free = np.maximum(reading.shares[_OVER][index, at], reading.shares[_OVER][index, before]) < 0.5
    return np.asarray(strip.seen[index, at] & strip.seen[index, before] & free)


def _column(strip: Strip, along_mm: Floats) -> NDArray[np.int_]:
    column = np.round((along_mm - strip.first_mm) / strip.step_mm).astype(int)
    return np.asarray(np.clip(column, 0, strip.seen.shape[1] - 1))


def _on_colours(strip: Strip, split: Floats, rows: NDArray[np.bool_]) -> Floats:
    """The split of each row, moved to where its colours change from those before the cut to the pipe's.

    Both colours are the row's own, as light falls differently round the pipe; neighbouring rows are averaged.
    """
    flat = cv2.GaussianBlur(strip.pixels, (1, 5), 0.01, sigmaY=1.0).astype(np.float64)
    out = split.copy()
    along = strip.first_mm + strip.step_mm * np.arange(flat.shape[1])
    for row in np.nonzero(rows)[0]:
        beside = along - split[row]
        pipe, before = (flat[row, (beside >= low) & (beside <= high) & strip.seen[row]]
                        for low, high in (_PIPE_MM, _BEFORE_MM))
        if min(len(pipe), len(before)) < 5:
            continue
        way = np.median(pipe, axis=0) - np.median(before, axis=0)
        size = float(way @ way)
        noise = 1.483 * float(np.median(np.abs((pipe - np.median(pipe, axis=0)) @ way))) / np.sqrt(size + 1e-9)
        if np.sqrt(size) < _FAINT * max(2.0, noise):
            continue
        near = np.abs(beside) <= _COLOUR_MM
        profile = (flat[row, near] - np.median(before, axis=0)) @ way / size - 0.5
        up = np.nonzero((profile[:-1] < 0) & (profile[1:] >= 0))[0]
        if len(up):
            places = along[near][up] + strip.step_mm * profile[up] / (profile[up] - profile[up + 1])
            out[row] = places[np.abs(places - split[row]).argmin()]
    return out


def _course(angles: Floats, values: Floats, rows: NDArray[np.bool_]) -> tuple[Floats, NDArray[np.bool_]]:
    """The plane's cut through the pipe that most rows agree on, c0 + c1 sin + c2 (1 - cos), and those rows."""
    basis = np.column_stack([np.ones_like(angles), np.sin(angles), 1 - np.cos(angles)])
    weight = np.where(rows, 1.0, 0.0)
    fit = np.zeros(3)
    rest = values
    for _ in range(12):
        fit = np.linalg.solve(basis.T @ (weight[:, None] * basis) + np.diag(_RIDGE), basis.T @ (weight * values))
        rest = values - basis @ fit
        scale = max(0.08, 2 * float(np.median(np.abs(rest[rows]))))
        weight = np.where(rows, 1 / (1 + (rest / scale) ** 2), 0.0)
    return basis @ fit, rows & (np.abs(rest) < max(_FAR_MM, scale))
