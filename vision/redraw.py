"""The pipe before the lens, drawn anew from all that is uncertain about it.  Part of `uncertainty` and `placing`.

Each draw moves the silhouettes, the diameter and the lens, solves the pipe again in closed form and meets it with
the rays of edges that were read.  Whatever is measured along a pipe is then a difference of such meetings.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import Camera
from calibration.fittings import Fitting
from vision import geometry
from vision.propagation import Input, Normal, NormalGroup, Rectangular
from vision.records import Edge, Floats, Limb, Limbs, Pose

BLOCKS = 12  # rows of an edge are averaged to this many points: what is measured is a mean, smooth round the pipe
EDGE_FLOOR_PX = 0.3  # no edge of a phone photo is placed better as a whole: blur, sharpening, halo
RAGGED_MM = 3.0  # arc over which a hand-drawn edge keeps its course: rows nearer than this count as one
FOCAL_LENGTH = "focal length"
PIPE_DIAMETER = "pipe diameter"  # the input that all photos of one joint share
_LENS_STEPS = 3
_MOST_MISSED = 0.01  # of the draws may leave the pipe where no ray meets it
_WIDEST_ARC_RAD = math.radians(65)  # past the arc that is "seen well" an edge runs along the sight
_LIMBS = ("left angle", "left offset", "right angle", "right offset")

Values = Mapping[str, Floats]


class SidesTooUncertain(Exception):
    """The silhouettes are known too poorly to draw poses from; never leaves the stages."""


@dataclass(frozen=True)
class _Side:
    """Three points of a limb, (3, 2) in the stored photo, their levers along it, and its outward normal."""

    stored_px: Floats
    lever_px: Floats
    normal_px: Floats
    outward: Floats
    covariance: Floats

    @classmethod
    def of(cls, limb: Limb, camera: Camera) -> _Side:
        normal = limb.line[:2]
        along = np.array([-normal[1], normal[0]])
        foot = limb.centre_px - normal * (normal @ limb.centre_px + limb.line[2])
        lever = np.array([-0.5, 0.0, 0.5]) * max(limb.length_px, 10.0)
        stored = geometry.distort(foot + lever[:, None] * along, camera)
        outward = geometry.plane_of_line(limb.line, geometry.camera_matrix(camera))
        return cls(stored, lever, normal, outward, geometry.limb_covariance(limb))

    def moved_px(self, angle: Floats, offset: Floats) -> Floats:
        """The three points (draws, 3, 2), turned and shifted."""
        beside = offset[:, None] - angle[:, None] * self.lever_px
        return self.stored_px + beside[..., None] * self.normal_px


@dataclass(frozen=True)
class _Lens:
    """A lens for every draw: focal length, centre, k1 (draws,), the rest of the distortion as it was."""

    focal: Floats
    x: Floats
    y: Floats
    k1: Floats
    rest: tuple[float, float, float, float]

    def plane(self, stored_px: Floats, start: Floats) -> Floats:
        """Ideal points (draws, n, 2) of the plane z = 1 of stored pixels (draws or 1, n, 2).

        start: (n, 2), the same points through the nominal lens, from which few steps lead on.
        """
        x, y, focal = (each[:, None] for each in (self.x, self.y, self.focal))
        seen = np.stack([(stored_px[..., 0] - x) / focal, (stored_px[..., 1] - y) / focal], -1)
        if not (any(self.rest) or self.k1.any()):
            return seen
        coefficients = (self.k1[:, None], *self.rest)
        return geometry.undistort_plane(seen, coefficients, np.broadcast_to(start, seen.shape), _LENS_STEPS)


@dataclass(frozen=True)
class Drawn:
    """A pipe for every draw, and the lens that sees it: axis point and direction (draws, 3), radius (draws,)."""

    lens: _Lens
    point: Floats
    direction: Floats
    radius_mm: Floats


@dataclass(frozen=True)
class Redraw:
    """All of one photo's pipe that does not change between draws."""

    sides: tuple[_Side, _Side]
    camera: Camera
    direction: Floats
    tilt_rate: Floats
    tilt_u_rad: float

    @classmethod
    def of(cls, limbs: Limbs, pose: Pose, camera: Camera) -> Redraw:
        """From the silhouettes and the pose that was solved from them."""
        camera = replace(camera, u_centre_px=0.0) if pose.by_mouth else camera
        rate = geometry.axis_slope(limbs.pipe, geometry.camera_matrix(camera), pose.pipe.radius_mm,
                                   pose.pipe.direction)[0]
        left, right = (_Side.of(limb, camera) for limb in limbs.pipe)
        return cls((left, right), camera, pose.pipe.direction, rate, _tilt_u(limbs, pose, rate))

    def inputs(self, fitting: Fitting) -> list[Input]:
        """What is known of silhouettes, tilt, diameter and lens; one entry is one line of the budget."""
        camera = self.camera
        covariance = np.zeros((4, 4))
        covariance[:2, :2], covariance[2:, 2:] = (side.covariance for side in self.sides)
        return [
            NormalGroup("limb edges", _LIMBS, np.zeros(4), covariance),
            Normal("axis tilt", 0.0, self.tilt_u_rad),
            diameter(PIPE_DIAMETER, fitting.pipe_od_mm, fitting.pipe_od_tolerance_mm),
            Normal(FOCAL_LENGTH, camera.focal_px, camera.u_focal_px),
            NormalGroup("principal point", ("centre x", "centre y"), np.array(camera.centre_px),
                        np.eye(2) * camera.u_centre_px**2),
            Normal("lens distortion", camera.distortion[0], camera.u_k1),
        ]

    def drawn(self, q: Values) -> Drawn:
        """The pipes that belong to values (draws,) of every input."""
        lens = _Lens(q[FOCAL_LENGTH], q["centre x"], q["centre y"], q["lens distortion"],
                     self.camera.distortion[1:])
        lean = q["axis tilt"] / (self.tilt_rate[0] - self.tilt_rate[2])  # limbs close up, as a tapered pipe's do
        first, second = (
            _plane(lens.plane(side.moved_px(q[f"{name} angle"] + sign * lean, q[f"{name} offset"]),
                              self._nominal(side.stored_px)), side.outward)
            for side, name, sign in zip(self.sides, ("left", "right"), (1, -1), strict=True))
        radius = q[PIPE_DIAMETER] / 2
        point, direction = geometry.axis_of_planes(first, second, radius)
        return Drawn(lens, point, np.where((direction @ self.direction > 0)[:, None], direction, -direction), radius)

    def meet(self, stored_px: Floats, drawn: Drawn) -> tuple[Floats, Floats]:
        """Axial coordinate and angle (draws, n) at which pixels (n, 2) of the stored photo show each pipe."""
        at = drawn.lens.plane(stored_px[None], self._nominal(stored_px))
        rays = np.concatenate([at, np.ones((*at.shape[:-1], 1))], -1)
        return geometry.meet(rays, drawn.point[:, None], drawn.direction[:, None], drawn.radius_mm[:, None])

    def _nominal(self, stored_px: Floats) -> Floats:
        ideal = geometry.undistort(stored_px, self.camera)
        return np.asarray((ideal - np.array(self.camera.centre_px)) / self.camera.focal_px)


