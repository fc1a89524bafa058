"""What else lies about: pipes, boxes, cans, bottles, cables, stones, boards, tools, other joints."""

import cv2
import numpy as np

from .body import BACKGROUND, OTHER, Body, Material
from .joint import collar_bodies
from .lettering import invented_text, text_mask
from .materials import anything, metal, plain, wood
from .meshes import Mesh, box, join, lathe, move, patch, prism, rotation, sphere, tube
from .noise import hsv, wobble
from .recipe import Recipe
from .scene import draw


def _upright(rng, mesh: Mesh, ground_z: float, low: float, xy) -> Mesh:
    """Stand a mesh made about x on the ground, its lowest x at `low`."""
    stand = rotation([0, 1, 0], -np.pi / 2)
    return move(mesh, rotation([0, 0, 1], rng.uniform(0, 6.28)) @ stand, (*xy, ground_z - low))


def _lying(rng, mesh: Mesh, ground_z: float, height: float, xy) -> Mesh:
    """Lay a mesh on the ground at a random heading, its axis `height` above."""
    turn = rotation([0, 0, 1], rng.uniform(0, 6.28)) @ rotation([1, 0, 0], rng.uniform(0, 6.28))
    return move(mesh, turn, (*xy, ground_z + height))


def can(rng) -> Mesh:
    """A tin or a bucket, standing along x from 0."""
    q, h = rng.uniform(18, 75), rng.uniform(30, 170)
    return lathe(
        [
            [(0, 0.01), (0, q)],
            [(0, q), (1.5, q + 1), (3, q)],
            [(3, q), (h - 3, q)],
            [(h - 3, q), (h - 1.5, q + 1), (h, q)],
            [(h, q), (h, q - 2)],
            [(h, q - 2), (h - 3, q - 3), (h - 3, 0.01)],
        ],
        96,
    )


def bottle(rng) -> Mesh:
    """A bottle, standing along x from 0."""
    q, h = rng.uniform(22, 50), rng.uniform(90, 260)
    neck = q * rng.uniform(0.25, 0.5)
    t = np.linspace(0, 1, 14)
    shoulder = np.stack([h * (0.65 + 0.2 * t), q + (neck - q) * (3 * t**2 - 2 * t**3)], 1)
    cap = neck * 1.15
    return lathe(
        [
            [(0, 0.01), (0, q)],
            [(0, q), (0.65 * h, q)],
            shoulder,
            [(0.85 * h, neck), (0.93 * h, neck)],
            [(0.93 * h, neck), (0.93 * h, cap)],
            [(0.93 * h, cap), (h, cap)],
            [(h, cap), (h, 0.01)],
        ],
        80,
    )


