"""Gap -> Measurement: how far the gap may be off, and what makes it so.

The chain from edges to gap is one model of named inputs.  It is run on draws of all of them (JCGM 101), and
through its tangent for the budget (JCGM 100); `propagation` does both.  Each draw moves the silhouettes, the
diameters, the lens and the edges, solves the pipe again in closed form, and meets it with the rays of the
mouth's and the mark's edges.  Where the lip's contour is what is seen of the mouth, it is carried back to the
mouth for the drawn lip and collar.

The mark's depth itself is held to be as the catalog says, for the installer's tape is not in the photo: the
insertion's interval is that of the gap, widened only where the row states a `mark_tolerance`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import Camera
from calibration.fittings import Fitting
from vision import geometry
from vision.propagation import (
    Draws,
    FirstOrder,
    Input,
    Normal,
    NormalGroup,
    Rectangular,
    conformity_probability,
    first_order,
    monte_carlo,
    normal_quantile,
    truncated_at_zero,
)
from vision.records import Contribution, Edge, Floats, Gap, Interval, Limb, Limbs, Measurement, Pose, Refusal

DRAWS = 4000  # the ends of a 95 % interval then scatter by 4 % of u; more would cost more than it tells
BLOCKS = 12  # rows of an edge are averaged to this many points: the gap is a mean, and smooth round the pipe

LIP_MM = (0.3, 1.6)  # radius of the lip: range seen in the trade (common practice, no source)
OFF_CENTRE_MM = 0.4  # half width of where the pipe may sit in the collar's bore (common practice, no source)
EDGE_FLOOR_PX = 0.3  # no edge of a phone photo is placed better as a whole: blur, sharpening, halo
_LENS_STEPS = 3
_MOST_MISSED = 0.01  # of the draws may leave the pipe where no ray meets it
RAGGED_MM = 3.0  # arc over which a hand-drawn edge keeps its course: rows nearer than this count as one
_WIDEST_ARC_RAD = math.radians(65)  # past the arc that is "seen well" an edge runs along the sight

_EDGES, _HAND = ("mouth edge", "mark edge", "mark ragged"), "placed by hand"
_LIMBS = ("left angle", "left offset", "right angle", "right offset")

Values = Mapping[str, Floats]


class SidesTooUncertain(Exception):
    """The silhouettes are known too poorly to draw poses from; never leaves this module."""


def measure(gap: Gap, limbs: Limbs, pose: Pose, camera: Camera, fitting: Fitting,
            confidence: float = 0.95, seed: int = 0) -> Measurement | Refusal:
    """The gap with its coverage interval, budget and probability of conformity.

    gap: as read; its edges carry pixels of the stored photo, which `camera` took.  The interval never goes
    below 0 and does not narrow there (JCGM 101 clause 9.4 is the pattern).  Where the view leaves the mark's
    place open (`least_mm` to `most_mm`) the interval holds all of it.  The same seed, the same numbers.
    Refuses with `edges-not-found` where the silhouettes are too uncertain to draw poses from.
    """
    chain = _Chain.of(gap, limbs, pose, camera, fitting)
    inputs = chain.inputs()
    try:
        draws = monte_carlo(chain.gap_mm, inputs, DRAWS, seed)
    except SidesTooUncertain:
        return Refusal("uncertainty", "edges-not-found", "the pipe's sides are too uncertain to measure from")
    interval = _interval(draws, chain.open_mm, confidence, gap.touches)
    return Measurement(
        gap=interval,
        insertion=_insertion(interval, fitting, confidence),
        line_width_mm=gap.line_width_mm,
        budget=_budget(first_order(chain.gap_mm, inputs)),
        p_full=conformity_probability(draws, fitting.max_gap_mm, floor=0.0),
        confidence=confidence,
        doubts=gap.doubts,
    )


def first_order_of(gap: Gap, limbs: Limbs, pose: Pose, camera: Camera, fitting: Fitting) -> FirstOrder:
    """The same chain by the law of propagation (JCGM 100 clause 5): the cross-check of `measure`.

    Its value may be negative; the floor at 0 is no part of a tangent.
    """
    chain = _Chain.of(gap, limbs, pose, camera, fitting)
    return first_order(chain.gap_mm, chain.inputs())


def _interval(draws: Draws, open_mm: tuple[float, float], confidence: float, touches: bool) -> Interval:
    """Interval from the draws, stretched to all that the view leaves open, floored at 0.

    An open stretch is not chance: a seated joint lies at its very end each time.  So the draws, which spread
    it evenly, are narrowed to none of it and the interval put about both ends.  The value is the middle where
    ink comes out from under the lip, and what was read where the edge stands free.
    """
    stretch = open_mm[1] - open_mm[0]
    if stretch == 0:
        span = truncated_at_zero(draws, confidence)
        low, high = span.low, span.high
    else:
        low, high = _about_both_ends(draws, stretch, confidence)
    read = draws.mean if touches else draws.mean - (open_mm[0] + open_mm[1]) / 2
    value = max(0.0, read)
    return Interval(value, min(low, value), max(high, value), draws.u)


def _about_both_ends(draws: Draws, stretch: float, confidence: float) -> tuple[float, float]:
    rest = math.sqrt(max(0.0, draws.u**2 - stretch**2 / 12))
    ends = [truncated_at_zero((draws.mean + side * stretch / 2, rest), confidence) for side in (-1, 1)]
    return ends[0].low, ends[1].high


def _insertion(gap: Interval, fitting: Fitting, confidence: float) -> Interval:
    """Mark depth minus gap; a `mark_tolerance` of the catalog joins in quadrature: it is independent."""
    half = fitting.mark_tolerance_mm or 0.0
    reach = min(normal_quantile((1 + confidence) / 2) / math.sqrt(3), 1.0) * half
    value = fitting.mark_depth_mm - gap.value_mm
    return Interval(value, value - math.hypot(gap.high_mm - gap.value_mm, reach),
                    value + math.hypot(gap.value_mm - gap.low_mm, reach),
                    math.hypot(gap.u_mm, half / math.sqrt(3)))


def _budget(linear: FirstOrder) -> tuple[Contribution, ...]:
    return tuple(Contribution(part.name, part.u, part.share) for part in linear.budget)


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
        centre = np.stack([self.x, self.y], -1)[:, None]
        seen = (stored_px - centre) / self.focal[:, None, None]
        if not (any(self.rest) or self.k1.any()):
            return np.asarray(seen)
        coefficients = (self.k1[:, None], *self.rest)
        return geometry.undistort_plane(seen, coefficients, np.broadcast_to(start, seen.shape), _LENS_STEPS)


@dataclass(frozen=True)
class _Chain:
    """From edges to the gap, for any number of draws at once: all that does not change between draws."""

    sides: tuple[_Side, _Side]
    camera: Camera
    fitting: Fitting
    direction: Floats
    mouth_px: Floats
    mark_px: Floats
    tilt_rate: Floats
    u_mm: Mapping[str, float]
    askew_mm: float
    measured_mm: float
    open_mm: tuple[float, float]

    @classmethod
    def of(cls, gap: Gap, limbs: Limbs, pose: Pose, camera: Camera, fitting: Fitting) -> _Chain:
        mouth_px, mark_px = _edge_points(gap, pose, camera)
        tilt_rate = geometry.axis_slope(limbs.pipe, geometry.camera_matrix(camera), pose.pipe.radius_mm,
                                        pose.pipe.direction)[0]
        chain = cls(
            sides=(_Side.of(limbs.pipe[0], camera), _Side.of(limbs.pipe[1], camera)),
            camera=camera, fitting=fitting, direction=pose.pipe.direction,
            mouth_px=mouth_px, mark_px=mark_px,
            tilt_rate=tilt_rate,
            u_mm=_edge_u(gap, pose) | {"axis tilt": _tilt_u(limbs, pose, tilt_rate)},
            askew_mm=_askew(gap), measured_mm=0.0, open_mm=(0.0, 0.0),
        )
        measured = float(chain.gap_mm(chain._estimates())[0])
        return replace(chain, measured_mm=measured, open_mm=_open(gap, measured))

    def inputs(self) -> list[Input]:
        """Every input with what is known of it; one entry is one line of the budget."""
        camera, fitting = self.camera, self.fitting
        return [
            self._limb_input(),
            Normal("axis tilt", 0.0, self.u_mm["axis tilt"]),
            _diameter("pipe diameter", fitting.pipe_od_mm, fitting.pipe_od_tolerance_mm),
            _diameter("collar diameter", fitting.collar_od_mm, fitting.collar_od_tolerance_mm),
            Rectangular("lip radius", *LIP_MM),
            Rectangular("pipe off centre", -OFF_CENTRE_MM, OFF_CENTRE_MM),
            Normal("focal length", camera.focal_px, camera.u_focal_px),
            NormalGroup("principal point", ("centre x", "centre y"), np.array(camera.centre_px),
                        np.eye(2) * camera.u_centre_px**2),
            Normal("lens distortion", camera.distortion[0], camera.u_k1),
            *(Normal(name, 0.0, self.u_mm[name]) for name in self._edges()),
            Rectangular("mark askew", -self.askew_mm, self.askew_mm),
            Rectangular("hidden by the lip", *self.open_mm),
        ]

    def _edges(self) -> tuple[str, ...]:
        """What may be wrong with the edges themselves; a hand is named only where there was one."""
        return (*_EDGES, _HAND) if self.u_mm[_HAND] else _EDGES

    def _limb_input(self) -> Input:
        covariance = np.zeros((4, 4))
        covariance[:2, :2], covariance[2:, 2:] = (side.covariance for side in self.sides)
        return NormalGroup("limb edges", _LIMBS, np.zeros(4), covariance)

    def _estimates(self) -> dict[str, Floats]:
        return {name: np.array([value]) for item in self.inputs()
                for name, value in zip(item.names, item.estimates(), strict=True)}

    def gap_mm(self, q: Values) -> Floats:
        """The model: gaps (draws,) for values (draws,) of every input; not floored at 0."""
        lens = _Lens(q["focal length"], q["centre x"], q["centre y"], q["lens distortion"],
                     self.camera.distortion[1:])
        radius = q["pipe diameter"] / 2
        point, direction = self._axis(q, lens, radius)
        outer = q["collar diameter"] / 2 - q["pipe off centre"]
        contour, angle = self._meet(self.mouth_px, lens, point, direction, radius)
        distance = np.linalg.norm(point, axis=-1)[:, None]
        contour = contour + q["mouth edge"][:, None]
        mouth = geometry.mouth_of_contour(contour, angle, distance, radius[:, None], outer[:, None],
                                          q["lip radius"][:, None])
        mark, _ = self._meet(self.mark_px, lens, point, direction, radius)
        beside = q["mark edge"] + q["mark ragged"] + q["mark askew"] + q["hidden by the lip"] + q.get(_HAND, 0.0)
        return _row_mean(mark - mouth) + beside

    def _axis(self, q: Values, lens: _Lens, radius: Floats) -> tuple[Floats, Floats]:
        """The pipe's axis (draws, 3) twice: point and direction."""
        lean = self._lean(q["axis tilt"])
        first, second = (
            _plane(lens.plane(side.moved_px(q[f"{name} angle"] + sign * lean, q[f"{name} offset"]),
                              self._nominal(side.stored_px)), side.outward)
            for side, name, sign in zip(self.sides, ("left", "right"), (1, -1), strict=True))
        point, direction = geometry.axis_of_planes(first, second, radius)
        return point, np.where((direction @ self.direction > 0)[:, None], direction, -direction)

    def _lean(self, tilt: Floats) -> Floats:
        """By how much the limbs close up, rad each, where the axis tilts: as a tapered pipe's do."""
        return np.asarray(tilt / (self.tilt_rate[0] - self.tilt_rate[2]))

    def _meet(self, stored_px: Floats, lens: _Lens, point: Floats, direction: Floats,
              radius: Floats) -> tuple[Floats, Floats]:
        at = lens.plane(stored_px[None], self._nominal(stored_px))
        rays = np.concatenate([at, np.ones((*at.shape[:-1], 1))], -1)
        return geometry.meet(rays, point[:, None], direction[:, None], radius[:, None])

    def _nominal(self, stored_px: Floats) -> Floats:
        ideal = geometry.undistort(stored_px, self.camera)
        return np.asarray((ideal - np.array(self.camera.centre_px)) / self.camera.focal_px)


