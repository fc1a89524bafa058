"""One straight side in the photo, to a fraction of a pixel, from a guess of a few pixels.

The photo is sampled in profiles across the guess; the line along which the colour changes most, summed over
all profiles, is the side.  Only then is each profile's own edge measured beside that line: a summed vote is
not led astray by a shadow's border, a press ring or a hand that crosses a few profiles.  A part of the stages
that need sides: the finder's mask makes the guess in `refine`, a person's hand in `assist`.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import geometry
from vision.records import Floats, Limb, Photo

STEP_PX = 0.5
_EDGE_SIGMA_PX = 1.2  # of the Gaussian whose derivative finds edges, in steps of the work picture
MARGIN = round(4 * _EDGE_SIGMA_PX / STEP_PX + 0.5)  # samples beyond either end of a profile that its derivative needs
_LEAST_SHARE = 0.3  # of the stations must carry an edge on the line


@dataclass(frozen=True)
class Course:
    """Where a side is looked for: stations along the axis from the mouth, and a first guess beside it.

    The line may leave the guess by `half_px`, and turn until its end has left it by `swing` times that.
    """

    origin: Floats
    axis: Floats
    across: Floats
    along_px: Floats
    guess_px: Floats
    half_px: float
    swing: float
    uneven_px: float


def find_limb(photo: Photo, course: Course) -> Limb | None:
    """Vote for the line, measure every station beside it, fit, and cut off a bend."""
    offsets, strength = _profiles(photo, course)
    keep = np.ones(len(course.along_px), bool)
    for _ in range(3):
        line = vote(course.along_px[keep], offsets, strength[keep], course.swing)
        found, beside = peaks(course.along_px, offsets, strength, line)
        found &= keep
        if found.sum() < _LEAST_SHARE * keep.sum() or found.sum() < 10:
            return None
        along, beside = course.along_px[found], beside[found]
        slope, offset = cauchy_line(along, beside, 0.3)
        rest = beside - slope * along - offset
        good = np.abs(rest) < max(0.8, 3.5 * float(np.median(np.abs(rest))))
        if not _bends(along[good], rest[good]) or keep.sum() < 40:
            break
        nearest = np.argsort(np.abs(course.along_px))
        keep[nearest[int(0.65 * keep.sum()):]] = False
    along, beside = along[good], beside[good]
    if len(along) < 10:
        return None
    guess = np.interp(along, *_ascending(course.along_px, course.guess_px))
    points = course.origin + along[:, None] * course.axis + (guess + beside)[:, None] * course.across
    spacing = float(np.ptp(course.along_px)) / len(course.along_px)
    return _fit(geometry.undistort(points, photo.camera), course.across, spacing, course.uneven_px)


def _ascending(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    order = np.argsort(x)
    return x[order], y[order]


def _profiles(photo: Photo, course: Course) -> tuple[Floats, Floats]:
    """Strength of colour change across the side: offsets (m,) from the guess, strength (stations, m)."""
    offsets = np.arange(-course.half_px, course.half_px + STEP_PX / 2, STEP_PX)
    margin = MARGIN
    wide = np.concatenate([offsets[0] - STEP_PX * np.arange(margin, 0, -1), offsets,
                           offsets[-1] + STEP_PX * np.arange(1, margin + 1)])
    spacing = abs(course.along_px[-1] - course.along_px[0]) / (len(course.along_px) - 1)
    lanes = np.arange(-0.4, 0.41, 0.8 / max(1, min(6, int(spacing)))) * spacing
    total, slope = None, np.gradient(course.guess_px, course.along_px)
    for lane in lanes:  # averaging along the side lowers the noise without moving the edge
        along, beside = course.along_px + lane, (course.guess_px + lane * slope)[:, None] + wide
        x, y = (start + along[:, None] * by_along + beside * by_beside for start, by_along, by_beside
                in zip(course.origin, course.axis, course.across, strict=True))
        picture = cv2.remap(photo.pixels, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR,
                            borderMode=cv2.BORDER_REPLICATE).astype(np.float32)
        total = picture if total is None else total + picture
    assert total is not None
    change = derivative(np.asarray(total, np.float64) / len(lanes))
    return offsets, np.sqrt((change**2).sum(-1))[:, margin:-margin]


def derivative(profiles: Floats) -> Floats:
    """Derivative of a Gaussian along axis 1."""
    sigma = _EDGE_SIGMA_PX / STEP_PX
    reach = int(np.ceil(4 * sigma))
    x = np.arange(-reach, reach + 1)
    bell = x * np.exp(-(x**2) / (2 * sigma**2))
    kernel = bell / (np.abs(bell).sum() / 2)
    flat = profiles.transpose(0, 2, 1).reshape(-1, profiles.shape[1])
    out = cv2.filter2D(flat, cv2.CV_64F, kernel[None], borderType=cv2.BORDER_REPLICATE)
    return np.asarray(out.reshape(profiles.shape[0], profiles.shape[2], -1).transpose(0, 2, 1))


def vote(along: Floats, offsets: Floats, strength: Floats, swing: float) -> tuple[float, float]:
    """Slope and offset of the line on which most stations agree; a weak prior prefers the mask's border.

    Stations near the mouth count most: what is wanted is the axis there, and pipes bend further out.
    """
    near = 1 / (1 + (np.abs(along) / (0.5 * np.abs(along).max())) ** 2)
    scaled = near[:, None] * strength / (strength.max(1, keepdims=True) + 4.0)
    prior = np.exp(-0.5 * (offsets / (0.5 * offsets[-1])) ** 2)
    scaled = scaled * (0.25 + 0.75 * prior)
    middle = along.mean()
    half = np.ptp(along) / 2
    lever = (along - middle) / max(half, 1.0)
    most = int(np.ceil(swing * offsets[-1] * np.abs(lever).max() / STEP_PX)) + 1
    lanes = np.lib.stride_tricks.sliding_window_view(np.pad(scaled, ((0, 0), (most, most + 1)), mode="edge"),
                                                     len(offsets) + 1, axis=1)
    best, answer = -1.0, (0.0, 0.0)
    for rise in np.linspace(-swing, swing, 25) * offsets[-1]:
        columns = rise * lever / STEP_PX
        left = np.floor(columns).astype(int)
        part = columns - left
        lane = lanes[np.arange(len(along)), most + left]
        total = (1 - part) @ lane[:, :-1] + part @ lane[:, 1:]
        top = int(total.argmax())
        if total[top] > best:
            slope = float(rise / max(half, 1.0))
            best, answer = float(total[top]), (slope, float(offsets[top] - slope * middle))
    return answer


def peaks(along: Floats, offsets: Floats, strength: Floats,
           line: tuple[float, float]) -> tuple[NDArray[np.bool_], Floats]:
    """Each station's own edge within 2 px of the line, to a fraction of a step by a parabola."""
    expected = line[0] * along + line[1]
    near = np.abs(offsets[None] - expected[:, None]) <= 2.0
    masked = np.where(near, strength, -1)
    top = np.clip(masked.argmax(1), 1, len(offsets) - 2)
    rows = np.arange(len(along))
    low, mid, high = strength[rows, top - 1], strength[rows, top], strength[rows, top + 1]
    bend = low - 2 * mid + high
    shift = np.where(bend < 0, 0.5 * (low - high) / np.where(bend < 0, bend, 1), 0)
    peak = (mid >= low) & (mid >= high) & near.any(1) & (mid > 2.0)
    return peak, offsets[top] + np.clip(shift, -0.5, 0.5) * STEP_PX