def cable(rng, ground_z: float, xy, q: float) -> Mesh:
    """A cable or hose wandering over the ground."""
    n = 120
    heading = rng.uniform(0, 6.28) + np.cumsum(wobble(rng, n, rng.uniform(1, 4), 1.5)) * rng.uniform(
        0.005, 0.06
    )
    step = rng.uniform(4, 9)
    p = np.stack([np.cumsum(np.cos(heading)) * step, np.cumsum(np.sin(heading)) * step], 1)
    p = p - p[n // 2] + xy
    z = ground_z + q + np.maximum(wobble(rng, n, 4, 1.5), 0) * rng.uniform(0, 10)
    return tube(np.column_stack([p, z]), q, 18, up=(0, 0, 1), caps=True)


def tool(rng) -> Mesh:
    """A spanner, hammer, screwdriver or pliers made of simple solids, lying along x."""
    u, kind = rng.uniform, rng.integers(4)
    length = u(110, 260)
    if kind == 0:
        jaw = u(12, 22)
        ends = [
            move(prism(6, jaw, -4, 4), rotation([0, 1, 0], np.pi / 2), (s * length / 2, 0, 0))
            for s in (-1, 1)
        ]
        return join(box((length, jaw * 0.8, 6), 1), *ends)
    if kind == 1:
        return join(
            lathe(
                [[(-length / 2, 0.1), (-length / 2, 13)], [(-length / 2, 13), (0, 11), (length / 2, 9)]], 32
            ),
            move(box((28, 110, 28), 4), None, (length / 2, 0, 0)),
        )
    shaft = lathe([[(length, 0.1), (length, 3)], [(length, 3), (0, 3.5)]], 24)
    grip_x = np.linspace(0, -95, 30)
    grip = lathe([np.stack([grip_x, 12 + 2.5 * np.sin(grip_x / 11)], 1), [(-95, 12), (-95, 0.1)]], 32)
    if kind == 2:
        return join(shaft, grip)
    arms = [
        move(
            tube(
                np.stack(
                    [np.linspace(0, length, 20), s * 18 * np.sin(np.linspace(0, 2.6, 20)), np.zeros(20)], 1
                ),
                6.5,
                18,
                caps=True,
            ),
            None,
            (0, 0, 0),
        )
        for s in (-1, 1)
    ]
    return join(*arms, move(box((50, 18, 11), 2), None, (-20, 0, 0)))


def stones(rng, ground_z: float, xy, n: int) -> Mesh:
    """Some loose stones."""
    made = []
    for _ in range(n):
        k = 20
        bumps = 1 + 0.14 * np.stack([wobble(rng, k, 3) for _ in range(k // 2 + 1)])[:, np.r_[0:k, 0]]
        size = rng.uniform(4, 26) * rng.uniform(0.6, 1.2, 3)
        at = np.asarray(xy) + rng.normal(0, 60, 2)
        made.append(
            move(
                sphere(size, k, bumps),
                rotation(rng.normal(size=3), rng.uniform(0, 6)),
                (*at, ground_z + 0.4 * size.min()),
            )
        )
    return join(*made)


def paper(rng, ground_z: float, xy) -> Body:
    """A printed sheet."""
    page = np.ones((256, 192, 3), np.float32) * hsv(
        rng.uniform(0, 360), rng.uniform(0, 0.3), rng.uniform(0.7, 0.97)
    )
    for row in range(16, 240, int(rng.integers(10, 30))):
        line = text_mask(rng, invented_text(rng))
        h = min(int(rng.integers(5, 14)), 250 - row)
        w = min(170, int(line.shape[1] * h / line.shape[0]))
        small = cv2.resize(line, (max(w, 2), h), interpolation=cv2.INTER_AREA)
        page[row : row + h, 10 : 10 + small.shape[1]] *= (1 - 0.85 * small)[..., None]
    mesh = move(
        box((rng.uniform(60, 300), rng.uniform(60, 220), 0.6)),
        rotation([0, 0, 1], rng.uniform(0, 6)),
        (*xy, ground_z + 0.6),
    )
    return Body("paper", mesh, Material(page, 0.7, 0.0, 0.2), BACKGROUND)


def _second_joint(rng, recipe: Recipe, ground_z: float, xy) -> list[Body]:
    """Another joint, all of class OTHER."""
    other = draw(int(rng.integers(2**31)), [])
    turn = rotation([0, 0, 1], rng.uniform(0, 6.28))
    shift = (*xy, ground_z + other.collar.od_mm / 2 * 1.1)
    bodies = [b for b in collar_bodies(other, OTHER, OTHER) if b.name != "beyond"]
    q = other.pipe.od_mm / 2
    bodies.append(
        Body(
            "pipe2",
            tube(np.linspace(-10, 700, 12)[:, None] * [1.0, 0, 0], q, 72),
            plain(rng, other.pipe.color, other.pipe.roughness, recipe.dirt.color, 0.1),
            OTHER,
        )
    )
    return [Body(f"second {b.name}", move(b.mesh, turn, shift), b.material, OTHER) for b in bodies]


def item(rng, kind: str, recipe: Recipe, ground_z: float, xy) -> list[Body]:
    """The bodies of one piece of clutter at (x, y) on the ground."""
    u, rgb = rng.uniform, recipe.dirt.color
    if kind == "joint":
        return _second_joint(rng, recipe, ground_z, xy)
    if kind == "paper":
        return [paper(rng, ground_z, xy)]
    label, made = BACKGROUND, None
    stuff = anything(rng, rgb)
    if kind == "pipe":
        q, label = u(6, 50), OTHER
        length = u(150, 1500)
        runs = [
            [(length / 2, q), (-length / 2, q)],
            [(-length / 2, q), (-length / 2, q * 0.85)],
            [(-length / 2, q * 0.85), (length / 2, q * 0.85)],
            [(length / 2, q * 0.85), (length / 2, q)],
        ]
        made = _lying(rng, lathe(runs, 64), ground_z, q, xy)
    elif kind == "box":
        size = u(15, 160, 3)
        made = move(box(size, u(0, 3)), rotation([0, 0, 1], u(0, 6.3)), (*xy, ground_z + size[2] / 2))
    elif kind in ("can", "bottle"):
        made = (can if kind == "can" else bottle)(rng)
        lie = rng.random() < 0.35
        q = made.points[:, 1].max()
        made = _lying(rng, made, ground_z, q, xy) if lie else _upright(rng, made, ground_z, 0, xy)
    elif kind == "cable":
        made = cable(rng, ground_z, xy, u(1.2, 9))
        stuff = plain(rng, dirt_rgb=rgb, dirt=u(0, 0.2))
    elif kind == "stones":
        made = stones(rng, ground_z, xy, int(rng.integers(2, 12)))
        stuff = plain(rng, hsv(u(15, 60), u(0, 0.25), u(0.25, 0.7)), u(0.7, 1))
    elif kind == "board":
        size = (u(200, 1200), u(30, 180), u(8, 40))
        made, stuff = (
            move(box(size, 0.8), rotation([0, 0, 1], u(0, 6.3)), (*xy, ground_z + size[2] / 2)),
            wood(rng),
        )
    elif kind == "tool":
        made = move(tool(rng), rotation([0, 0, 1], u(0, 6.3)), (*xy, ground_z + 8))
        if rng.random() < 0.6:
            stuff = metal(rng, "steel", rgb, u(0, 0.3), (96, 160))
    elif kind in ("washer", "tape_roll"):
        q = u(6, 30) if kind == "washer" else u(30, 70)
        h, inner = (u(1, 4), 0.5) if kind == "washer" else (u(12, 50), 0.7)
        made = _upright(
            rng,
            lathe(
                [
                    [(0, q * inner), (0, q)],
                    [(0, q), (h, q)],
                    [(h, q), (h, q * inner)],
                    [(h, q * inner), (0, q * inner)],
                ],
                64,
            ),
            ground_z,
            0,
            xy,
        )
        if kind == "washer":
            stuff = metal(rng, "zinc", rgb, 0.1, (64, 96))
    elif kind == "bolt":
        q = u(3, 10)
        made = _lying(
            rng,
            join(prism(6, 1.9 * q, -1.3 * q, 0, 0.5), lathe([[(u(15, 80), q), (0, q)]], 24)),
            ground_z,
            1.7 * q,
            xy,
        )
        stuff = metal(rng, "zinc", rgb, 0.2, (64, 96))
    elif kind == "twigs":
        made = join(
            *[cable(rng, ground_z, np.asarray(xy) + rng.normal(0, 40, 2), u(0.6, 3)) for _ in range(4)]
        )
        stuff = wood(rng)
    else:
        n = 41
        g = np.stack(np.meshgrid(np.linspace(-1, 1, n), np.linspace(-1, 1, n), indexing="ij"), -1) * u(
            50, 120
        )
        folds = np.add.outer(
            wobble(rng, n - 1, 3)[np.r_[0 : n - 1, 0]], wobble(rng, n - 1, 4)[np.r_[0 : n - 1, 0]]
        )
        made = move(
            patch(np.concatenate([g, np.abs(folds)[..., None] * u(3, 12) + 1], -1), flip=True),
            None,
            (*xy, ground_z),
        )
    return [Body(kind, made, stuff, label)]