def _row_mean(apart: Floats) -> Floats:
    """Mean over rows (draws, rows); a ray that misses a drawn pipe beside its limb says nothing of its row.

    A draw whose every ray misses takes the middle of the others; `measure` refuses when there are many.
    """
    seen = np.isfinite(apart)
    count = seen.sum(-1)
    if float((count == 0).mean()) > _MOST_MISSED:
        raise SidesTooUncertain
    mean = np.where(seen, apart, 0.0).sum(-1) / np.maximum(count, 1)
    return np.asarray(np.where(count == 0, np.median(mean[count > 0]), mean))


def _plane(points: Floats, outward: Floats) -> Floats:
    """Unit normals (draws, 3) of planes through the lens along the least squares line of three points.

    points: (draws, 3, 2) on the plane z = 1, evenly spaced: the line's slope is that of the outer two.
    """
    middle, half = points.mean(1), (points[:, 2] - points[:, 0]) / 2
    one = np.ones((len(points), 1))
    normal = geometry.unit(np.cross(np.concatenate([middle, one], -1),
                                    np.concatenate([half, 0 * one], -1)))
    return np.asarray(np.where((normal @ outward > 0)[:, None], normal, -normal))


def _diameter(name: str, value: float, half: float) -> Rectangular:
    return Rectangular(name, value - half, value + half)


