"""Looks: pictures that finder or spotter saw, and what can be followed in their masks.

Part of the stages that find something in a photo: `locate` for a joint, `end` for the cut end of a bare pipe.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import networks
from vision.records import Bytes, Floats, Look, Photo, Refusal, Sighting
from vision.resample import shrunk

_MIDDLE = 0.62  # of the photo's width and height
_SETTLED_PX = 0.01  # a line that moves by less at both its ends is found
_SLOPE_U = 0.1  # of a side against the axis that it is measured from
_CLOSING = 0.03  # slope by which perspective may close a pipe's sides up towards its axis
_TOGETHER = 12.0  # neighbouring stations of a mask's border err together: so many count as one


@dataclass(frozen=True)
class Sides:
    """A pipe's borders in a look: offsets of the left and the right one from the axis at the mouth, and the slope of
    their middle against that axis."""

    left: float
    right: float
    slope: float


def whole(size_px: tuple[int, int]) -> Floats:
    """Map from the look's pixels to the photo's: the whole photo fitted in, portraits turned by a quarter."""
    width, height = size_px
    look_w, look_h = networks.FINDER_SIZE_PX
    turned = height > width
    long, short = max(size_px), min(size_px)
    scale = max(long / look_w, short / look_h)
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    turn = np.array([[0.0, -1.0], [1.0, 0.0]]) if turned else np.eye(2)
    matrix = scale * turn
    return np.column_stack([matrix, centre - matrix @ np.array([(look_w - 1) / 2, (look_h - 1) / 2])])


def ways(size_px: tuple[int, int]) -> list[Floats]:
    """Maps of first looks, in the order in which they are worth trying: whole, the middle, mirrored, upside down."""
    as_is = whole(size_px)
    centre = (np.array(networks.FINDER_SIZE_PX) - 1) / 2

    def through(change: Floats) -> Floats:
        matrix = as_is[:, :2] @ change
        return np.column_stack([matrix, as_is @ np.array([*centre, 1.0]) - matrix @ centre])

    return [as_is, through(_MIDDLE * np.eye(2)), through(np.diag([1.0, -1.0])), through(-np.eye(2))]


def found(photo: Photo, seen: Callable[[Photo, Look], Sighting | Refusal],
          final: str = "") -> Iterator[Sighting | Refusal]:
    """What each first look shows, one after the other, as far as they are asked for.

    final: a refusal after which it isn't looked again.
    """
    for way in ways(photo.size_px):
        sighting = seen(photo, see(photo.pixels, way))
        yield sighting
        if isinstance(sighting, Refusal) and sighting.reason == final:
            return


def see(pixels: Bytes, to_photo: Floats, who: Callable[[Bytes], networks.Shares] | None = None) -> Look:
    """Resample and let the finder, or who is named, see it.  Shrinking averages first, so that nothing aliases."""
    scale = float(np.sqrt(abs(np.linalg.det(to_photo[:, :2]))))
    corners = np.array([[0, 0, 1], [639, 0, 1], [0, 479, 1], [639, 479, 1]]) @ to_photo.T
    low = np.clip(np.floor(corners.min(0)).astype(int) - 8, 0, None)
    high = np.minimum(np.ceil(corners.max(0)).astype(int) + 9, np.array(pixels.shape[1::-1]))
    part = pixels[low[1]:high[1], low[0]:high[0]]
    shrink = max(1, min(int(scale), *part.shape[:2]))
    part = shrunk(part, shrink)
    to_part = to_photo / shrink
    to_part[:, 2] = (to_photo[:, 2] - low + 0.5) / shrink - 0.5
    picture = cv2.warpAffine(part, to_part, networks.FINDER_SIZE_PX,
                             flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_CONSTANT)
    shares = (who or networks.find)(np.asarray(picture, np.uint8))
    return Look(networks.likeliest(shares), shares, to_photo)


def parts(mask: NDArray[np.bool_], least: int) -> list[NDArray[np.bool_]]:
    """Connected parts of a mask, the largest six, each of at least so many pixels."""
    closed = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    count, labels = cv2.connectedComponents(closed)
    area_px = np.bincount(labels.ravel())
    order = sorted(range(1, count), key=lambda i: -area_px[i])
    return [labels == i for i in order[:6] if area_px[i] >= least]


def points(mask: NDArray[np.bool_], every: int = 1) -> Floats:
    """Pixels (n, 2), x and y, of a mask; of every so many rows and columns."""
    part = mask[::every, ::every]
    y, x = np.divmod(np.flatnonzero(part), part.shape[1])
    return np.stack([x, y]).T.astype(float) * every  # in memory all x come first: sums over pairs take longer


def rim(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The outermost two pixels of a mask: all that is needed of it where only its borders count."""
    inner = cv2.erode(mask.astype(np.uint8), np.ones((5, 5), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    return np.asarray(mask & (inner == 0), bool)


def inside(look: Look, size_px: tuple[int, int]) -> NDArray[np.bool_]:
    """Which pixels of a look show the photo: a border that the photo's own edge makes is no side of a pipe."""
    height, width = look.classes.shape
    margin, seen = look.photo_px_per_px, np.ones((height, width), bool)
    for (by_x, by_y, start), side in zip(look.to_photo, size_px, strict=True):
        at = (by_x * np.arange(width) + start)[None]
        if by_y:  # else the look is not turned, and all its rows are alike
            at = at + (by_y * np.arange(height))[:, None]
        seen &= (at > margin) & (at < side - 1 - margin)
    return seen


def unit(vector: Floats) -> Floats:
    """The vector scaled to length 1; a zero vector stays one."""
    return np.asarray(vector / max(float(np.linalg.norm(vector)), 1e-9))


def sides(points: Floats, over: NDArray[np.bool_], mouth: Floats, axis: Floats,
          least: float = -np.inf) -> Sides | None:
    """The left and right border of the pipe, seen along the axis; each tells its direction as well as it is known.

    A border behind which something lies over the pipe is not its side, and is left out.  points: of the pipe's mask,
    or of its rim.  least: offset of a border that can be this side's, and not the other's or the pipe's end.
    """
    across = np.array([-axis[1], axis[0]])
    along, beside = (points - mouth) @ axis, (points - mouth) @ across
    bins = np.round(along).astype(int)
    first = int(bins.min())
    count = np.bincount(bins - first)
    stations = first + np.arange(len(count))
    reach = max(5, round(0.25 * float(np.quantile(np.abs(beside), 0.9))))
    lines = []
    for sign in (-1, 1):
        place = np.full(len(count), -np.inf)
        np.maximum.at(place, bins - first, sign * beside)
        rows = np.nonzero((count >= 3) & (place > least))[0]
        border = mouth + stations[rows, None] * axis + sign * place[rows, None] * across
        rows = rows[~covered(over, border, sign * across, reach)]
        if len(rows) < 6:
            return None
        lines.append(_robust_line(stations[rows].astype(float), sign * (place[rows] + 0.5)))
    (left_slope, left, left_variance), (right_slope, right, right_variance) = lines
    weights = 1 / (np.array([left_variance, right_variance]) + _CLOSING**2)
    return Sides(left, right, float(np.average([left_slope, right_slope], weights=weights)))


def covered(over: NDArray[np.bool_], border: Floats, outward: Floats, reach: int) -> NDArray[np.bool_]:
    """Whether something lies over the pipe's border, or begins within reach of it; also outside the look.

    border: (n, 2) points of it.
    """
    at = np.round(border[:, None] + np.arange(-2, reach)[:, None] * outward).astype(int)
    size = np.array(over.shape[::-1])
    inside = np.all((at >= 0) & (at < size), axis=-1)
    x, y = np.moveaxis(np.clip(at, 0, size - 1), -1, 0)
    return np.asarray(~inside[:, :5].all(1) | (over[y, x] & inside).any(1))


def _robust_line(x: Floats, y: Floats) -> tuple[float, float, float]:
    """Slope, offset and the slope's variance by iteratively reweighted least squares (Cauchy weights).

    Few stations on a short stretch would turn the line anywhere: a slope of _SLOPE_U is expected of them.
    """
    basis = np.column_stack([x, np.ones_like(x)])
    ridge = np.diag([(2.0 / _SLOPE_U) ** 2, 0.0])
    weight: Floats = np.ones_like(x)
    fit: Floats = np.zeros(2)
    for _ in range(8):
        old, fit = fit, np.asarray(
            np.linalg.solve(basis.T @ (weight[:, None] * basis) + ridge, basis.T @ (weight * y)))
        rest = np.abs(y - basis @ fit)
        scatter = max(1.0, 1.5 * float(np.median(rest)))
        if np.abs(basis[[0, -1]] @ (fit - old)).max() < _SETTLED_PX:
            break
        weight = 1 / (1 + (rest / scatter) ** 2)
    known = np.linalg.inv(basis.T @ (weight[:, None] * basis) + ridge)
    return float(fit[0]), float(fit[1]), float(known[0, 0]) * scatter**2 * _TOGETHER
