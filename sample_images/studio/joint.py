"""The collar, what it sits on, and the grease between it and the pipe."""

import numpy as np

from .body import COLLAR, HARDWARE, OTHER, Body, Material
from .materials import metal, plain, unnamed
from .meshes import Mesh, join, lathe, move, onto, patch, prism, rotation, tube
from .noise import field, hsv, linear, pick, ramp
from .pipe import PipeAxis
from .recipe import CollarSpec, Recipe


def _bore_and_lip(c: CollarSpec, r_pipe: float):
    """Profile runs (x, r) from deep in the bore over the mouth to the outside."""
    R, rb = c.od_mm / 2, r_pipe + c.clearance_mm
    wall = R - rb
    lip = min(c.lip_mm, 0.85 * wall)
    ri = min(0.25 * wall, wall - lip, 0.35)
    t = np.linspace(0, np.pi / 2, 7)
    inner = np.stack([-ri + ri * np.sin(t), rb + ri - ri * np.cos(t)], 1)
    if c.lip_kind == "chamfer":
        outer = np.array([[0, R - lip], [-lip, R]])
    else:
        outer = np.stack([-lip + lip * np.cos(t), R - lip + lip * np.sin(t)], 1)
    deep = -min(c.length_mm, 24.0)
    return [[(deep, rb), (-ri, rb)], inner, [(0, rb + ri), (0, R - lip)], outer], lip


def collar_profile(c: CollarSpec, r_pipe: float):
    """All runs of the collar's profile, and the outside alone as (x, r) samples."""
    rng = np.random.default_rng(c.seed)
    runs, lip = _bore_and_lip(c, r_pipe)
    R, L, wall = c.od_mm / 2, c.length_mm, c.od_mm / 2 - r_pipe
    x = np.linspace(-lip, -L, 160)
    r = np.full(x.shape, R) - np.tan(np.radians(c.taper_deg)) * (-x - lip) * 0.5
    depth = min(rng.uniform(0.2, 1.6), 0.6 * wall)
    if c.style == "rings":
        pitch = rng.uniform(4, 12)
        start = rng.uniform(3, 10)
        inside = ramp(-x, start, start + 1.5) * (1 - ramp(-x, L - 6, L - 3))
        r = r - depth * inside * (0.5 - 0.5 * np.cos(2 * np.pi * (-x - start) / pitch)) ** rng.uniform(0.4, 4)
    elif c.style == "groove":
        for _ in range(int(rng.integers(1, 4))):
            at, wide = rng.uniform(4, max(L - 4, 5)), rng.uniform(0.6, 4)
            r = r - depth * np.exp(-((np.abs(-x - at) / wide) ** 4))
    elif c.style == "step":
        r = r + rng.uniform(-0.6, 0.8) * wall * ramp(
            -x, at := rng.uniform(0.35, 0.8) * L, at + rng.uniform(0.3, 4)
        )
    elif c.style == "bead":
        at, wide = rng.uniform(0.3, 0.8) * L, rng.uniform(2, 5)
        r = r + rng.uniform(0.4, 2.0) * np.exp(-(((-x - at) / wide) ** 2))
    r = np.maximum(r, r_pipe + 0.25 * wall)
    outside = np.stack([x, r], 1)
    return [*runs, outside, [(-L, r[-1]), (-L, r_pipe * 0.5)]], outside


def _pressed(c: CollarSpec):
    """Flats or dents pressed into the collar, as a function for `lathe`, or None."""
    if c.style == "crimp":
        return _crimped(c)
    if c.style != "flats":
        return None
    rng = np.random.default_rng(c.seed + 1)
    n, turn, depth = int(rng.integers(6, 13)), rng.uniform(0, 1), rng.uniform(0.3, 1.0)
    x0, x1 = -rng.uniform(4, 10), -rng.uniform(0.55, 0.95) * c.length_mm
    R = c.od_mm / 2

    def shape(x, r, phi):
        local = np.mod(phi + turn, 2 * np.pi / n) - np.pi / n
        flat = R * np.cos(np.pi / n) / np.cos(local)
        window = ramp(-x, -x0, -x0 + 2) * (1 - ramp(-x, -x1 - 2, -x1)) * (r > 0.9 * R)
        return np.where(flat < r, r - (r - flat) * depth * window, r)

    return shape


