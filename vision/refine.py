"""Sighting -> Limbs: the silhouette lines of pipe and collar to a fraction of a pixel, on the full photo.

The finder's mask says where each side is to a few pixels.  Around it the photo is sampled in profiles across
the axis; the line along which the colour changes most, summed over all profiles, is the limb.  Only then is
each profile's own edge measured beside that line: a summed vote is not led astray by a shadow's border,
a press ring or a hand that crosses a few profiles.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import geometry, networks
from vision.records import Floats, Limb, Limbs, Look, Photo, Refusal, Sighting

_JOINT = [networks.FINDER_CLASSES.index(name) for name in ("pipe", "collar", "ink")]
_OVER = networks.FINDER_CLASSES.index("over")
_STATIONS = 96
_STEP_PX = 0.5
_EDGE_SIGMA_PX = 1.2  # of the Gaussian whose derivative finds edges, in steps of the work picture
_LEAST_FOUND = 0.12  # of the stations must show a border of the mask
_MARGIN_PX = 3.0  # of the look: a border nearer to the photo's own is not the joint's
_LEAST_SHARE = 0.3  # of those must carry an edge on the line
_SHORT_SHARE = 0.6  # of the other side's length: a shorter side says little of its own direction
_ROUGH_RAD = 0.045  # direction of a side that only the finder's look shows
_ROUGH_WIDTH = 0.04  # of the pipe's width, when one side of it has to be guessed
_WIDEST_COLLAR, _TIGHTEST_COLLAR = 1.22, 1.05  # collar over pipe diameter of most couplings
_COLLAR_SWING_RAD = 0.035  # how far a collar's side may swing from the pipe's: taper, seat
_PIPE_UNEVEN_PX = 0.2  # a bend, dirt, a shadow beside it: what a pipe's side leaves a straight line by
_COLLAR_UNEVEN_PX = 0.7  # press rings, crimps and reflections move parts of a collar's side by about that


@dataclass(frozen=True)
class _Course:
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


def find_limbs(photo: Photo, sighting: Sighting) -> Limbs | Refusal:
    """Silhouette lines of the pipe and, where it can be had, of the collar.

    A side of the pipe that the photo does not show clearly is taken from the finder's look, with the doubt
    that this deserves.  Refuses with `edges-not-found` where neither side can be followed.
    """
    width = sighting.pipe_width_px
    reach = min(0.92 * sighting.pipe_reach_px, 1.15 * width)
    sides = _sides(photo, sighting, 0.06 * width, reach, None)
    if not any(sides):
        return Refusal("refine", "edges-not-found", "the sides of the pipe")
    left, right = (_rough(other, sighting) if limb is None else _steadied(limb, other)
                   for limb, other in zip(sides, reversed(sides), strict=True))
    if sighting.collar_reach_px <= 0:  # a bare pipe
        return Limbs((left, right), None)
    behind = min(0.9 * sighting.collar_reach_px, 0.6 * width)
    outer_left, outer_right = _sides(photo, sighting, -0.06 * width, -behind, (left, right))
    return Limbs((left, right), (outer_left, outer_right) if outer_left and outer_right else None)


def _sides(photo: Photo, sighting: Sighting, start: float, end: float,
           like: tuple[Limb, Limb] | None) -> tuple[Limb | None, Limb | None]:
    """Both limbs between two stations.  The collar is short, ringed and tapered: it takes its direction
    from the pipe's limbs (`like`) and only says how far beside them its own lie."""
    if abs(end - start) < 10:
        return None, None
    courses = [_course(sighting, photo.size_px, start, end, side, like[index] if like else None)
               for index, side in enumerate((-1, 1))]
    left, right = (None if course is None else _limb(photo, course) for course in courses)
    return left, right


def _rough(other: Limb | None, sighting: Sighting) -> Limb:
    """The side that was not found: parallel to the one that was, the pipe's width away from it.

    Where a hand hides a side the finder's width is too small; the collar, in plain sight, bounds it.
    """
    assert other is not None
    collar = sighting.collar_width_px
    width = float(np.clip(sighting.pipe_width_px, collar / _WIDEST_COLLAR, collar / _TIGHTEST_COLLAR))
    normal = other.line[:2]
    offset_px = _ROUGH_WIDTH * width + sighting.close.photo_px_per_px
    covariance = other.covariance + np.diag([_ROUGH_RAD**2, offset_px**2])
    return replace(other, line=np.array([*-normal, -(other.line[2] + width)]), covariance=covariance,
                   centre_px=other.centre_px - width * normal, points_px=other.points_px - width * normal)


