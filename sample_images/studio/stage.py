"""Recipe to bodies: puts pipe, collar, marks, ground and clutter together."""

from dataclasses import dataclass, replace

import numpy as np

from .assets import Assets
from .body import BACKGROUND, DECOY, GREASE, OTHER, PIPE, Body, Material
from .camera import Camera, aim
from .clutter import bottle, cable, can, item
from .cut import cut_pipe, end_bodies
from .ground import ground_bodies
from .hands import over_bodies
from .joint import collar_bodies, finish, grease_bead, grease_ring
from .light import sky
from .materials import anything, plain
from .meshes import lathe, move, rotation
from .noise import hsv
from .palette import grease_color
from .pipe import FINE_MM, PipeAxis, head, pipe_axis, pipe_mesh, ring
from .recipe import Recipe
from .render import BODIES
from .surface import Line, Skin, paint

PIPED = ("joint", "premark", "bare_pipe", "cut_end", "wrapped", "rod")


@dataclass(frozen=True)
class Stage:
    """A scene ready for light: bodies, surroundings, camera, the pipe's axis (if any) and its mark."""

    bodies: list[Body]
    sky: np.ndarray
    camera: Camera
    axis: PipeAxis | None
    line: Line | None
    phi0: float


def camera_of(recipe: Recipe) -> Camera:
    """The camera looks at its target on the axis from the recipe's direction."""
    v = recipe.view
    yaw, azimuth = np.radians([v.yaw_mouth_deg, v.azimuth_deg])
    d = np.array([np.sin(yaw), np.cos(yaw) * np.cos(azimuth), np.cos(yaw) * np.sin(azimuth)])
    target = np.array([v.target_mm, 0.0, 0.0])
    return aim(target + d * v.dist_mm, target, v.at_px, v.focal_px, v.size_px, np.radians(v.roll_deg))


def _ties(recipe: Recipe, axis: PipeAxis, facing: float) -> list[Body]:
    """Look-alike lines that stand proud of the pipe."""
    rng = np.random.default_rng(recipe.dirt.seed + 3)
    made = []
    for i, (kind, at, width) in enumerate(recipe.decoys):
        x = at + recipe.pipe.pulled_mm
        if kind == "cable_tie":
            skin = plain(
                rng, hsv(rng.uniform(0, 360), rng.uniform(0, 0.7), rng.choice([0.1, 0.15, 0.9, 0.8])), 0.4
            )
            made.append(Body(f"tie{i}", ring(axis, x, width, 1.3, False), skin, DECOY))
            made.append(
                Body(
                    f"tie head{i}",
                    head(axis, x + width / 2, facing + rng.uniform(-1.5, 1.5), (width * 1.5, width * 1.6, 4)),
                    skin,
                    DECOY,
                )
            )
        elif kind == "o_ring":
            made.append(
                Body(
                    f"o_ring{i}",
                    ring(axis, x, width, width * 0.8, True),
                    plain(rng, hsv(rng.uniform(0, 30), rng.uniform(0, 0.8), rng.uniform(0.05, 0.5)), 0.5),
                    DECOY,
                )
            )
        elif kind == "clamp":
            skin = finish(recipe, recipe.dirt.seed + i, "bright")
            made.append(Body(f"clamp{i}", ring(axis, x, width, 0.8, False), skin, DECOY))
            made.append(
                Body(
                    f"clamp screw{i}",
                    head(axis, x + width / 2, facing + rng.uniform(-1.5, 1.5), (width * 0.9, 16, 9)),
                    skin,
                    DECOY,
                )
            )
    return made


def _grease(recipe: Recipe, axis: PipeAxis) -> Body:
    rng = np.random.default_rng(recipe.dirt.seed + 4)
    tone = grease_color(rng, recipe.dirt.grease)
    made = grease_bead if recipe.dirt.bead_mm else grease_ring
    return Body("grease", made(recipe, axis), Material(tone, rng.uniform(0.15, 0.6), 0.0, 0.6), GREASE)


def _as_pipe(body: Body, recipe: Recipe) -> Body:
    """The body in the pipe's colour, with its own folds and dirt."""
    m = body.material
    mean = np.mean(np.reshape(m.color, (-1, 3)), 0)
    color = np.clip(m.color * (np.asarray(recipe.pipe.color) / np.maximum(mean, 0.01)), 0, 1)
    return replace(body, material=replace(m, color=color))


def _subject(recipe: Recipe, rng, low: float) -> list[Body]:
    """The round things of a scene that has no joint and no pipe."""
    kind, rgb = recipe.scenario, recipe.dirt.color
    if kind == "nothing":
        return []
    if kind == "cables":
        return [
            Body(
                f"cable{i}",
                cable(rng, low, rng.normal(0, 30, 2), rng.uniform(2, 14)),
                plain(rng, dirt_rgb=rgb),
                OTHER,
            )
            for i in range(int(rng.integers(2, 7)))
        ]
    if kind == "rolls":
        made = []
        for i in range(int(rng.integers(1, 4))):
            q, h = rng.uniform(20, 60), rng.uniform(10, 60)
            roll = lathe(
                [
                    [(0, q * 0.6), (0, q)],
                    [(0, q), (h, q)],
                    [(h, q), (h, q * 0.6)],
                    [(h, q * 0.6), (0, q * 0.6)],
                ],
                96,
            )
            made.append(
                Body(
                    f"roll{i}",
                    move(roll, rotation(rng.normal(size=3), rng.uniform(0, 1)), rng.normal(0, 40, 3)),
                    anything(rng, rgb),
                    BACKGROUND,
                )
            )
        return made
    solid = can(rng) if kind == "can" else bottle(rng)
    return [
        Body(
            kind,
            move(solid, rotation([0, 0, 1], rng.choice([0, np.pi]) + rng.normal(0, 0.1))),
            anything(rng, rgb),
        )
    ]


