"""Joints of known truth without a renderer: exact silhouettes and edges, and a quick picture of them.

A `Scene` says everything about a joint and the camera that sees it.  `limbs`, `gap` and `photo_camera` give
what perfect stages would read of it, with as much noise as asked for; `draw` paints it.  Truth is traced from
the collar's own rings, not from the closed forms under test.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from calibration.fittings import Fitting
from vision import geometry
from vision.records import Axis, Edge, Floats, Gap, Limb, Limbs

ROWS = np.radians(np.linspace(-60, 60, 121))


def fitting(pipe_od: float = 60.325, collar_od: float = 73.0, limit: float = 1.5875,
            **more: float) -> Fitting:
    """A fitting with round figures: a 2 inch pipe (ASME B36.10M) in an invented collar."""
    rest = {"collar_od_tolerance_mm": 0.0, "pipe_od_tolerance_mm": 0.0, **more}
    return Fitting(id="test", nominal_size="2", collar_od_mm=collar_od, pipe_od_mm=pipe_od,
                   mark_depth_mm=28.575, max_gap_mm=limit, source="invented", notes="", is_demo=False, **rest)


@dataclass(frozen=True)
class Scene:
    """A joint and its camera.  tilt_deg > 0: the camera stands on the pipe's side of the mouth.

    camera: the true one.  assumed: what the photo says of it.  off_centre_mm: the pipe's axis from the
    collar's, (towards the lens, sideways).  seat_deg: angle between the axes, in the plane of sight.
    *_bias_mm and *_noise_mm: how a reader would misplace whole edges, and their single rows.
    """

    fitting: Fitting = field(default_factory=fitting)
    camera: Camera = field(default_factory=lambda: Camera(1500.0, (1007.5, 755.5)))
    assumed: Camera | None = None
    size_px: tuple[int, int] = (2016, 1512)
    distance_mm: float = 300.0
    tilt_deg: float = 10.0
    roll_deg: float = 0.0
    mouth_at_px: tuple[float, float] | None = None
    gap_mm: float = 3.0
    line_width_mm: float = 2.0
    askew_mm: float = 0.0
    ragged_mm: float = 0.0
    arc_deg: tuple[float, float] = (-60.0, 60.0)
    lip_mm: float = 0.8
    off_centre_mm: tuple[float, float] = (0.0, 0.0)
    seat_deg: float = 0.0
    limb_noise_px: float = 0.0
    limb_bias_px: float = 0.0
    mouth_bias_mm: float = 0.0
    mark_bias_mm: float = 0.0
    row_noise_mm: float = 0.0
    seed: int = 0

    @property
    def known(self) -> Camera:
        """The camera as the stages are told of it."""
        return self.assumed or self.camera

    @cached_property
    def pipe(self) -> Axis:
        """The true axis of the pipe."""
        at = np.array(self.mouth_at_px or self.camera.centre_px)
        sight = geometry.rays(at, self.camera)
        roll = math.radians(self.roll_deg)
        across = np.array([math.cos(roll), math.sin(roll), 0.0])
        across = geometry.unit(across - sight * (across @ sight))
        tilt = math.radians(self.tilt_deg)
        direction = math.cos(tilt) * across - math.sin(tilt) * sight
        mouth = sight * self.distance_mm
        point = mouth - direction * (mouth @ direction)
        return Axis(point, direction, self.fitting.pipe_od_mm / 2, np.zeros((4, 4)))

    @property
    def mouth_mm(self) -> float:
        """Axial coordinate of the mouth on the pipe's axis."""
        return -self.distance_mm * math.sin(math.radians(self.tilt_deg))

    @cached_property
    def collar(self) -> Axis:
        """The true axis of the collar: off centre, and turned about the middle of the mouth by the seat."""
        pipe = self.pipe
        _, u, v = geometry.frame(pipe.point_mm, pipe.direction)
        seat = math.radians(self.seat_deg)
        direction = math.cos(seat) * pipe.direction + math.sin(seat) * u
        middle = pipe.point_mm + self.mouth_mm * pipe.direction
        middle = middle + self.off_centre_mm[0] * u - self.off_centre_mm[1] * v
        point = middle - direction * (middle @ direction)
        return Axis(point, direction, self.fitting.collar_od_mm / 2, np.zeros((4, 4)))

    @cached_property
    def mouth_of_collar_mm(self) -> float:
        """Axial coordinate of the mouth on the collar's axis."""
        middle = self.pipe.point_mm + self.mouth_mm * self.pipe.direction
        return float((middle - self.collar.point_mm) @ self.collar.direction)

    @cached_property
    def seam_mm(self) -> Floats:
        """Where the collar's mouth plane cuts the pipe, at the angles of ROWS."""
        return np.full_like(ROWS, self.mouth_mm) + _plane_slant(self)

    @cached_property
    def border_mm(self) -> Floats:
        """Where pipe begins to be seen, at the angles of ROWS: the seam or the contour of the lip."""
        return np.maximum(self.seam_mm, ring_shadow(self))

    @cached_property
    def mark_mm(self) -> Floats:
        """The mark's near edge at the angles of ROWS."""
        wave = _wave(ROWS * self.fitting.pipe_od_mm / 2, self.seed) * self.ragged_mm
        slant = self.askew_mm * np.sin(ROWS) / (2 * math.sin(math.radians(60)))
        return self.mouth_mm + self.gap_mm + slant + wave

    @property
    def inked(self) -> NDArray[np.bool_]:
        """Rows that carry ink."""
        low, high = np.radians(self.arc_deg)
        return (low - 1e-9 <= ROWS) & (high + 1e-9 >= ROWS)

    @property
    def truth_mm(self) -> float:
        """The gap: mean over the arc seen well of mark minus mouth, 0 where it reaches under the collar."""
        return float(np.maximum(self.mark_mm - self.seam_mm, 0.0).mean())

    @property
    def mark_is_seen(self) -> bool:
        """Whether at least half a millimetre of ink comes out from under the lip all along the arc."""
        return bool((self.mark_mm + self.line_width_mm - self.border_mm)[self.inked].min() > 0.5)


