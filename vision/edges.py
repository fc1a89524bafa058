"""Limbs -> Limbs: each side of pipe and collar looked at closely, by a network of its own.

The photo's strongest edge near a side is often another's: a shadow's, a reflection's, that of what the pipe lies on.
The edger sees the side straightened, with a little of the pipe and of what lies beside it, and tells where the pipe
ends, near the mouth and further out, and how surely.  Where it doesn't know, the limb stays as it was.  It learnt from
pipes alone, and tells a collar's sides nearly as well (DEVELOPERS.md, "The sides").
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.camera import Camera
from vision import geometry, networks
from vision.lanes import SIGNS, beside_mm
from vision.records import Bytes, Floats, Limb, Limbs, Photo, Pose, Sighting
from vision.resample import resample

ROWS, COLUMNS = 96, 192
STEP = 0.006  # of the half width: a row
SURE, ROUGHLY = 0.015, 0.12  # of the half width: spreads with which a side is known, or is a start for another look
USUAL = 0.003  # spread where nothing is in doubt: the coarseness of the rows
AGAIN = 0.05  # of the half width: a side that was so far off is looked at once more, from where it is
_FINER = 2  # lanes of a row
_DIGITS = 4  # of what is seen: with another number of threads the engine adds in another order, and a pose would differ
_AT = (0.25, 0.75)  # of the columns: where its two answers belong


@dataclass(frozen=True)
class Stretch:
    """What is looked at: from so many mm from the mouth to so many radii, towards the pipe or, negative, the collar.

    errs: by how much, of the half width, the edger errs there where nothing is in doubt.  wider: by how much its doubt
    is too small.  swing_rad: how far a side there swings from the pipe's axis for reasons of its own, where it tells no
    direction: collars are short, ringed and tapered.
    """

    first_mm: float
    to_radii: float
    errs: float
    wider: float = 1.0
    swing_rad: float = 0.0


PIPE = Stretch(2.0, 1.8, 0.0012)
COLLAR = Stretch(-2.0, -1.0, 0.0025, wider=1.5, swing_rad=0.02)


@dataclass(frozen=True)
class Seen:
    """A side in half widths from the axis, in the half of the stretch near the mouth and in the other; (2,) with
    spreads."""

    at: Floats
    u: Floats


def closer(photo: Photo, limbs: Limbs, pose: Pose, sure: float = SURE) -> Limbs:
    """The limbs, each of the pipe's where the close look sees it, if its spread is less than `sure`."""
    return replace(limbs, pipe=_pair(photo, limbs.pipe, pose, pose.pipe.radius_mm, (PIPE, sure)))


def reconciled(photo: Photo, limbs: Limbs, pose: Pose, collar_radius_mm: float) -> Limbs:
    """Limbs whose collar contradicts their pipe, with the collar where the close look sees it.

    Where that isn't sure, and the pipe is known, there is none: mirroring metal, or a collar behind something else,
    would contradict what is better known.
    """
    inside = float(np.linalg.norm(pose.pipe.point_mm)) <= collar_radius_mm  # lens in the collar: misread
    if limbs.collar is None or inside:
        return limbs
    collar = _pair(photo, limbs.collar, pose, collar_radius_mm, (COLLAR, SURE))
    return replace(limbs, collar=collar if _told(collar) or not known(limbs) else None)


def _pair(photo: Photo, limbs: tuple[Limb, Limb], pose: Pose, radius_mm: float,
          how: tuple[Stretch, float]) -> tuple[Limb, Limb]:
    pair, (stretch, sure) = list(limbs), how
    around = replace(pose, pipe=replace(pose.pipe, radius_mm=radius_mm))
    both = networks.in_pairs(lambda sign: look(photo, around, sign, stretch), *SIGNS)
    for sign, seen in zip(SIGNS, both, strict=True):
        if seen.u.max() < sure:
            limb = _limb(photo, around, sign, seen, stretch)
            pair[0 if limbs[0].line[:2] @ limb.line[:2] > 0 else 1] = limb
    return pair[0], pair[1]


def _told(pair: tuple[Limb, Limb]) -> bool:
    """Whether both sides were told by a close look."""
    return all(limb.closely for limb in pair)


def known(limbs: Limbs) -> bool:
    """Whether both sides of the pipe were told by a close look."""
    return _told(limbs.pipe)


