"""Joints of known truth without a renderer: exact silhouettes and edges, and a quick picture of them.

A `Scene` says everything about a joint and the camera that sees it.  `limbs`, `gap` and `photo_camera` give
what perfect stages would read of it, with as much noise as asked for; `draw` paints it.  Truth is traced from
the collar's own rings, not from the closed forms under test.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera, FocalSource
from calibration.fittings import Fitting
from vision import geometry, networks
from vision.records import Axis, Edge, Floats, Gap, Limb, Limbs, Look, Pose, Refusal, Sighting

ROWS = np.radians(np.linspace(-60, 60, 121))
MOUTH_BIAS_MM = 0.10  # by how much this file's reader may misplace a whole mouth, and says so
MARK_BIAS_MM = 0.06  # the same of a mark


def fitting(pipe_od: float = 60.325, collar_od: float = 73.0, limit: float = 1.5875,
            **more: float) -> Fitting:
    """A fitting with round figures: a 2 inch pipe (ASME B36.10M) in an invented collar; millimetres."""
    return Fitting(id="test", nominal_size="2", unit="mm", collar_od=collar_od, pipe_od=pipe_od,
                   mark_depth=28.575, max_gap=limit, source="invented", **more)


@dataclass(frozen=True)
class Scene:
    """A joint and its camera.  tilt_deg > 0: the camera stands on the pipe's side of the mouth.

    fitting: the true diameters.  listed: what the catalog says of them.  camera: the true one.  assumed:
    what the photo says of it.  off_centre_mm: the pipe's axis from the collar's, (towards the
    lens, sideways).  seat_deg: angle between the axes, in the plane of sight.
    taper_rad: by how much each limb of the pipe leans outwards along it, in the photo.
    *_bias_mm and *_noise_mm: how a reader would misplace whole edges, and their single rows.
    """

    fitting: Fitting = field(default_factory=fitting)
    listed: Fitting | None = None
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
    taper_rad: float = 0.0
    limb_noise_px: float = 0.0
    limb_bias_px: float = 0.0
    mouth_bias_mm: float = 0.0
    mark_bias_mm: float = 0.0
    row_noise_mm: float = 0.0
    seed: int = 0

    @property
    def catalog(self) -> Fitting:
        """The fitting as the stages are told of it."""
        return self.listed or self.fitting

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
        return seam(self, ROWS)

    @cached_property
    def border_mm(self) -> Floats:
        """Where pipe begins to be seen, at the angles of ROWS: the seam or the contour of the lip."""
        return border(self, ROWS)

    @cached_property
    def mark_mm(self) -> Floats:
        """The mark's near edge at the angles of ROWS."""
        return mark(self, ROWS)

    @property
    def inked(self) -> NDArray[np.bool_]:
        """Rows that carry ink."""
        low, high = np.radians(self.arc_deg)
        return (low - 1e-9 <= ROWS) & (high + 1e-9 >= ROWS)

    @property
    def truth_mm(self) -> float:
        """The gap: mean over the inked arc of mark minus mouth, 0 where it reaches under the collar."""
        return float(np.maximum(self.mark_mm - self.seam_mm, 0.0)[self.inked].mean())

    @property
    def mark_is_seen(self) -> bool:
        """Whether at least half a millimetre of ink comes out from under the lip all along the arc."""
        return bool((self.mark_mm + self.line_width_mm - self.border_mm)[self.inked].min() > 0.5)


def mark(scene: Scene, angles: Floats) -> Floats:
    """Axial coordinate of the mark's near edge: straight, askew, unsteady."""
    wave = _wave(angles * scene.pipe.radius_mm, scene.seed) * scene.ragged_mm
    slant = scene.askew_mm * np.sin(angles) / (2 * math.sin(math.radians(60)))
    return scene.mouth_mm + scene.gap_mm + slant + wave


def seam(scene: Scene, angles: Floats) -> Floats:
    """The mouth plane of a collar that is turned by its seat is a slanted cut of the pipe."""
    return scene.mouth_mm + scene.pipe.radius_mm * math.tan(math.radians(scene.seat_deg)) * np.cos(angles)