def _plane_slant(scene: Scene) -> Floats:
    """The mouth plane of a collar that is turned by the seat is a slanted cut of the pipe."""
    radius = scene.pipe.radius_mm
    return radius * math.tan(math.radians(scene.seat_deg)) * np.cos(ROWS)


def ring_shadow(scene: Scene, rings: int = 33) -> Floats:
    """Axial coordinate on the pipe up to which the lip hides it, at the angles of ROWS, ring by ring.

    Each ring of the lip's round is traced through the lens onto the pipe; the farthest shadow counts.
    """
    if scene.mouth_mm <= 0:
        return np.full_like(ROWS, -1e9)
    radius, lip = scene.fitting.collar_od_mm / 2, scene.lip_mm
    round_about = np.radians(np.linspace(-80, 80, 161))
    shadows = []
    for turn in np.linspace(0, np.pi / 2, rings):
        at = scene.mouth_of_collar_mm - lip * (1 - math.sin(turn))
        ring = geometry.surface(scene.collar.point_mm, scene.collar.direction,
                                radius - lip * (1 - math.cos(turn)), np.array(at), round_about)
        along, angle = geometry.meet(geometry.unit(ring), scene.pipe.point_mm, scene.pipe.direction,
                                     scene.pipe.radius_mm)
        good = np.isfinite(along)
        order = np.argsort(angle[good])
        shadows.append(np.interp(ROWS, angle[good][order], along[good][order], np.nan, np.nan))
    return np.nan_to_num(np.nanmax(np.array(shadows), axis=0), nan=-1e9)


def _wave(arc_mm: Floats, seed: int) -> Floats:
    """A hand's unsteadiness: unit standard deviation, correlated over some 3 mm of arc."""
    rng = np.random.default_rng(seed)
    fine = np.arange(arc_mm.min() - 10, arc_mm.max() + 10, 0.25)
    white = rng.standard_normal(len(fine))
    kernel = np.exp(-0.5 * (np.arange(-12, 12.1, 0.25) / 1.5) ** 2)
    return np.interp(arc_mm, fine, np.convolve(white, kernel / np.sqrt((kernel**2).sum()), "same"))


def limbs(scene: Scene, rng: np.random.Generator) -> Limbs:
    """Silhouettes as a stage `refine` would give them, seen with the camera that the photo claims."""
    reach = 1.15 * scene.fitting.pipe_od_mm
    pipe = _pair(scene, scene.pipe, scene.mouth_mm + 3, scene.mouth_mm + reach, rng)
    end = scene.mouth_of_collar_mm
    collar = _pair(scene, scene.collar, end - 0.55 * reach, end - 3, rng)
    return Limbs(pipe, collar)