def _steadied(limb: Limb, other: Limb | None) -> Limb:
    """A side seen on a short stretch only, before a hand say, takes its direction from the other side."""
    if other is None or limb.length_px > _SHORT_SHARE * other.length_px:
        return limb
    normal = -other.line[:2]
    return replace(limb, line=np.array([*normal, -normal @ limb.centre_px]),
                   covariance=limb.covariance + other.covariance + np.diag([_ROUGH_RAD**2, 0.0]))


def _course(sighting: Sighting, size_px: tuple[int, int], start: float, end: float, side: int,
            like: Limb | None) -> _Course | None:
    """Follow the mask's border on one side of the axis.

    Stations where something lies over the border, or where it is the photo's own, are left out.
    """
    look = sighting.close
    across = np.array([-sighting.axis_px[1], sighting.axis_px[0]])
    along = np.linspace(start, end, _STATIONS)
    scale = look.photo_px_per_px
    span = np.arange(0.15 * sighting.pipe_width_px, 0.95 * sighting.collar_width_px, 0.5 * scale)
    points = (sighting.mouth_px + along[:, None, None] * sighting.axis_px
              + side * span[None, :, None] * across)
    joint, over = _sample(look, points)
    inside = np.cumprod(joint > 0.5, axis=1)
    count = inside.sum(1)
    rows = np.arange(_STATIONS)
    last = np.clip(count - 1, 0, len(span) - 6)
    covered = np.maximum.reduce([over[rows, last + step] for step in (-3, 0, 3, 5)]) > 0.35
    ends = points[rows, last]
    within = ((ends > _MARGIN_PX * scale) & (ends < np.array(size_px) - 1 - _MARGIN_PX * scale)).all(-1)
    found = (count > 3) & (count < len(span) - 6) & ~covered & within
    if found.sum() < _LEAST_FOUND * _STATIONS:
        return None
    rows, last = rows[found], last[found]
    high, low = joint[rows, last], joint[rows, last + 1]
    border = span[last] + 0.5 * scale * np.clip((high - 0.5) / np.maximum(high - low, 1e-3), 0, 1)
    at = along[found]
    half = max(3.0, 3.0 * scale)
    if like is None:
        slope, offset = _cauchy_line(at, border, scale)
        return _Course(sighting.mouth_px, sighting.axis_px, side * across, at, slope * at + offset, half, 0.6,
                       _PIPE_UNEVEN_PX * max(1.0, scale / 2))
    slope = _slope_of(like, sighting, side)
    offset = float(np.median(border - slope * at))
    stiff = _COLLAR_SWING_RAD * float(np.ptp(at)) / 2 / half
    return _Course(sighting.mouth_px, sighting.axis_px, side * across, at, slope * at + offset, half, stiff,
                   _COLLAR_UNEVEN_PX)


def _slope_of(limb: Limb, sighting: Sighting, side: int) -> float:
    """Slope of a limb in (along, beside) of the sighting's axis; what distortion bends is left aside."""
    across = side * np.array([-sighting.axis_px[1], sighting.axis_px[0]])
    normal = limb.line[:2]
    return float(-(normal @ sighting.axis_px) / (normal @ across))