def _tilt_u(limbs: Limbs, pose: Pose, tilt_rate: Floats) -> float:
    """By how much the pose widened its tilt, rad, over what the limbs' own fit explains."""
    fit = sum(float(rate @ geometry.limb_covariance(limb) @ rate)
              for rate, limb in zip((tilt_rate[:2], tilt_rate[2:]), limbs.pipe, strict=True))
    return math.sqrt(max(0.0, float(pose.pipe.covariance[0, 0]) - fit))


def _plane(points: Floats, outward: Floats) -> Floats:
    """Unit normals (draws, 3) of planes through the lens along the least squares line of three points.

    points: (draws, 3, 2) on the plane z = 1, evenly spaced: the line's slope is that of the outer two.
    """
    middle, half = points.mean(1), (points[:, 2] - points[:, 0]) / 2
    one = np.ones((len(points), 1))
    normal = geometry.unit(np.cross(np.concatenate([middle, one], -1),
                                    np.concatenate([half, 0 * one], -1)))
    return np.asarray(np.where((normal @ outward > 0)[:, None], normal, -normal))


def estimates(inputs: Sequence[Input]) -> dict[str, Floats]:
    """The best estimate (1,) of every quantity of some inputs."""
    return {name: np.array([value]) for item in inputs
            for name, value in zip(item.names, item.estimates(), strict=True)}


def diameter(name: str, value: float, half: float) -> Rectangular:
    """What a catalog says of a diameter: anything within its tolerance."""
    return Rectangular(name, value - half, value + half)


def row_mean(apart: Floats) -> Floats:
    """Mean over rows (draws, rows); a ray that misses a drawn pipe beside its limb says nothing of its row.

    A draw whose every ray misses takes the middle of the others.  Raises SidesTooUncertain when there are many.
    """
    seen = np.isfinite(apart)
    count = seen.sum(-1)
    if float((count == 0).mean()) > _MOST_MISSED:
        raise SidesTooUncertain
    mean = np.where(seen, apart, 0.0).sum(-1) / np.maximum(count, 1)
    return np.asarray(np.where(count == 0, np.median(mean[count > 0]), mean))


def on_pipe(edge: Edge, pose: Pose, camera: Camera) -> tuple[Floats, Floats]:
    """Axial coordinate and angle of an edge's points on the pose's pipe, as far as they lie on its seen side."""
    along, angle = geometry.meet_cylinder_px(edge.points_px, pose.pipe, pose.pipe.radius_mm, camera)
    good = np.isfinite(along) & (np.abs(angle) <= _WIDEST_ARC_RAD)
    if not good.any():
        raise ValueError("an edge without a single point on the pipe can't be measured")
    return along[good], angle[good]


def blocks(angles: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Means of up to BLOCKS runs of neighbouring rows, of nearly the same count each."""
    order = np.argsort(angles)
    parts = np.array_split(order, min(BLOCKS, len(order)))
    return np.array([angles[p].mean() for p in parts]), np.array([values[p].mean() for p in parts])


def plane_cut(angles: Floats, values: Floats, at: Floats) -> Floats:
    """A plane's cut through the cylinder, m0 + m1 sin + m2 cos, at other angles; m2 only over a wide arc."""
    terms = 3 if np.ptp(angles) > math.radians(60) else 2 if len(angles) > 4 else 1
    basis = np.stack([np.ones_like(angles), np.sin(angles), 1 - np.cos(angles)], -1)[:, :terms]
    wanted = np.stack([np.ones_like(at), np.sin(at), 1 - np.cos(at)], -1)[:, :terms]
    return np.asarray(wanted @ np.linalg.lstsq(basis, values, rcond=None)[0])


def independent_rows(edge: Edge, pose: Pose) -> float:
    """How many rows count on their own, when neighbours within RAGGED_MM of arc go the same way."""
    arc = float(np.ptp(edge.angles_rad)) * pose.pipe.radius_mm if len(edge.angles_rad) else 0.0
    return float(np.clip(arc / RAGGED_MM, 1.0, max(1, len(edge.angles_rad))))
