"""The cut end on the flat strip, row by row.  Part of the stage `depth`.

The sawyer gives every cell of a bare pipe a probability of lying beyond the cut, as the readers do beyond the mouth of
a made joint: it learnt where the pipe's outside ends from ends of known truth, with chamfers, burrs and bores.  In each
row the best split is found, and the plane that most rows agree on is the cut.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision import mouth, networks
from vision.networks import Reading
from vision.records import Floats, Strip

_OVER = networks.STRIP_CLASSES.index("over")
_SOFTEST_MM = 0.8  # a row whose split is softer shows no cut to measure from
_LEAST_ROWS = 0.3  # of all, that must show the cut
_FAR_MM = 0.45  # a row further from the course than this is something else: a tear, dirt, a shadow
_RIDGE = (0.0, 0.15, 2.0)  # holds slant and bow small where few rows tell them


@dataclass(frozen=True)
class Cut:
    """The cut in every row, axial millimetres from the pose's guess.

    rough_mm: (rows,) row by row; course_mm: (rows,) the plane through them.  rows: (rows,) bool, read well.
    scatter_mm: of single rows about the course.  soft_mm: how softly the reading turns from ground to pipe.
    views_mm: by how much its two views of the strip differ.
    """

    rough_mm: Floats
    course_mm: Floats
    rows: NDArray[np.bool_]
    scatter_mm: float
    soft_mm: float
    views_mm: float


def find_cut(strip: Strip, reading: Reading) -> Cut | None:
    """Read the cut; None where too few rows show one."""
    rough, soft, clear = mouth.split(reading.beyond, strip)
    column = np.round((rough - strip.first_mm) / strip.step_mm).astype(int)
    column = np.clip(column, 0, strip.seen.shape[1] - 1)
    index = np.arange(len(rough))
    rows = clear & (soft < _SOFTEST_MM) & strip.seen[index, column] & (reading.shares[_OVER][index, column] < 0.5)
    if rows.sum() < _LEAST_ROWS * len(rows):
        return None
    course, good = _course(strip.angles_rad, rough, rows)
    if good.sum() < _LEAST_ROWS * len(rows):
        return None
    rest = (rough - course)[good]
    views = np.std([np.median(mouth.split(view, strip)[0][rows]) for view in reading.views])
    return Cut(rough, course, good, float(1.483 * np.median(np.abs(rest))), float(np.median(soft[rows])),
               float(views))


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
