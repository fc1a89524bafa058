"""The collar's mouth on the flat strip, row by row: part of the stage `read`.

The reader gives every cell a probability of lying beyond the mouth.  In each row the best split is found, then
its place to a fraction of a cell.  Seen from the pipe's side that split is the seam, on the pipe itself.  Seen
from the collar's side it is the lip's contour, nearer to the camera than the pipe: its rays are met with the
collar's radius, and the lip's rounding is taken off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision import geometry, networks
from vision.networks import Reading
from vision.records import Floats, Pose, Strip, Survey

MIDDLE_LIP_MM = 0.95  # lips seen in the trade are rounded by 0.3 to 1.6 mm (common practice, no source)
TOUCH_MM = 0.35  # ink nearer than this to where pipe begins to be seen counts as reaching it
_WINDOW_MM = 1.5
SOFTEST_MM = 0.6  # a row whose split is softer shows no mouth to measure from
SURVEY_WIDER = 1.15  # strip and close look err less independently than a weighted mean supposes (DEVELOPERS.md)
_OVER = networks.STRIP_CLASSES.index("over")


@dataclass(frozen=True)
class Border:
    """Where pipe begins to be seen in every row of the strip, axial millimetres from the pose's guess, how softly, and
    the mouth that shows it there.  rows: (rows,) bool, read well."""

    border_mm: Floats
    soft_mm: Floats
    rough_mm: Floats
    rows: NDArray[np.bool_]


@dataclass(frozen=True)
class Mouth:
    """The mouth in every row of the strip, axial millimetres from the pose's guess.

    border_mm: (rows,) where pipe begins to be seen.  rough_mm: (rows,) the mouth itself, row by row;
    at_mm: its smooth course.  rows: (rows,) bool, read well.  scatter_mm: of single rows about the course.
    bias_mm: standard uncertainty that all rows share.
    """

    border_mm: Floats
    rough_mm: Floats
    at_mm: Floats
    rows: NDArray[np.bool_]
    scatter_mm: float
    bias_mm: float
    moved_mm: float = 0.0  # how far a survey has moved all of them

    @property
    def hidden_mm(self) -> Floats:
        """Length of pipe next to the mouth that the lip hides, by row."""
        return np.maximum(self.border_mm - self.at_mm, 0.0)

    @property
    def seen_mm(self) -> Floats:
        """Where the strip's readers alone see pipe begin, by row."""
        return self.border_mm - self.moved_mm

    def with_survey(self, survey: Survey) -> Mouth:
        """The mouth as strip and survey together have it."""
        moved, bias = weighed(survey.mouth_mm - float(np.median(self.at_mm[self.rows])), self.bias_mm, survey.u_mm)
        return replace(self, border_mm=self.border_mm + moved, at_mm=self.at_mm + moved,
                       rough_mm=self.rough_mm + moved, bias_mm=bias, moved_mm=moved)


def weighed(apart_mm: float, u_mm: float, survey_u_mm: float) -> tuple[float, float]:
    """How far what the strip told is moved by a survey that lies so far from it, and what is then uncertain of it.

    It moves to the mean of both, each weighed by its uncertainty.  Where they differ by more than they should, the
    mean's is wider by as much: the Birge ratio (R. T. Birge, "The calculation of errors by the method of least
    squares", Physical Review 40, 1932; cited from memory).
    """
    both = math.hypot(u_mm, survey_u_mm)
    wider = SURVEY_WIDER * max(1.0, abs(apart_mm) / both)
    return apart_mm * (u_mm / both) ** 2, wider * u_mm * survey_u_mm / both


def find_border(strip: Strip, reading: Reading, pose: Pose, collar_radius_mm: float,
                softest_mm: float = SOFTEST_MM) -> Border | None:
    """Read the border; None where fewer than a fifth of the rows show it, none softer than `softest_mm`."""
    border, soft, clear = split(reading.beyond, strip)
    column = np.clip(np.round((border - strip.first_mm) / strip.step_mm).astype(int), 0, strip.seen.shape[1] - 1)
    index = np.arange(len(border))
    rows = clear & (soft < softest_mm) & strip.seen[index, column] & (reading.shares[_OVER][index, column] < 0.5)
    if rows.sum() < len(rows) / 5:
        return None
    return Border(border, soft, mouth_of_border(strip, border, pose, collar_radius_mm), rows)