def _pair(scene: Scene, axis: Axis, start: float, end: float, rng: np.random.Generator) -> tuple[Limb, Limb]:
    turn = math.acos(axis.radius_mm / float(np.linalg.norm(axis.point_mm)))
    pair = [_limb(scene, axis, np.linspace(start, end, 80), side * turn, rng) for side in (-1, 1)]
    return pair[0], pair[1]


def _limb(scene: Scene, axis: Axis, along: Floats, angle: float, rng: np.random.Generator) -> Limb:
    points = geometry.surface(axis.point_mm, axis.direction, axis.radius_mm, along, np.array(angle))
    pixels = geometry.project(points, scene.camera)
    middle = geometry.project(axis.point_mm + along.mean() * axis.direction, scene.camera)
    run = geometry.unit(pixels[-1] - pixels[0])
    outward = np.array([-run[1], run[0]])
    outward = outward if outward @ (pixels.mean(0) - middle) > 0 else -outward
    whole = scene.limb_bias_px * rng.standard_normal()
    beside = whole + scene.limb_noise_px * rng.standard_normal(len(pixels))
    return fit_limb(geometry.undistort(pixels + beside[:, None] * outward, scene.known), outward)


def fit_limb(points: Floats, outward: Floats) -> Limb:
    """Total least squares line of edge points, with the covariance of independent errors."""
    centre = points.mean(0)
    along, normal = np.linalg.svd(points - centre, full_matrices=False)[2]
    normal = normal if normal @ outward > 0 else -normal
    rest = (points - centre) @ normal
    variance = float((rest**2).sum()) / (len(points) - 2) / len(points)
    lever = float(np.mean(((points - centre) @ along) ** 2))
    return Limb(np.array([*normal, -normal @ centre]), centre, np.diag([variance / lever, variance]),
                math.sqrt(variance * len(points)), float(np.ptp((points - centre) @ along)), points)


def mouth_px(scene: Scene) -> Floats:
    """The middle of the mouth's border in the photo: what `locate` would say."""
    return border_px(scene, scene.border_mm)[len(ROWS) // 2]


def axis_px(scene: Scene) -> Floats:
    """Unit vector in the photo towards the pipe."""
    ends = scene.pipe.point_mm + np.array([[scene.mouth_mm], [scene.mouth_mm + 10]]) * scene.pipe.direction
    a, b = geometry.project(ends, scene.camera)
    return geometry.unit(b - a)


def border_px(scene: Scene, along_mm: Floats) -> Floats:
    """Photo pixels of an axial place in every row of ROWS."""
    axis = scene.pipe
    return geometry.project(geometry.surface(axis.point_mm, axis.direction, axis.radius_mm, along_mm, ROWS),
                            scene.camera)


def gap(scene: Scene, rng: np.random.Generator) -> Gap:
    """What a reader with the scene's biases and noise reads; brackets as the stage `read` sets them."""
    rows = scene.inked
    border = scene.border_mm + scene.mouth_bias_mm * rng.standard_normal()
    border = border + scene.row_noise_mm * rng.standard_normal(len(ROWS))
    near = scene.mark_mm + scene.mark_bias_mm * rng.standard_normal()
    near = near + scene.row_noise_mm * rng.standard_normal(len(ROWS))
    touches = bool(np.median((near - border)[rows]) < 0.35)
    near = np.maximum(near, border)
    hidden = float((scene.border_mm - scene.seam_mm)[rows].mean())
    value = hidden / 2 if touches else float((near - border)[rows].mean() + hidden)
    slope = float(np.polyfit(np.sin(ROWS[rows]), near[rows], 1)[0])
    return Gap(
        value, 0.0 if touches else value, hidden if touches else value,
        mouth=Edge(ROWS, border, border_px(scene, border), _scatter(ROWS, border)),
        near=Edge(ROWS[rows], near[rows], border_px(scene, near)[rows], _scatter(ROWS[rows], near[rows])),
        line_width_mm=scene.line_width_mm, hidden_mm=hidden,
        askew_mm=abs(slope) * float(np.ptp(np.sin(ROWS[rows]))),
        arc_deg=float(rows.sum()), ink_score=1.0, touches=touches,
    )


def _scatter(angles: Floats, values: Floats) -> float:
    basis = np.stack([np.ones_like(angles), np.sin(angles), np.cos(angles)], -1)
    rest = values - basis @ np.linalg.lstsq(basis, values, rcond=None)[0]
    return float(np.sqrt((rest**2).sum() / max(1, len(values) - 3)))