def border(scene: Scene, angles: Floats) -> Floats:
    """Where pipe begins to be seen: at the seam, or beyond what the lip hides."""
    return np.maximum(seam(scene, angles), ring_shadow(scene, angles))


def ring_shadow(scene: Scene, angles: Floats, rings: int = 33) -> Floats:
    """Axial coordinate on the pipe up to which the lip hides it, ring by ring; far away where it can't.

    Each ring of the lip's round is traced through the lens onto the pipe; the farthest shadow counts.
    """
    radius, lip = scene.fitting.collar_od_mm / 2, scene.lip_mm
    if scene.mouth_mm <= 0:
        return np.full_like(angles, -1e9)
    round_about = np.radians(np.linspace(-95, 95, 761))
    shadows = []
    for turn in np.linspace(0, np.pi / 2, rings):
        at = scene.mouth_of_collar_mm - lip * (1 - math.sin(turn))
        ring = geometry.surface(scene.collar.point_mm, scene.collar.direction,
                                radius - lip * (1 - math.cos(turn)), np.array(at), round_about)
        along, angle = geometry.meet(geometry.unit(ring), scene.pipe.point_mm, scene.pipe.direction,
                                     scene.pipe.radius_mm)
        good = np.isfinite(along)
        order = np.argsort(angle[good])
        shadows.append(np.interp(angles, angle[good][order], along[good][order]))
    return np.max(np.array(shadows), axis=0)


def _wave(arc_mm: Floats, seed: int) -> Floats:
    """A hand's unsteadiness: unit standard deviation, correlated over some 3 mm of arc."""
    rng = np.random.default_rng(seed)
    fine = np.arange(-200.0, 200.0, 0.25)
    white = rng.standard_normal(len(fine))
    kernel = np.exp(-0.5 * (np.arange(-12, 12.1, 0.25) / 1.5) ** 2)
    return np.interp(arc_mm, fine, np.convolve(white, kernel / np.sqrt((kernel**2).sum()), "same"))


def limbs(scene: Scene, rng: np.random.Generator) -> Limbs:
    """Silhouettes as a stage `refine` would give them, seen with the camera that the photo claims."""
    reach = 1.15 * scene.fitting.pipe_od_mm
    pipe = _pair(scene, scene.pipe, (scene.mouth_mm + 3, scene.mouth_mm + reach), scene.taper_rad, rng)
    end = scene.mouth_of_collar_mm
    collar = _pair(scene, scene.collar, (end - 0.55 * reach, end - 3), 0.0, rng)
    return Limbs(pipe, collar)


def _pair(scene: Scene, axis: Axis, span: tuple[float, float], taper: float,
          rng: np.random.Generator) -> tuple[Limb, Limb]:
    turn = math.acos(axis.radius_mm / float(np.linalg.norm(axis.point_mm)))
    along = np.linspace(*span, 80)
    pair = [_limb(scene, axis, along, side * turn, taper, rng) for side in (-1, 1)]
    return pair[0], pair[1]