def find_mouth(strip: Strip, reading: Reading, pose: Pose, collar_radius_mm: float) -> Mouth | None:
    """Read the mouth; None where no border is read."""
    found = find_border(strip, reading, pose, collar_radius_mm)
    if found is None:
        return None
    rows = found.rows
    course, scatter = _course(strip.angles_rad, found.rough_mm, rows)
    views = np.std([np.median(split(view, strip)[0][rows]) for view in reading.views])
    bias = _bias_mm(float(np.median(found.soft_mm[rows])), float(views))
    smooth = _smooth_border(strip.angles_rad, found.border_mm, rows)
    return Mouth(smooth, found.rough_mm, course, rows, scatter, bias)


def _bias_mm(soft_mm: float, views_mm: float) -> float:
    """Standard uncertainty of the whole mouth from how the readings hesitate and differ.

    Set on gaps of the test world and of joints photographed twice or from three sides, with those kept out in view:
    with what else makes an interval it holds 98 in 100 (DEVELOPERS.md, "The networks").
    """
    return 0.05 + 2.6 * max(0.0, soft_mm - 0.08) + 0.25 * min(views_mm, 1.0)


def split(beyond: NDArray[np.float32], strip: Strip) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Most likely split of each row to a fraction of a cell, how soft it is in mm, and whether there is one."""
    share = np.clip(beyond.astype(np.float64), 1e-3, 1 - 1e-3)
    share[~strip.seen] = 0.5
    score = np.log(share / (1 - share))
    best = np.argmin(np.concatenate([np.zeros((len(score), 1)), np.cumsum(score, axis=1)], axis=1), axis=1)
    half = round(_WINDOW_MM / strip.step_mm)
    columns = np.clip(best[:, None] + np.arange(-half, half), 0, share.shape[1] - 1)
    window = np.take_along_axis(share, columns, axis=1)
    place = best - half + (1 - window).sum(1)
    soft = (window * (1 - window)).sum(1) * strip.step_mm
    return strip.first_mm + strip.step_mm * (place - 0.5), soft, (window[:, 0] < 0.25) & (window[:, -1] > 0.75)


def mouth_of_border(strip: Strip, border: Floats, pose: Pose, radius_mm: float) -> Floats:
    """Axial place of the mouth that shows its border there: the seam, or behind the lip's contour."""
    distance = float(np.linalg.norm(pose.pipe.point_mm))
    place = geometry.mouth_of_contour(pose.mouth_mm + border, strip.angles_rad, distance, pose.pipe.radius_mm,
                                      radius_mm, MIDDLE_LIP_MM)
    return np.asarray(place - pose.mouth_mm)


def points_px(strip: Strip, along_mm: Floats) -> Floats:
    """Photo pixels of one axial place in each row."""
    column = np.clip((along_mm - strip.first_mm) / strip.step_mm, 0, strip.at_px.shape[1] - 1.001)
    left = np.floor(column).astype(int)
    part = (column - left)[:, None]
    rows = np.arange(len(along_mm))
    return np.asarray(strip.at_px[rows, left] * (1 - part) + strip.at_px[rows, left + 1] * part, np.float64)


def _course(angles: Floats, values: Floats, rows: NDArray[np.bool_]) -> tuple[Floats, float]:
    """Robust smooth course: a plane cutting the cylinder, m0 + m1 sin + m2 (1 - cos), m1 and m2 held small."""
    basis = np.column_stack([np.ones_like(angles), np.sin(angles), 1 - np.cos(angles)])
    used, target = basis[rows], values[rows]
    ridge = np.diag([0.0, 0.5, 8.0])
    weight = np.ones(len(target))
    fit = np.zeros(3)
    rest = target
    for _ in range(8):
        fit = np.linalg.solve(used.T @ (weight[:, None] * used) + ridge, used.T @ (weight * target))
        rest = target - used @ fit
        weight = 1 / (1 + (rest / max(0.08, 2 * float(np.median(np.abs(rest))))) ** 2)
    return basis @ fit, float(1.483 * np.median(np.abs(rest)))


def _smooth_border(angles: Floats, border: Floats, rows: NDArray[np.bool_]) -> Floats:
    """The border as read where it was read well, interpolated elsewhere, then a running median."""
    filled = np.interp(angles, angles[rows], border[rows])
    padded = np.pad(filled, 4, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 9), axis=1))