def _crimped(c: CollarSpec):
    """Dents all round, in one to three rows, as the teeth of a crimping tool leave them."""
    rng = np.random.default_rng(c.seed + 4)
    n, turn, R = int(rng.integers(4, 13)), rng.uniform(0, 1), c.od_mm / 2
    rows = -np.sort(rng.uniform(0.2, 0.9, int(rng.integers(1, 4)))) * c.length_mm
    deep, long = rng.uniform(0.3, 1.2), rng.uniform(1.2, 4.0)
    wide = rng.uniform(0.25, 0.8) * np.pi * R / n

    def shape(x, r, phi):
        beside = (np.mod(phi + turn, 2 * np.pi / n) - np.pi / n) * R
        there = sum(np.exp(-(((x - row) / long) ** 4)) for row in rows)
        return np.where(r > 0.9 * R, r - deep * np.minimum(there, 1) * np.exp(-((beside / wide) ** 4)), r)

    return shape


def finish(recipe: Recipe, seed: int, name: str) -> Material:
    """The material of the collar or the hardware."""
    rng = np.random.default_rng(seed)
    dirt, rgb = recipe.dirt.mud * 0.8, recipe.dirt.color
    if name == "as_pipe":
        return plain(rng, recipe.pipe.color, recipe.pipe.roughness, rgb, dirt)
    if name == "any":
        return unnamed(rng, rgb, dirt)
    if name in ("painted", "plastic"):
        color = hsv(rng.uniform(0, 360), rng.uniform(0, 0.9), rng.uniform(0.08, 0.95))
        if name == "plastic" and rng.random() < 0.6:
            color = linear(np.full(3, rng.choice([0.08, 0.15, 0.45, 0.85, 0.93])))
        return plain(rng, color, None, rgb, dirt)
    return metal(rng, name, rgb, dirt)


def collar_bodies(recipe: Recipe, label_collar: int = COLLAR, label_rest: int = HARDWARE) -> list[Body]:
    """The collar and its hardware, in the joint's frame."""
    c, r = recipe.collar, recipe.pipe.od_mm / 2
    rng = np.random.default_rng(c.seed + 2)
    runs, _ = collar_profile(c, r)
    skin = finish(recipe, c.seed, c.finish)
    bodies = [Body("collar", lathe(runs, 144, rng.uniform(0, 6.28), _pressed(c)), skin, label_collar)]
    same = (
        c.finish
        if rng.random() < 0.6
        else pick(rng, {"steel": 1, "zinc": 1, "brass": 1, "cast": 1, "painted": 1})
    )
    other = finish(recipe, c.seed + 3, same)
    mesh, second = _hardware(rng, c, r)
    if mesh is not None:
        bodies.append(Body("hardware", mesh, other, label_rest))
    if second is not None:
        bodies.append(Body("beyond", second, plain(rng, recipe.pipe.color), OTHER))
    if c.port:
        bodies.append(Body("port", _port(rng, c), other, label_rest))
    return bodies


def _port(rng, c: CollarSpec) -> Mesh:
    q = rng.uniform(2, 6)
    h = rng.uniform(3, 14)
    runs = [[(0, q), (h, q)], [(h, q), (h, 0.5 * q)], [(h, 0.5 * q), (h - 3, 0.5 * q), (h - 3, 0.01)]]
    stub = join(lathe(runs, 24), prism(6, q * 1.5, 0, h * 0.4)) if rng.random() < 0.5 else lathe(runs, 24)
    phi = rng.uniform(0, 2 * np.pi)
    d = np.array([0, np.cos(phi), np.sin(phi)])
    return move(stub, onto(d), d * (c.od_mm / 2 - 1.5) + [-rng.uniform(0.35, 0.9) * c.length_mm, 0, 0])