def _bends(along: Floats, rest: Floats) -> bool:
    """Whether a parabola explains the residuals plainly better than a line does."""
    if len(along) < 15:
        return False
    curve = np.polyfit(along, rest, 2)
    sagitta = abs(curve[0]) * np.ptp(along) ** 2 / 4
    noise = float(np.std(rest - np.polyval(curve, along)))
    return bool(sagitta > max(0.6, 2.5 * noise))


def cauchy_line(x: Floats, y: Floats, floor: float) -> tuple[float, float]:
    """Slope and offset by iteratively reweighted least squares with Cauchy weights."""
    weight = np.ones_like(x)
    slope = offset = 0.0
    for _ in range(10):
        middle = weight @ x / weight.sum()
        lever = weight * (x - middle)
        slope = lever @ y / max(lever @ (x - middle), 1e-12)
        offset = weight @ y / weight.sum() - slope * middle
        rest = np.abs(y - slope * x - offset)
        weight = 1 / (1 + (rest / max(floor, 2.0 * float(np.median(rest)))) ** 2)
    return float(slope), float(offset)


def _fit(points: Floats, outward: Floats, spacing_px: float, uneven_px: float) -> Limb:
    """Total least squares line with its covariance.

    Neighbours closer than an edge's own width count once.  `uneven_px` is what the side itself leaves a
    straight line by over its length, which no number of points averages out.
    """
    centre = points.mean(0)
    _, _, turn = np.linalg.svd(points - centre, full_matrices=False)
    normal = turn[1] if turn[1] @ outward > 0 else -turn[1]
    rest = (points - centre) @ normal
    sigma = float(np.sqrt((rest**2).sum() / max(1, len(points) - 2)))
    independent = max(4.0, len(points) * min(1.0, spacing_px / 2.0))
    along = (points - centre) @ turn[0]
    variance = max(sigma, 0.05) ** 2 / independent
    square = max(float(np.mean(along**2)), 1e-9)
    covariance = np.diag([(variance + uneven_px**2) / square, variance + uneven_px**2 / 4])
    line = np.array([normal[0], normal[1], -normal @ centre])
    return Limb(line, centre, covariance, sigma, float(np.ptp(along)), points)