def _limb(scene: Scene, axis: Axis, along: Floats, angle: float, taper: float,
          rng: np.random.Generator) -> Limb:
    points = geometry.surface(axis.point_mm, axis.direction, axis.radius_mm, along, np.array(angle))
    pixels = geometry.project(points, scene.camera)
    middle = geometry.project(axis.point_mm + along.mean() * axis.direction, scene.camera)
    run = geometry.unit(pixels[-1] - pixels[0])
    outward = np.array([-run[1], run[0]])
    outward = outward if outward @ (pixels.mean(0) - middle) > 0 else -outward
    beside = scene.limb_bias_px * rng.standard_normal()
    beside = beside + scene.limb_noise_px * rng.standard_normal(len(pixels))
    beside = beside + taper * ((pixels - pixels.mean(0)) @ run)
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
    far = near + scene.line_width_mm + 0.05 * rng.standard_normal()
    touches = bool(np.median((near - border)[rows]) < 0.35)
    near = np.maximum(near, border)
    front = rows & (np.abs(ROWS) <= np.median(np.abs(ROWS[rows]))) if touches else rows
    hidden = float((scene.border_mm - scene.seam_mm)[front].mean())
    value = hidden / 2 if touches else float((near - border)[rows].mean() + hidden)
    slope = float(np.polyfit(np.sin(ROWS[rows]), near[rows], 1)[0])
    return Gap(
        value, 0.0 if touches else value, hidden if touches else value,
        mouth=Edge(ROWS, border, border_px(scene, border), _scatter(ROWS, border), MOUTH_BIAS_MM),
        near=Edge(ROWS[rows], near[rows], border_px(scene, near)[rows], _scatter(ROWS[rows], near[rows]),
                  MARK_BIAS_MM),
        line_width_mm=float(np.median((far - near)[rows])), hidden_mm=hidden,
        askew_mm=abs(slope) * float(np.ptp(np.sin(ROWS[rows]))),
        arc_deg=float(rows.sum()), ink_score=1.0, touches=touches,
        far=Edge(ROWS[rows], far[rows], border_px(scene, far)[rows], _scatter(ROWS[rows], far[rows]), MARK_BIAS_MM),
    )


def _scatter(angles: Floats, values: Floats) -> float:
    basis = np.stack([np.ones_like(angles), np.sin(angles), np.cos(angles)], -1)
    rest = values - basis @ np.linalg.lstsq(basis, values, rcond=None)[0]
    return float(np.sqrt((rest**2).sum() / max(1, len(values) - 3)))


def pose(scene: Scene) -> Pose:
    """The true pose, with the mouth where it is and no doubt."""
    near = geometry.surface(scene.pipe.point_mm, scene.pipe.direction, scene.pipe.radius_mm,
                            np.array(scene.mouth_mm), np.array(0.0))
    pipe = replace(scene.pipe, covariance=1e-12 * np.eye(4))
    return Pose(pipe, scene.collar, scene.mouth_mm, scene.tilt_deg, float(np.linalg.norm(near)),
                scene.camera.focal_px / float(near[2]))