def _hardware(rng, c: CollarSpec, r: float) -> tuple[Mesh | None, Mesh | None]:
    """The fitting behind the collar, and what leaves it on the other side."""
    u, R, L = rng.uniform, c.od_mm / 2, c.length_mm
    kind, x = c.hardware, -L
    if kind == "none":
        return None, None
    if kind == "turned":
        return _turned(rng, x, R), None
    if kind in ("hex", "nut"):
        w = u(0.3, 0.9) * R
        q = R * u(1.05, 1.45)
        made = [prism(6 if rng.random() < 0.85 else 8, q, x - w, x, u(0, 0.12) * q)]
        made.append(lathe(_rod(x - w - u(8, 45), x - w, R * u(0.5, 0.95), u(0, 2)), 64))
        if kind == "nut":
            made.append(prism(6, R * u(1.0, 1.3), x - w - u(14, 40), x - w - u(1, 8), 1.0))
        return join(*made), None
    if kind == "flange":
        q, w = R * u(1.4, 2.2), u(6, 18)
        made = [lathe(_rod(x - w, x, q, u(0.2, 2)), 96)]
        n = int(rng.choice([4, 6, 8]))
        for i in range(n):
            a = 2 * np.pi * i / n
            bolt = prism(6, 0.12 * q, 0, u(4, 4.01) + 2)
            made.append(move(bolt, None, (x - 1, 0.8 * q * np.cos(a), 0.8 * q * np.sin(a))))
        made.append(lathe(_rod(x - w - 60, x - w, R * u(0.7, 1.0), 0.5), 64))
        return join(*made), None
    if kind in ("body", "cap", "stub"):
        q = R * {"body": u(0.95, 1.5), "cap": u(0.9, 1.15), "stub": u(0.4, 0.9)}[kind]
        w = {"body": u(20, 90), "cap": u(4, 20), "stub": u(10, 80)}[kind]
        made = [lathe(_rod(x - w, x, q, u(0.3, 4)), 96)]
        if rng.random() < 0.5:
            made.append(lathe(_rod(x - w - u(10, 60), x - w, q * u(0.5, 1.1), 1), 64))
        return join(*made), None
    if kind == "elbow":
        t = np.linspace(0, np.radians(u(40, 95)), 24)
        bend, way = R * u(1.2, 2.5), u(0, 2 * np.pi)
        side = np.array([0, np.cos(way), np.sin(way)])
        path = (
            np.array([x, 0, 0])
            - np.outer(bend * np.sin(t), [1, 0, 0])
            + np.outer(bend * (1 - np.cos(t)), side)
        )
        return tube(path, R * u(0.85, 1.05), 64, caps=True), None
    runs, _ = collar_profile(c, r)  # a coupling: the same collar again, mirrored, with a second pipe in it
    far = move(lathe(runs, 144), np.diag([-1.0, -1.0, 1.0]), (-2 * L - u(0, 12), 0, 0))
    turn = rotation([0, np.cos(a := u(0, 6.28)), np.sin(a)], np.radians(rng.normal(0, 0.6)))
    on = np.array([-L, 0, 0]) + np.linspace(0, -900, 20)[:, None] * turn[:, 0]
    return join(far, lathe([[(x, R * 0.98), (x - 12, R * 0.98)]], 96)), tube(on, r, 96)


def _turned(rng, x: float, R: float) -> Mesh:
    """A body of any shape: discs, cones and prisms of any size, one behind the other."""
    u, made = rng.uniform, []
    for _ in range(int(rng.integers(1, 6))):
        w, q = float(np.exp(u(np.log(2), np.log(60)))), R * float(np.exp(u(np.log(0.35), np.log(1.9))))
        if rng.random() < 0.3:
            made.append(prism(int(rng.integers(3, 10)), q, x - w, x, u(0, 0.1) * q))
        elif rng.random() < 0.3:
            far = q * u(0.5, 1.4)
            made.append(lathe([[(x, 0.3 * q), (x, q)], [(x, q), (x - w, far)], [(x - w, far), (x - w, 0.01)]], 96))
        else:
            made.append(lathe(_rod(x - w, x, q, u(0.1, 5)), 96))
        x -= w
    return join(*made)