def _piped(recipe: Recipe, axis: PipeAxis, facing: float, phi0: float) -> tuple[list[Body], Skin]:
    """The pipe and all that belongs to it."""
    rng = np.random.default_rng(recipe.pipe.seed + 7)
    jointed = recipe.scenario == "joint"
    skin = paint(recipe, axis, phi0, jointed)
    label = skin.label if recipe.scenario != "rod" else OTHER
    cut = recipe.cut
    mesh = pipe_mesh(recipe.pipe, axis, phi0) if cut is None else cut_pipe(recipe, cut, axis, phi0)
    bodies = [Body("pipe", mesh, skin.material, label)]
    if cut is not None:
        bodies += end_bodies(recipe, cut, axis, phi0)
    elif not jointed:
        runs = [[(900.0, axis.radius_mm), (0.0, axis.radius_mm)]]
        back = move(lathe(runs, 160), np.stack([axis.a, axis.u, axis.v], 1), axis.point - axis.a * 915)
        plain_skin = Material(
            np.median(skin.material.color, (0, 1)),
            recipe.pipe.roughness,
            recipe.pipe.metallic,
            recipe.pipe.specular,
        )
        bodies.append(Body("pipe behind", back, plain_skin, PIPE if recipe.scenario != "rod" else OTHER))
    if recipe.scenario == "wrapped":
        wide, high = rng.uniform(12, 80), rng.uniform(0.3, 1.2)
        bodies.append(
            Body("wrap", ring(axis, -wide, wide, high, False), anything(rng, recipe.dirt.color), DECOY)
        )
    if jointed:
        bodies += collar_bodies(recipe)
        if recipe.dirt.grease is not None:
            bodies.append(_grease(recipe, axis))
    if recipe.scenario != "rod":
        bodies += _ties(recipe, axis, facing)
    return bodies, skin


def _clutter(recipe: Recipe, low: float, camera: Camera) -> list[Body]:
    """Clutter on the ground beside the joint, never between the camera and the mouth's surroundings."""
    rng = np.random.default_rng(recipe.clutter.seed)
    reach = recipe.view.dist_mm * 576 / recipe.view.focal_px
    c = camera.centre_mm
    made: list[Body] = []
    for kind in recipe.clutter.items:
        for _ in range(8):
            xy = rng.normal(0, 0.45, 2) * reach
            candidate = item(rng, kind, recipe, low, xy)
            points = np.concatenate([b.mesh.points for b in candidate])
            t = np.clip(points @ c / (c @ c), 0, 1)
            free = np.linalg.norm(points - t[:, None] * c, axis=1).min() > 0.8 * recipe.collar.od_mm
            along = np.hypot(points[:, 1], points[:, 2])[(points[:, 0] > -120) & (points[:, 0] < 400)]
            if free and (along.size == 0 or along.min() > recipe.pipe.od_mm * 0.5):
                made += candidate
                break
    return made


def build(recipe: Recipe, assets: Assets, front_rad: float | None = None) -> Stage:
    """Everything that the renderer needs for a recipe.

    front_rad: the line of the pipe that its skin is painted about; by default the one that faces the camera.
    A second view of the same pipe has to be given that of the first.
    """
    camera = camera_of(recipe)
    axis = pipe_axis(recipe.pipe) if recipe.scenario in PIPED else None
    surroundings = sky(recipe.light, assets.maps)
    rng = np.random.default_rng(recipe.clutter.seed + 1)
    bodies: list[Body] = []
    line, phi0 = None, 0.0
    radius = recipe.pipe.od_mm / 2
    if axis is not None:
        facing = axis.facing_rad(camera.centre_mm)
        front = facing if front_rad is None else front_rad
        phi0 = front - np.pi
        bodies, skin = _piped(recipe, axis, front, phi0)
        line = skin.line
        past = recipe.mark.gap_mm if recipe.scenario == "premark" and recipe.mark is not None else None
        for kind in recipe.clutter.over:
            over = over_bodies(rng, kind, axis, facing, recipe.collar.od_mm, recipe.dirt.color, past)
            bodies += [_as_pipe(body, recipe) for body in over] if recipe.clutter.as_pipe else over
    near = [b for b in bodies if b.name in ("collar", "hardware", "pipe")]
    low = -radius * 1.05
    if near and recipe.scenario == "joint":
        low = min(
            b.mesh.points[(b.mesh.points[:, 0] < FINE_MM) & (b.mesh.points[:, 0] > -150), 2].min()
            for b in near
        )
        low = max(low, -1.5 * recipe.collar.od_mm)
    low -= recipe.ground.drop_mm
    if axis is None:
        bodies += _subject(recipe, rng, low)
    bodies += ground_bodies(
        recipe.ground, low, assets, surroundings, 4.0, -float(np.sign(camera.centre_mm[1]))
    )
    bodies += _clutter(recipe, low, camera)[: BODIES - len(bodies)]
    return Stage(bodies, surroundings, camera, axis, line, phi0)