def _edge_points(gap: Gap, pose: Pose, camera: Camera) -> tuple[Floats, Floats]:
    """Mouth and mark at the same angles, each (BLOCKS, 2) in the stored photo.

    The mark is averaged by blocks of rows.  The mouth is a plane's cut: it is fitted as one, and taken at
    the mark's angles, also where it was not read there.
    """
    mark_at, mark_angle = _on_pipe(gap.near, pose, camera)
    mouth_at, mouth_angle = _on_pipe(gap.mouth, pose, camera)
    angles, along = _blocks(mark_angle, mark_at)
    course = _plane_cut(mouth_angle, mouth_at, angles)
    pipe = pose.pipe
    mouth, mark = (
        geometry.project(geometry.surface(pipe.point_mm, pipe.direction, pipe.radius_mm, at, angles), camera)
        for at in (course, along))
    return mouth, mark


def _on_pipe(edge: Edge, pose: Pose, camera: Camera) -> tuple[Floats, Floats]:
    along, angle = geometry.meet_cylinder_px(edge.points_px, pose.pipe, pose.pipe.radius_mm, camera)
    good = np.isfinite(along) & (np.abs(angle) <= _WIDEST_ARC_RAD)
    if not good.any():
        raise ValueError("an edge without a single point on the pipe can't be measured")
    return along[good], angle[good]