def level_with(sighting: Sighting, limbs: Limbs, camera: Camera) -> Limbs:
    """The limbs with the pipe's sides level with its axis and as far apart as the finder's mask says: another start for
    the close look, where the photo's edges led astray."""
    axis = sighting.axis_px
    across = np.array([-axis[1], axis[0]])
    pipe = []
    for limb in limbs.pipe:
        side = across if across @ limb.line[:2] > 0 else -across
        at = geometry.undistort(sighting.mouth_px + 0.5 * sighting.pipe_width_px * side, camera)
        pipe.append(replace(limb, line=np.array([*side, -side @ at]), centre_px=at))
    return replace(limbs, pipe=(pipe[0], pipe[1]))


def far_off(before: Limbs, after: Limbs, pose: Pose) -> bool:
    """Whether a side of the pipe lay so far from where it is that the look at it was askew."""
    apart_px = max(abs(float(old.line[:2] @ new.centre_px + old.line[2]))
                   for old, new in zip(before.pipe, after.pipe, strict=True))
    return apart_px > AGAIN * pose.pipe.radius_mm * pose.px_per_mm


def look(photo: Photo, pose: Pose, sign: int, stretch: Stretch = PIPE) -> Seen:
    """Where the side -1 or 1 of the pose's cylinder is seen."""
    shares = networks.edge(straightened(photo, pose, sign, stretch))
    at = 1 + STEP * (np.arange(ROWS, dtype=np.float64) - (ROWS - 1) / 2)
    means = np.array([share @ at for share in shares])
    spreads = np.array([np.sqrt(share @ (at - mean) ** 2) for share, mean in zip(shares, means, strict=True)])
    return Seen(np.round(means, _DIGITS), np.round(spreads, _DIGITS))


def straightened(photo: Photo, pose: Pose, sign: int, stretch: Stretch = PIPE) -> Bytes:
    """(ROWS, COLUMNS, 3) along a side: rows from inside to outside, columns from the pose's guess of the mouth on."""
    count = ROWS * _FINER
    lanes: Floats = sign * (1 + STEP / _FINER * (np.arange(count, dtype=np.float64) - (count - 1) / 2))
    along = _along(pose, np.linspace(0, 1, COLUMNS), stretch)
    at = geometry.project(beside_mm(pose.pipe, lanes, along), photo.camera)
    cell_mm = min(STEP * pose.pipe.radius_mm, abs(float(along[1] - along[0])))
    return np.asarray(cv2.resize(resample(photo, at, pose.px_per_mm * cell_mm), (COLUMNS, ROWS),
                                 interpolation=cv2.INTER_AREA), np.uint8)


def _along(pose: Pose, share: Floats, stretch: Stretch) -> Floats:
    """Places along the axis, a share of the columns from their first."""
    length = stretch.to_radii * pose.pipe.radius_mm - stretch.first_mm
    return pose.mouth_mm + stretch.first_mm + share * length


def _limb(photo: Photo, pose: Pose, sign: int, seen: Seen, stretch: Stretch) -> Limb:
    """The line through the two places, as well known as they are; both err alike, mostly."""
    def px(lane: float, share: float) -> Floats:
        point = beside_mm(pose.pipe, np.array([lane]), _along(pose, np.array([share]), stretch))
        return geometry.undistort(geometry.project(point, photo.camera), photo.camera).reshape(2)

    places = np.full(2, seen.at.mean()) if stretch.swing_rad else seen.at
    near, far = (px(sign * at, share) for at, share in zip(places, _AT, strict=True))
    axis = geometry.unit(far - near)
    normal = np.array([-axis[1], axis[0]])
    normal = normal if normal @ (px(sign * (seen.at[0] + 1), _AT[0]) - near) > 0 else -normal
    doubt = stretch.wider**2 * np.maximum(0.0, seen.u**2 - USUAL**2)
    u_px = pose.pipe.radius_mm * pose.px_per_mm * np.sqrt(stretch.errs**2 + doubt)
    length = float(np.linalg.norm(far - near))
    turn = stretch.swing_rad**2 or 0.5 * float((u_px**2).sum()) / length**2
    covariance = np.diag([turn, float((u_px**2).mean())])
    points = near + np.linspace(-0.5, 1.5, 24)[:, None] * (far - near)
    return Limb(np.array([*normal, -normal @ near]), 0.5 * (near + far), covariance, float(u_px.mean()), 2 * length,
                points, closely=bool(seen.u.max() < SURE))
