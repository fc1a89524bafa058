"""The cut end on the flat strip, row by row.  Part of the stage `depth`.

The reader says of each cell whether it is pipe; where the row turns from what is none into pipe lies the cut, to
a few tenths of a millimetre.  The photo's own colours then say which edge there is the cut, and exactly where.
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
_SURE_ROWS = 0.6  # of those, on which the colours' own edge must be seen to be believed
_GROUND_MM = 0.8  # before the cut must be in the picture, and free
_PIPE_MM = (1.0, 8.0)  # beyond the reader's edge: the bare pipe whose own changes are noise
_EDGE_SIGMA = 1.6  # cells, of the Gaussian whose slope finds edges
_FAINTEST = 0.8  # grey levels a cell: a change smaller than that is no edge on any pipe
_CAP = 4.0  # an edge that stands out more counts no more
_CLEAR = 0.4  # of the cap, in the mean over rows: an edge that stands out on most of them
_RIVAL = 0.6  # of the clearest edge's vote: less is the pipe's own
_OUTWARD_MM = (-1.4, 0.5)  # seen from the pipe's side the cut may lie so far before the reader's edge: chamfers, burrs
_INWARD_MM = (-0.5, 5.0)  # seen from the end the reader may take end face and bore for pipe
_OUTWARD_BENDS_MM, _INWARD_BENDS_MM = np.linspace(-1.0, 1.0, 9), np.linspace(-1.0, 4.0, 16)
_BESIDE_MM = 0.35
_UNSURE_DEG = 3.0  # silhouettes may be wrong by so much about a tilt
_BAND_MM, _CRESCENT = 0.4, 0.4  # a band before the cut as wide, and bent by so much of its width, is the bore
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


def find_cut(strip: Strip, reading: Reading, tilt_deg: float = 0.0) -> Cut | None:
    """Read the cut; None where too few rows show one.

    tilt_deg: positive where the lens stands on the pipe's side of the cut.  The end shows several edges close to one
    another.  From the pipe's side a chamfer or a burr may lie before the cut, and the outermost edge is the cut; from
    the other side end face and bore lie behind it, and the innermost is.
    """
    split, soft, clear = _split(_pipe_share(reading), strip)
    rows = clear & (soft < _SOFTEST_MM) & _in_sight(strip, reading, split)
    if rows.sum() < _LEAST_ROWS * len(rows):
        return None
    seen, good = _course(strip.angles_rad, split, rows)
    strength = _strength(strip, seen)
    chosen = _chosen(strip, strength, seen, rows, tilt_deg)
    edge = split if chosen is None else _peaks(strip, strength, chosen)
    if (rows & np.isfinite(edge)).sum() < _SURE_ROWS * rows.sum():  # no edge in the colours
        edge = split
    course, good = _course(strip.angles_rad, np.nan_to_num(edge), rows & np.isfinite(edge))
    if good.sum() < _LEAST_ROWS * len(rows):
        return None
    rest = (edge - course)[good]
    return Cut(np.where(np.isfinite(edge), edge, course), course, good, float(1.483 * np.median(np.abs(rest))),
               float(np.median(soft[rows])), float(np.mean((course - seen)[good])))


def _strength(strip: Strip, seen: Floats) -> NDArray[np.float32]:
    """How much the colour changes along the pipe in every cell, in units of what the bare pipe's own does.

    It grows ever slower towards a cap, so that one bright row does not outvote the others.
    """
    flat = cv2.GaussianBlur(strip.pixels.astype(np.float32), (1, 7), 0.01, sigmaY=1.6)
    slope = cv2.GaussianBlur(flat, (9, 1), _EDGE_SIGMA, sigmaY=0.01)
    slope = cv2.filter2D(slope, cv2.CV_32F, np.array([[-0.5, 0.0, 0.5]], np.float32))
    size = np.sqrt((slope**2).sum(-1))
    along = strip.first_mm + strip.step_mm * np.arange(size.shape[1])
    beyond = (along[None] > seen[:, None] + _PIPE_MM[0]) & (along[None] < seen[:, None] + _PIPE_MM[1]) & strip.seen
    noise = max(_FAINTEST, 1.5 * float(np.median(size[beyond]))) if beyond.any() else _FAINTEST
    clear = np.where(strip.seen, size / noise, 0)
    return np.asarray(clear / (1 + clear / _CAP), np.float32)


def _chosen(strip: Strip, strength: NDArray[np.float32], seen: Floats, rows: NDArray[np.bool_],
            tilt_deg: float) -> Floats | None:
    """The course of the edge that is the cut, of all that stand out along most rows; None where none does.

    Where the tilt is too small to be sure of its sign, a band that is wide in the middle and narrow at the sides
    tells the bore from a chamfer.
    """
    shape = np.cos(strip.angles_rad) - float(np.cos(strip.angles_rad[rows]).mean())
    inner = _candidate(strip, strength, seen, rows, shape, _INWARD_MM, _INWARD_BENDS_MM, -1)
    bore = inner is not None and inner[0] > _BAND_MM and inner[1] > _CRESCENT * inner[0]
    if tilt_deg < 0 or (tilt_deg < _UNSURE_DEG and bore):
        found = inner
    else:
        found = _candidate(strip, strength, seen, rows, shape, _OUTWARD_MM, _OUTWARD_BENDS_MM, 0)
    return None if found is None else np.asarray(seen + found[0] + found[1] * shape)


def _candidate(strip: Strip, strength: NDArray[np.float32], seen: Floats, rows: NDArray[np.bool_], shape: Floats,
               within_mm: tuple[float, float], bends_mm: Floats, which: int) -> tuple[float, float] | None:
    """First (0) or last (-1) edge within a range of the reader's: how far along the pipe, and how much bent."""
    moves = np.arange(within_mm[0], within_mm[1] + 1e-9, strip.step_mm)
    index = np.nonzero(rows)[0]
    votes = np.zeros((len(bends_mm), len(moves)))
    for number, bend in enumerate(bends_mm):
        columns = _column(strip, (seen + bend * shape)[rows][:, None] + moves[None])
        votes[number] = strength[index[:, None], columns].mean(0)
    best = votes.max(0)
    peak = (best >= np.r_[-1, best[:-1]]) & (best > np.r_[best[1:], -1]) & (best > _CLEAR * _CAP)
    strong = np.nonzero(peak & (best > _RIVAL * best.max()))[0]
    if len(strong) == 0:
        return None
    at = int(strong[which])
    return float(moves[at]), float(bends_mm[int(votes[:, at].argmax())])


def _peaks(strip: Strip, strength: NDArray[np.float32], course: Floats) -> Floats:
    """Each row's own strongest change beside a course, to a fraction of a cell; NaN where there is none."""
    reach = round(_BESIDE_MM / strip.step_mm)
    columns = np.clip(_column(strip, course)[:, None] + np.arange(-reach, reach + 1), 1, strength.shape[1] - 2)
    rows = np.arange(len(course))
    top = columns[rows, strength[rows[:, None], columns].argmax(1)]
    low, mid, high = (strength[rows, top + step].astype(np.float64) for step in (-1, 0, 1))
    curve = low - 2 * mid + high
    shift = np.where(curve < -1e-6, 0.5 * (low - high) / np.where(curve < -1e-6, curve, -1.0), 0.0)
    return np.where(mid > 0.2 * _CAP, strip.first_mm + strip.step_mm * (top + np.clip(shift, -0.5, 0.5)), np.nan)


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
