"""Things between the lens and one side of the pipe: they hide a stretch of its silhouette, and leave its middle."""

import numpy as np

from .body import BACKGROUND, OTHER, Body
from .camera import Camera
from .materials import anything, plain, wood
from .meshes import Mesh, box, lathe, move, sphere, tube, unit
from .noise import hsv, wobble
from .pipe import PipeAxis

SCREENS = {"board": 2.0, "pipe": 2.5, "box": 1.5, "heap": 3.0, "cable": 2.0}


def screen(rng, kind: str, axis: PipeAxis, camera: Camera, dirt_rgb) -> Body:
    """One thing of a kind before a side of the pipe, as this camera sees it."""
    made = _thing(rng, kind)
    facing = axis.facing_rad(camera.centre_mm)
    side = rng.choice([-1, 1]) * np.pi / 2
    limb = axis.at(rng.uniform(-25, 130), facing + side)
    towards = unit(camera.centre_mm - limb)
    along = unit(axis.a - (axis.a @ towards) * towards)
    out = np.cross(towards, along)
    out *= np.sign(out @ (np.cos(facing + side) * axis.u + np.sin(facing + side) * axis.v))
    lean = rng.normal(0, 0.15) if rng.random() < 0.7 else rng.uniform(-1.5, 1.5)
    x, y = np.cos(lean) * along + np.sin(lean) * out, np.cos(lean) * out - np.sin(lean) * along
    made = move(made, np.stack([x, y, np.cross(x, y)], 1))
    inner, lowest = (made.points @ out).min(), (made.points @ towards).min()
    deep = rng.uniform(-0.15, 0.7) * axis.radius_mm
    at = limb - (inner + deep) * out + (rng.uniform(0, 25) - lowest) * towards
    label = OTHER if kind == "pipe" else BACKGROUND
    return Body(f"screen {kind}", move(made, shift=at), _stuff(rng, kind, dirt_rgb), label)


def _thing(rng, kind: str) -> Mesh:
    """A mesh about the origin, its length along x."""
    u = rng.uniform
    if kind == "board":
        return box((u(60, 700), u(10, 90), u(4, 40)), 0.8)
    if kind == "box":
        return box((u(15, 160), u(10, 120), u(10, 60)), u(0, 3))
    if kind == "pipe":
        q, half = u(4, 40), u(50, 500)
        return lathe([[(half, 0.01), (half, q)], [(half, q), (-half, q)], [(-half, q), (-half, 0.01)]], 64)
    if kind == "heap":
        size, n = np.array([u(12, 160), u(8, 60), u(6, 40)]), 40
        bumps = 1 + 0.18 * np.stack([wobble(rng, n, 4) for _ in range(n // 2 + 1)])[:, np.r_[0:n, 0]]
        return sphere(size, n, bumps)
    q, half = u(1.2, 8), u(60, 300)
    t = np.linspace(-1, 1, 90)
    path = np.stack([half * t, 8 * wobble(rng, 90, 3, 2), 4 * wobble(rng, 90, 3, 2)], 1)
    return tube(path, q, 18, caps=True)


def _stuff(rng, kind: str, dirt_rgb):
    if kind == "heap":
        soil = dirt_rgb if rng.random() < 0.6 else hsv(rng.uniform(15, 60), rng.uniform(0, 0.5), rng.uniform(0.15, 0.8))
        return plain(rng, soil, 0.9)
    if kind == "board" and rng.random() < 0.7:
        return wood(rng)
    if kind == "cable":
        return plain(rng, dirt_rgb=dirt_rgb, dirt=rng.uniform(0, 0.2))
    return anything(rng, dirt_rgb)