def _sample(look: Look, points: Floats) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Probability of being part of the joint, and of something that lies over it, at points of the photo."""
    inverse = np.linalg.inv(look.to_photo[:, :2])
    at = ((points - look.to_photo[:, 2]) @ inverse.T).astype(np.float32)
    joint, over = (cv2.remap(share, at[..., 0], at[..., 1], cv2.INTER_LINEAR)
                   for share in (look.shares[_JOINT].sum(0), look.shares[_OVER]))
    return np.asarray(joint, np.float32), np.asarray(over, np.float32)


def _limb(photo: Photo, course: _Course) -> Limb | None:
    """Vote for the line, measure every station beside it, fit, and cut off a bend."""
    offsets, strength = _profiles(photo, course)
    keep = np.ones(len(course.along_px), bool)
    for _ in range(3):
        line = _vote(course.along_px[keep], offsets, strength[keep], course.swing)
        found, beside = _peaks(course.along_px, offsets, strength, line)
        found &= keep
        if found.sum() < _LEAST_SHARE * keep.sum() or found.sum() < 10:
            return None
        along, beside = course.along_px[found], beside[found]
        slope, offset = _cauchy_line(along, beside, 0.3)
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


def _profiles(photo: Photo, course: _Course) -> tuple[Floats, Floats]:
    """Strength of colour change across the side: offsets (m,) from the guess, strength (stations, m)."""
    offsets = np.arange(-course.half_px, course.half_px + _STEP_PX / 2, _STEP_PX)
    margin = int(np.ceil(4 * _EDGE_SIGMA_PX / _STEP_PX))
    wide = np.concatenate([offsets[0] - _STEP_PX * np.arange(margin, 0, -1), offsets,
                           offsets[-1] + _STEP_PX * np.arange(1, margin + 1)])
    spacing = abs(course.along_px[-1] - course.along_px[0]) / (len(course.along_px) - 1)
    lanes = np.arange(-0.4, 0.41, 0.8 / max(1, min(6, int(spacing)))) * spacing
    total = None
    for lane in lanes:  # averaging along the side lowers the noise without moving the edge
        along = course.along_px + lane
        guess = course.guess_px + lane * np.gradient(course.guess_px, course.along_px)
        points = (course.origin + along[:, None, None] * course.axis
                  + (guess[:, None] + wide)[..., None] * course.across).astype(np.float32)
        picture = cv2.remap(photo.pixels, points[..., 0], points[..., 1], cv2.INTER_LINEAR,
                            borderMode=cv2.BORDER_REPLICATE).astype(np.float32)
        total = picture if total is None else total + picture
    assert total is not None
    slope = _derivative(np.asarray(total, np.float64) / len(lanes))
    return offsets, np.sqrt((slope**2).sum(-1))[:, margin:-margin]


def _derivative(profiles: Floats) -> Floats:
    """Derivative of a Gaussian along axis 1."""
    sigma = _EDGE_SIGMA_PX / _STEP_PX
    reach = int(np.ceil(4 * sigma))
    x = np.arange(-reach, reach + 1)
    bell = x * np.exp(-(x**2) / (2 * sigma**2))
    kernel = bell / (np.abs(bell).sum() / 2)
    flat = profiles.transpose(0, 2, 1).reshape(-1, profiles.shape[1])
    out = cv2.filter2D(flat, cv2.CV_64F, kernel[None], borderType=cv2.BORDER_REPLICATE)
    return np.asarray(out.reshape(profiles.shape[0], profiles.shape[2], -1).transpose(0, 2, 1))


def _vote(along: Floats, offsets: Floats, strength: Floats, swing: float) -> tuple[float, float]:
    """Slope and offset of the line on which most stations agree; a weak prior prefers the mask's border.

    Stations near the mouth count most: what is wanted is the axis there, and pipes bend further out.
    """
    near = 1 / (1 + (np.abs(along) / (0.5 * np.abs(along).max())) ** 2)
    scaled = near[:, None] * strength / (strength.max(1, keepdims=True) + 4.0)
    prior = np.exp(-0.5 * (offsets / (0.5 * offsets[-1])) ** 2)
    scaled = scaled * (0.25 + 0.75 * prior)
    middle = along.mean()
    half = np.ptp(along) / 2
    best, answer = -1.0, (0.0, 0.0)
    for rise in np.linspace(-swing, swing, 25) * offsets[-1]:
        shift = rise * (along - middle) / max(half, 1.0)
        columns = (offsets[None, :] + shift[:, None] - offsets[0]) / _STEP_PX
        left = np.clip(np.floor(columns).astype(int), 0, len(offsets) - 2)
        part = np.clip(columns - left, 0, 1)
        rows = np.arange(len(along))[:, None]
        total = (scaled[rows, left] * (1 - part) + scaled[rows, left + 1] * part).sum(0)
        top = int(total.argmax())
        if total[top] > best:
            slope = rise / max(half, 1.0)
            best, answer = float(total[top]), (slope, float(offsets[top] - slope * middle))
    return answer


def _peaks(along: Floats, offsets: Floats, strength: Floats,
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
    return peak, offsets[top] + np.clip(shift, -0.5, 0.5) * _STEP_PX


def _bends(along: Floats, rest: Floats) -> bool:
    """Whether a parabola explains the residuals plainly better than a line does."""
    if len(along) < 15:
        return False
    curve = np.polyfit(along, rest, 2)
    sagitta = abs(curve[0]) * np.ptp(along) ** 2 / 4
    noise = float(np.std(rest - np.polyval(curve, along)))
    return bool(sagitta > max(0.6, 2.5 * noise))


def _cauchy_line(x: Floats, y: Floats, floor: float) -> tuple[float, float]:
    """Slope and offset by iteratively reweighted least squares with Cauchy weights."""
    weight = np.ones_like(x)
    slope = offset = 0.0
    for _ in range(10):
        slope, offset = np.polyfit(x, y, 1, w=np.sqrt(weight))
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