def random_scene(rng: np.random.Generator, view: str = "any", lens: str = "exif",
                 edges: str = "clean") -> Scene:
    """A joint as installers photograph them, every unknown drawn from what the budget says of it.

    view: "pipe" or "collar" side of the mouth by 3 to 30 degrees, "square" within 3, or "any" within 25.
    lens: "chart", "exif" or "assumed".  edges: "clean", or "rough" (noisy, ragged, askew, a dash of a mark).
    """
    low, high = {"pipe": (3, 30), "collar": (-30, -3), "square": (-3, 3), "any": (-25, 25)}[view]
    width = int(rng.choice([2016, 4032]))
    size = (width, width * 3 // 4)
    row = fitting(collar_od=rng.uniform(70, 78), collar_od_tolerance=0.25, pipe_od_tolerance=0.15)
    row_true = fitting(collar_od=row.collar_od_mm + rng.uniform(-0.25, 0.25),
                       pipe_od=row.pipe_od_mm + rng.uniform(-0.15, 0.15), limit=row.max_gap_mm)
    assumed, camera = _cameras(rng, size, lens)
    share = rng.uniform(0.14, 0.42)
    distance = row.collar_od_mm * camera.focal_px / (share * size[1]) + row.pipe_od_mm / 2
    rough = edges == "rough"
    start, span = rng.uniform(-60, 10), rng.uniform(30, 50)
    pixel_mm = distance / camera.focal_px
    return Scene(
        fitting=row_true, listed=row, camera=camera, assumed=assumed, size_px=size, distance_mm=distance,
        tilt_deg=rng.uniform(low, high), roll_deg=rng.uniform(0, 360),
        mouth_at_px=(size[0] * rng.uniform(0.4, 0.6), size[1] * rng.uniform(0.4, 0.6)),
        gap_mm=float(rng.choice([rng.uniform(-1.5, 0), rng.uniform(0, 8)], p=[0.3, 0.7])),
        line_width_mm=rng.uniform(1.5, 3.5) + 3 * rough * (view == "collar"),
        askew_mm=rng.uniform(-1.0, 1.0) * rough, ragged_mm=rng.uniform(0, 0.3) * rough,
        arc_deg=(start, start + span) if rough and rng.random() < 0.5 else (-60.0, 60.0),
        lip_mm=rng.uniform(0.3, 1.6), off_centre_mm=(rng.uniform(-0.4, 0.4), rng.uniform(-0.4, 0.4)),
        seat_deg=0.2 * rng.standard_normal(),
        taper_rad=math.radians(0.65) * row.pipe_od_mm / 2 / distance * rng.standard_normal(),
        limb_noise_px=rng.uniform(0.3, 1.2) if rough else 0.3, limb_bias_px=0.15,
        mouth_bias_mm=math.hypot(MOUTH_BIAS_MM, 0.3 * pixel_mm),
        mark_bias_mm=math.hypot(MARK_BIAS_MM, 0.3 * pixel_mm),
        row_noise_mm=rng.uniform(0.05, 0.25) if rough else 0.05, seed=int(rng.integers(1 << 31)),
    )


def _cameras(rng: np.random.Generator, size: tuple[int, int], lens: str) -> tuple[Camera, Camera]:
    """What the photo says of its lens, and a true one drawn from that."""
    share = {"chart": 0.002, "exif": 0.025, "assumed": 0.12}[lens]
    doubt = 0.002 if lens == "chart" else 0.02
    f35 = 27.0 if lens == "assumed" else rng.uniform(24, 52)
    focal = math.hypot(*size) * f35 / 43.267
    middle = ((size[0] - 1) / 2, (size[1] - 1) / 2)
    shift = 0.001 * size[0] if lens == "chart" else 0.008 * size[0]
    source: FocalSource = "assumed" if lens == "assumed" else "exif"
    assumed = Camera(focal, middle, u_focal_px=share * focal, u_centre_px=shift, u_k1=doubt, source=source)
    true = Camera(focal * (1 + share * float(np.clip(rng.standard_normal(), -2, 2))),
                  (middle[0] + shift * rng.standard_normal(), middle[1] + shift * rng.standard_normal()),
                  (doubt * rng.standard_normal(), 0.0, 0.0, 0.0, 0.0))
    return assumed, true


@dataclass(frozen=True)
class Truth:
    """What `draw` painted; lines (2, 3) in undistorted pixels as `geometry.limb_lines` gives them."""

    gap_mm: float
    line_width_mm: float
    hidden_mm: float
    mouth_px: Floats
    axis_px: Floats
    pipe_lines: Floats
    collar_lines: Floats


def truth(scene: Scene) -> Truth:
    """The scene's truths in the picture."""
    matrix = geometry.camera_matrix(scene.camera)
    lines = [geometry.limb_lines(axis.point_mm, axis.direction, axis.radius_mm, matrix)
             for axis in (scene.pipe, scene.collar)]
    middle = len(ROWS) // 2
    return Truth(scene.truth_mm, scene.line_width_mm, float((scene.border_mm - scene.seam_mm)[middle]),
                 mouth_px(scene), axis_px(scene), lines[0], lines[1])


@dataclass(frozen=True)
class Paint:
    """Colours (RGB, 0 to 255) and what the phone does to them."""

    ground: tuple[float, float, float] = (150, 140, 125)
    pipe: tuple[float, float, float] = (60, 95, 150)
    collar: tuple[float, float, float] = (185, 185, 190)
    seam: tuple[float, float, float] = (25, 25, 25)
    ink: tuple[float, float, float] = (235, 235, 230)
    blur_px: float = 0.8
    noise: float = 2.0


def draw(scene: Scene, paint: Paint | None = None) -> tuple[NDArray[np.uint8], Truth]:
    """Paint the joint: flat colours shaded round the axis, edges antialiased, then blur and noise.

    About a second a megapixel.  Layers from the back: ground, mouth face, collar, pipe, ink.
    """
    paint = paint or Paint()
    width, height = scene.size_px
    stored = np.stack(np.meshgrid(np.arange(width, dtype=float), np.arange(height, dtype=float)), -1)
    ideal = geometry.undistort(stored, scene.camera)
    rays = np.concatenate([(ideal - np.array(scene.camera.centre_px)) / scene.camera.focal_px,
                           np.ones((height, width, 1))], -1)
    seen = truth(scene)
    picture = np.broadcast_to(np.array(paint.ground, float), (height, width, 3)).copy()
    _lay(picture, _face(scene, rays), np.array(paint.seam, float))
    _lay(picture, *_side(scene, scene.collar, rays, ideal, seen.collar_lines, paint.collar))
    _lay(picture, *_pipe(scene, rays, ideal, seen.pipe_lines, paint))
    picture = cv2.GaussianBlur(picture, (0, 0), paint.blur_px) if paint.blur_px else picture
    picture += paint.noise * np.random.default_rng(scene.seed).standard_normal(picture.shape)
    return np.clip(np.round(picture), 0, 255).astype(np.uint8), seen


def look(scene: Scene, to_photo: Floats) -> Look:
    """What a finder without fault would say of the part of the photo that a map to it shows."""
    width, height = networks.FINDER_SIZE_PX
    grid = np.stack(np.meshgrid(np.arange(width, dtype=float), np.arange(height, dtype=float)), -1)
    stored = grid @ to_photo[:, :2].T + to_photo[:, 2]
    ideal = geometry.undistort(stored, scene.camera)
    rays = np.concatenate([(ideal - np.array(scene.camera.centre_px)) / scene.camera.focal_px,
                           np.ones((height, width, 1))], -1)
    seen = truth(scene)
    collar = np.maximum(_face(scene, rays),
                        _side(scene, scene.collar, rays, ideal, seen.collar_lines, (0, 0, 0))[0])
    bare, inked = Paint(pipe=(0, 0, 0), ink=(0, 0, 0)), Paint(pipe=(0, 0, 0), ink=(1, 1, 1))
    pipe, _ = _pipe(scene, rays, ideal, seen.pipe_lines, bare)
    ink = (_pipe(scene, rays, ideal, seen.pipe_lines, inked)[1][..., 0] > 0) * pipe
    shares = np.zeros((len(networks.FINDER_CLASSES), height, width), np.float32)
    shares[1], shares[2], shares[4] = pipe - ink, collar * (1 - pipe), ink
    inside = ((stored > -0.5) & (stored < np.array(scene.size_px) - 0.5)).all(-1)
    shares *= inside
    shares[0] = 1 - shares.sum(0)
    return Look(shares.argmax(0).astype(np.uint8), shares, to_photo)


def close_map(scene: Scene, collar_px: float = 190.0) -> Floats:
    """Map of a close look: the mouth in the middle, the pipe to the right, the collar so wide."""
    scale = scene.fitting.collar_od_mm * scene.camera.focal_px / scene.distance_mm / collar_px
    x, y = axis_px(scene)
    matrix = scale * np.array([[x, -y], [y, x]])
    middle = (np.array(networks.FINDER_SIZE_PX) - 1) / 2
    return np.column_stack([matrix, mouth_px(scene) - matrix @ middle])


def first_found(looked: Iterator[Sighting | Refusal]) -> Sighting | Refusal:
    """What the first look that shows something shows, or the first refusal where none does."""
    seen = list(looked)
    return next((each for each in seen if isinstance(each, Sighting)), seen[0])


def sighting(scene: Scene) -> Sighting:
    """What `locate` would say of the scene with a finder without fault."""
    size = np.array(scene.size_px)
    scale = float((size / np.array(networks.FINDER_SIZE_PX)).max())
    whole = np.column_stack([scale * np.eye(2), (size - 1) / 2 - scale * np.array([319.5, 239.5])])
    per_mm = scene.camera.focal_px / scene.distance_mm
    return Sighting(look(scene, whole), look(scene, close_map(scene)), axis_px(scene), mouth_px(scene),
                    scene.fitting.pipe_od_mm * per_mm, scene.fitting.collar_od_mm * per_mm,
                    scene.fitting.pipe_od_mm * per_mm, 0.7 * scene.fitting.collar_od_mm * per_mm, 1.0)


def _lay(picture: Floats, cover: Floats, colour: Floats) -> None:
    picture += cover[..., None] * (colour - picture)


def _cover(inside: Floats) -> Floats:
    """Share of each pixel that lies inside, from any field that is positive there."""
    down, right = np.gradient(inside)
    return np.clip(inside / np.maximum(np.hypot(down, right), 1e-9) + 0.5, 0, 1)


def _between(ideal: Floats, lines: Floats) -> Floats:
    """Cover of what lies between two limbs."""
    beyond = np.stack([ideal @ line[:2] + line[2] for line in lines]).max(0)
    return np.clip(0.5 - beyond, 0, 1)


def _hit(axis: Axis, rays: Floats, ideal: Floats, lines: Floats) -> tuple[Floats, Floats]:
    """`geometry.meet`, with rays that pass just beside the limb bent onto it, so that edges can blend."""
    along, angle = geometry.meet(rays, axis.point_mm, axis.direction, axis.radius_mm)
    _, u, _ = geometry.frame(axis.point_mm, axis.direction)
    flat = (rays @ axis.direction) / (rays @ u) * float(np.linalg.norm(axis.point_mm))
    turn = math.acos(axis.radius_mm / float(np.linalg.norm(axis.point_mm)))
    side = np.where(ideal @ lines[1][:2] + lines[1][2] > ideal @ lines[0][:2] + lines[0][2], turn, -turn)
    return np.where(np.isfinite(along), along, flat), np.where(np.isfinite(angle), angle, side)


def _side(scene: Scene, axis: Axis, rays: Floats, ideal: Floats, lines: Floats,
          colour: tuple[float, float, float]) -> tuple[Floats, Floats]:
    along, angle = _hit(axis, rays, ideal, lines)
    return (_between(ideal, lines) * _cover(scene.mouth_of_collar_mm - along),
            _shaded(np.array(colour), angle))


def _shaded(colour: Floats, angle: Floats) -> Floats:
    return colour * (0.5 + 0.5 * np.cos(angle - 0.3))[..., None]


def _pipe(scene: Scene, rays: Floats, ideal: Floats, lines: Floats, paint: Paint) -> tuple[Floats, Floats]:
    along, angle = _hit(scene.pipe, rays, ideal, lines)
    table = np.radians(np.linspace(-90, 90, 721))
    edge = np.interp(angle, table, border(scene, table))
    near = np.interp(angle, table, mark(scene, table))
    low, high = np.radians(scene.arc_deg) if scene.arc_deg != (-60.0, 60.0) else (-4.0, 4.0)
    ink = _cover(along - near) * _cover(near + scene.line_width_mm - along)
    ink = ink * _cover(angle - low) * _cover(high - angle)
    colour = np.array(paint.pipe) + ink[..., None] * (np.array(paint.ink) - np.array(paint.pipe))
    return _between(ideal, lines) * _cover(along - edge), _shaded(colour, angle)


def _face(scene: Scene, rays: Floats) -> Floats:
    """Cover of the collar's mouth face, where the lens sees it."""
    if scene.mouth_mm > -1e-9:
        return np.zeros(rays.shape[:2])
    axis = scene.collar
    middle = axis.point_mm + scene.mouth_of_collar_mm * axis.direction
    nearness = (rays @ axis.direction) / float(middle @ axis.direction)
    inside = axis.radius_mm * nearness - np.linalg.norm(rays - nearness[..., None] * middle, axis=-1)
    return np.where(nearness > 0, _cover(inside), 0.0)