def _rod(x0, x1, q, bevel):
    """Profile runs of a solid disc from x1 (towards the pipe) back to x0."""
    b = min(bevel, 0.45 * (x1 - x0), 0.3 * q)
    return [
        [(x1, 0.3 * q), (x1, q - b)],
        [(x1, q - b), (x1 - b, q)],
        [(x1 - b, q), (x0 + b, q)],
        [(x0 + b, q), (x0, q - b)],
        [(x0, q - b), (x0, 0.01)],
    ]


def hidden_mm(recipe: Recipe, axis: PipeAxis, camera_mm) -> float:
    """Length of pipe beyond the mouth that the collar hides on the line facing the camera."""
    _, outside = collar_profile(recipe.collar, axis.radius_mm)
    runs, _ = _bore_and_lip(recipe.collar, axis.radius_mm)
    edge = np.concatenate([np.asarray(run, float) for run in [*runs[2:], outside]])
    xc, rc = camera_mm[0], float(np.hypot(camera_mm[1], camera_mm[2]))
    above = edge[edge[:, 1] > axis.radius_mm + 1e-6]
    if not len(above):
        return 0.0
    reach = xc + (above[:, 0] - xc) * (rc - axis.radius_mm) / (rc - above[:, 1])
    return float(max(0.0, reach.max()))


def grease_ring(recipe: Recipe, axis: PipeAxis) -> Mesh:
    """A bead of grease in the corner between mouth and pipe, of uneven height, in places absent."""
    rng = np.random.default_rng(recipe.dirt.seed + 5)
    n = 240
    phi = np.linspace(0, 2 * np.pi, n + 1)
    x, y = np.cos(phi) * axis.radius_mm, np.sin(phi) * axis.radius_mm
    amount = ramp(field(rng, x, y, 90, 1.6), rng.uniform(-0.3, 0.6), 1.0) * (
        0.6 + 0.8 * field(rng, x, y, 14, 1.4)
    )
    width = (0.2 + recipe.dirt.grease_mm * amount)[None]
    top = (
        min(recipe.collar.od_mm / 2 - axis.radius_mm + 0.3, 0.35 * recipe.dirt.grease_mm + 0.2) * amount[None]
    )
    t = np.linspace(0, 1, 14)[:, None]
    s = axis.mouth_s(phi)[None] - 0.4 + width * t
    r = axis.radius_mm - 0.05 + (top + 0.05) * np.sqrt(np.clip(1 - t**2, 0, 1)) - 0.06 * (t > 0.99)
    ring_ = np.cos(phi)[None, :, None] * axis.u + np.sin(phi)[None, :, None] * axis.v
    return patch(axis.point + s[..., None] * axis.a + r[..., None] * ring_, closed=True, flip=True)


def grease_bead(recipe: Recipe, axis: PipeAxis) -> Mesh:
    """Grease squeezed out all round: a bead as even as a gasket, lumpy from near, here and there wiped off."""
    dirt = recipe.dirt
    rng = np.random.default_rng(dirt.seed + 6)
    n = 480
    phi = np.linspace(0, 2 * np.pi, n + 1)
    x, y = np.cos(phi) * axis.radius_mm, np.sin(phi) * axis.radius_mm
    lumps = 0.8 + 0.4 * field(rng, x, y, rng.uniform(30, 150), 1.6)
    wiped = ramp(field(rng, x, y, 90, 1.6), -0.2, 0.25) if rng.random() < 0.3 else 1.0
    amount = np.clip(lumps * wiped, 0.02, None)
    t = np.linspace(0, np.pi, 15)[:, None]
    back = rng.uniform(0, 0.4) * min(1.0, dirt.bead_mm)  # the mouth lies within the bead, not at its edge
    reach = (dirt.grease_mm * amount + back) / 2
    s = axis.mouth_s(phi)[None] - back + reach[None] * (1 - np.cos(t))
    fine = 1 + rng.uniform(0, 0.05) * rng.standard_normal((t.size, n + 1))
    fine[:, -1] = fine[:, 0]
    r = axis.radius_mm - 0.05 + (dirt.bead_mm * amount)[None] * np.sin(t) ** 0.7 * fine
    ring_ = np.cos(phi)[None, :, None] * axis.u + np.sin(phi)[None, :, None] * axis.v
    return patch(axis.point + s[..., None] * axis.a + r[..., None] * ring_, closed=True, flip=True)