def _blocks(angles: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Means of up to BLOCKS runs of neighbouring rows, of nearly the same count each."""
    order = np.argsort(angles)
    parts = np.array_split(order, min(BLOCKS, len(order)))
    return np.array([angles[p].mean() for p in parts]), np.array([values[p].mean() for p in parts])


def _plane_cut(angles: Floats, values: Floats, at: Floats) -> Floats:
    """A plane's cut through the cylinder, m0 + m1 sin + m2 cos, at other angles; m2 only over a wide arc."""
    terms = 3 if np.ptp(angles) > math.radians(60) else 2 if len(angles) > 4 else 1
    basis = np.stack([np.ones_like(angles), np.sin(angles), 1 - np.cos(angles)], -1)[:, :terms]
    wanted = np.stack([np.ones_like(at), np.sin(at), 1 - np.cos(at)], -1)[:, :terms]
    return np.asarray(wanted @ np.linalg.lstsq(basis, values, rcond=None)[0])


def _edge_u(gap: Gap, pose: Pose) -> dict[str, float]:
    """Standard uncertainties of what is put beside the chain: mm along the pipe."""
    floor = EDGE_FLOOR_PX / pose.px_per_mm / math.cos(math.radians(pose.tilt_deg))
    mouth_rows = _independent_rows(gap.mouth, pose)
    mark_rows = _independent_rows(gap.near, pose)
    return {
        "mouth edge": math.hypot(gap.mouth.bias_mm, floor, gap.mouth.sigma_mm / math.sqrt(mouth_rows)),
        "mark edge": math.hypot(gap.near.bias_mm, floor),
        "mark ragged": gap.near.sigma_mm / math.sqrt(mark_rows),
        _HAND: gap.hand_mm,
    }


def _tilt_u(limbs: Limbs, pose: Pose, tilt_rate: Floats) -> float:
    """By how much the pose widened its tilt, rad, over what the limbs' own fit explains."""
    fit = sum(float(rate @ geometry.limb_covariance(limb) @ rate)
              for rate, limb in zip((tilt_rate[:2], tilt_rate[2:]), limbs.pipe, strict=True))
    return math.sqrt(max(0.0, float(pose.pipe.covariance[0, 0]) - fit))


def _independent_rows(edge: Edge, pose: Pose) -> float:
    """How many rows count on their own, when neighbours within RAGGED_MM of arc go the same way."""
    arc = float(np.ptp(edge.angles_rad)) * pose.pipe.radius_mm if len(edge.angles_rad) else 0.0
    return float(np.clip(arc / RAGGED_MM, 1.0, max(1, len(edge.angles_rad))))


def _askew(gap: Gap) -> float:
    """Half width of what an askew mark leaves open: the gap is a mean over the inked arc, and where a fifth
    of that arc is not read at one end, the mean of the rest lies off by a tenth of the whole slant.
    """
    return 0.1 * abs(gap.askew_mm)


def _open(gap: Gap, measured: float) -> tuple[float, float]:
    """What the view leaves open, as offsets from the measured gap.

    Ink that touches the edge of what is seen may end anywhere from `least_mm` up to where it is seen to.
    """
    if gap.touches:
        return min(gap.least_mm - max(measured, 0.0), 0.0), max(gap.most_mm - measured, 0.0)
    return min(gap.least_mm - gap.value_mm, 0.0), max(gap.most_mm - gap.value_mm, 0.0)
