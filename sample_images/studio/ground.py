"""What the joint lies on: a height field with a picture, made by rule or from a photo."""

import cv2
import numpy as np

from .assets import Assets
from .body import BACKGROUND, Body, Material
from .light import sample_map
from .meshes import Mesh, join, patch
from .noise import field, hsv, linear, luminance, pick, ramp, wobble
from .recipe import GroundSpec

N = 512
TILE_MM = 620.0


def _mesh(height: np.ndarray, half_mm: float = 2600.0) -> Mesh:
    """A square of TILE_MM with relief, and round it mirrored copies and a flat skirt."""
    n = 321
    smooth = cv2.GaussianBlur(height.astype(np.float32), (0, 0), 1.1)
    small = cv2.resize(smooth, (n, n), interpolation=cv2.INTER_AREA)
    tiles = []
    for i in range(-1, 2):
        for j in range(-1, 2):
            step = 1 if i == j == 0 else 4
            z = small[:: -step if i else step, :: -step if j else step]
            a = np.linspace(-0.5, 0.5, len(z))
            x, y = np.meshgrid(a + i, a + j, indexing="ij")
            p = np.stack([x * TILE_MM, y * TILE_MM, z], -1)
            tiles.append(patch(p, np.stack([y + 0.5, x + 0.5], -1), flip=False))
    low = float(small.min()) - 0.5
    a = np.linspace(-half_mm, half_mm, 2)
    x, y = np.meshgrid(a, a, indexing="ij")
    flat = np.stack([x, y, np.full_like(x, low)], -1)
    tiles.append(patch(flat, np.stack([y, x], -1) / TILE_MM + 0.5))
    made = join(*tiles)
    return Mesh(
        made.points, np.where(made.normals[:, 2:] < 0, -made.normals, made.normals), made.uv, made.faces
    )


def _stones(rng, count: int, low_mm: float, high_mm: float):
    """A heap of pebbles: height (mm), a colour per pebble, both N x N and tileable."""
    px = N / TILE_MM
    height = np.full((N, N), -2.0, np.float32)
    owner = np.zeros((N, N), np.int32)
    yy, xx = np.mgrid[-64:65, -64:65].astype(np.float32)
    sizes = np.sort(np.exp(rng.uniform(np.log(low_mm), np.log(high_mm), count)))[::-1]
    for i, size in enumerate(sizes):
        q = min(max(size * px / 2, 1.3), 38)
        k = int(q * 1.5) + 1
        y, x = yy[64 - k : 65 + k, 64 - k : 65 + k], xx[64 - k : 65 + k, 64 - k : 65 + k]
        a, e = rng.uniform(0, np.pi), rng.uniform(0.55, 1.0)
        u, v = np.cos(a) * x + np.sin(a) * y, (np.cos(a) * y - np.sin(a) * x) / e
        power = rng.uniform(2, 4)
        inside = 1 - (np.abs(u / q) ** power + np.abs(v / q) ** power)
        z = np.where(
            inside > 0, np.sqrt(np.maximum(inside, 0)) * q / px * rng.uniform(0.35, 0.7), -9
        ) + rng.uniform(-1, 1)
        r = (int(rng.integers(N)) + np.arange(-k, k + 1)) % N
        c = (int(rng.integers(N)) + np.arange(-k, k + 1)) % N
        cell = np.ix_(r, c)
        top = (z > height[cell]) & (inside > 0)
        height[cell] = np.where(top, z, height[cell])
        owner[cell] = np.where(top, i + 1, owner[cell])
    return height, owner


def _grid():
    y, x = np.mgrid[0:N, 0:N].astype(np.float32) * (TILE_MM / N)
    return x, y


def _heap(rng, kind: str, scale: float):
    u = rng.uniform
    sizes = {"gravel": (1500, 8, 34), "pebbles": (900, 12, 55), "asphalt": (3500, 4, 12)}[kind]
    height, owner = _stones(rng, sizes[0], sizes[1] * scale, sizes[2] * scale)
    n = owner.max() + 1
    base = hsv(u(15, 60) if rng.random() < 0.7 else u(180, 240), u(0, 0.3), u(0.3, 0.75))
    if kind == "asphalt":
        base = hsv(u(0, 360), u(0, 0.06), u(0.15, 0.4))
    shades = base * np.exp(rng.normal(0, u(0.15, 0.45), (n, 1))) * np.exp(rng.normal(0, 0.08, (n, 3)))
    x, y = _grid()
    speck = field(rng, x, y, 30, 0.6)[..., None]
    color = shades[owner] * (0.7 + 0.6 * speck)
    color[owner == 0] = base * u(0.15, 0.5)
    return (
        color,
        (0.75 if kind != "asphalt" else u(0.5, 0.9)),
        height * (1 if kind != "asphalt" else 0.3),
        0.0,
    )


def _earth(rng, kind: str, scale: float):
    u = rng.uniform
    x, y = _grid()
    tone = (
        hsv(u(16, 40), u(0.15, 0.6), u(0.18, 0.6))
        if kind == "soil"
        else hsv(u(28, 46), u(0.1, 0.45), u(0.55, 0.85))
    )
    big, small, fine = (field(rng, x, y, s * scale, p) for s, p in ((TILE_MM, 1.8), (90, 1.3), (22, 0.7)))
    crumbs = ramp(field(rng, x, y, 40 * scale, 0.9), u(0.6, 0.95), 1.0)
    color = tone * (0.55 + 0.4 * big + 0.4 * small + 0.5 * (fine - 0.5))[..., None]
    color = color * (1 + 0.3 * (crumbs[..., None]) * u(-1, 1))
    height = big * u(2, 18) + small * u(1, 9) + (fine * u(0, 3) + 6 * crumbs) * (kind == "soil")
    color, height = color.astype(np.float32), height.astype(np.float32)
    if kind == "soil" and rng.random() < 0.6:
        h, owner = _stones(rng, int(rng.integers(20, 250)), 4, 30)
        shade = hsv(u(15, 60), u(0.05, 0.3), u(0.3, 0.6)) * np.exp(rng.normal(0, 0.25, (owner.max() + 1, 1)))
        color = np.where(owner[..., None] > 0, shade[owner] * (0.7 + 0.6 * fine[..., None]), color)
        height = np.maximum(height, np.where(owner > 0, h + height.mean(), -99))
    return color, u(0.7, 1.0), height, 0.0


def _boards(rng, kind: str, scale: float):
    u = rng.uniform
    x, y = _grid()
    wide = TILE_MM / (int(rng.integers(3, 9)) if kind == "planks" else 1)
    k = (y // wide).astype(int)
    off = rng.uniform(0, 999, k.max() + 1)[k]
    base = hsv(u(16, 40), u(0.1, 0.6), u(0.3, 0.85))
    grain = field(rng, x, y + off * 7, 40 * scale, 0.8, stretch=u(10, 40))
    ring = field(rng, x, y + off * 7, 160 * scale, 1.8, stretch=u(4, 9))
    lines = 0.5 + 0.5 * np.sin(ring * u(20, 90))
    tone = np.exp(rng.normal(0, u(0.03, 0.25), k.max() + 1))[k]
    color = base * (tone * (0.65 + 0.45 * grain) * (1 - u(0.05, 0.4) * lines))[..., None]
    gap = ramp(np.minimum(y % wide, wide - y % wide), 0.6, 2.2) if kind == "planks" else np.ones_like(y)
    return color * (0.15 + 0.85 * gap[..., None]), u(0.25, 0.8), (gap - 1) * 3 + 0.4 * grain, 0.0


def _made(rng, kind: str, scale: float):
    """Concrete, tiles, cloth, carpet, metal sheet, cardboard, paint."""
    u = rng.uniform
    x, y = _grid()
    cloud, mid, fine = (field(rng, x, y, s * scale, p) for s, p in ((TILE_MM, 1.9), (60, 1.2), (12, 0.6)))
    shade = 0.75 + 0.35 * cloud + 0.15 * mid + u(0, 0.2) * (fine - 0.5)
    rough, metallic, height = u(0.4, 0.95), 0.0, mid * 0.8
    if kind == "concrete":
        tone = hsv(u(20, 220), u(0, 0.12), u(0.35, 0.8))
        pits = ramp(field(rng, x, y, 50, 0.8), 0.93, 1.0)
        shade = shade * (1 - 0.6 * pits)
        crack = np.abs(field(rng, x, y, 500, 1.9) - 0.5)
        shade = shade * (1 - 0.6 * (1 - ramp(crack, 0.0, 0.004)) * (rng.random() < 0.4))
    elif kind == "tiles":
        n = int(rng.integers(2, 9))
        q = TILE_MM / n
        cell = ((x // q).astype(int) * 31 + (y // q).astype(int) * 17) % 97
        tone = hsv(u(0, 360), u(0, 0.35), u(0.35, 0.95))
        grout = ramp(np.minimum.reduce([x % q, q - x % q, y % q, q - y % q]), 1.0, 2.5)
        shade = shade * (1 + 0.15 * rng.normal(size=97)[cell]) * (u(0.2, 0.6) * (1 - grout) + grout)
        if rng.random() < 0.3:
            shade = shade * np.where(((x // q) + (y // q)) % 2 > 0, 1, u(0.2, 0.9))
        rough, height = u(0.1, 0.5), grout * 1.5
    elif kind in ("cloth", "carpet"):
        tone = hsv(u(0, 360), u(0, 0.8), u(0.12, 0.9))
        q = u(3, 5) if kind == "cloth" else u(4, 9)
        weave = 0.5 + 0.25 * np.sin(2 * np.pi * x / q) + 0.25 * np.sin(2 * np.pi * y / q)
        shade = shade * (0.7 + 0.4 * weave) * (0.8 + 0.4 * fine)
        rough, height = 0.95, cloud * u(0, 25) + fine * (3 if kind == "carpet" else 0.3)
        if rng.random() < 0.35:
            bars = np.sin(2 * np.pi * x / u(20, 120)) > u(-0.7, 0.7)
            shade = shade * np.where(bars, 1, u(0.3, 0.9))
    elif kind == "sheet_metal":
        tone, metallic, rough = hsv(u(20, 220), u(0, 0.08), u(0.5, 0.85)), 1.0, u(0.2, 0.55)
        shade = shade * (0.8 + 0.4 * field(rng, x, y, 25, 0.6, stretch=30))
        if rng.random() < 0.4:
            q = u(18, 40)
            w = np.abs(np.sin(np.pi * (x + y) / q) * np.sin(np.pi * (x - y) / q))
            height = ramp(w, 0.75, 0.95) * 2
    elif kind == "cardboard":
        tone = hsv(u(24, 36), u(0.3, 0.55), u(0.5, 0.75))
        shade = shade * (0.93 + 0.07 * np.sin(2 * np.pi * x / u(4, 8)))
    else:
        tone = hsv(u(0, 360), u(0, 1) ** 1.5, u(0.08, 0.97))
        rough, height = u(0.08, 0.8), cloud * 0.5
    color = tone * shade[..., None]
    stain = ramp(field(rng, x, y, u(100, 500), 1.7), u(0.55, 1.0), 1.05)[..., None]
    return color * (1 - u(0, 0.6) * stain) + hsv(30, 0.3, 0.3) * stain * 0.1, rough, height, metallic


def _photo(rng, assets: Assets, scale: float):
    """A grey ground photo, tinted, turned and tiled by mirrors."""
    name = str(rng.choice(list(assets.grounds)))
    grey = np.rot90(assets.grounds[name], int(rng.integers(4)))
    k = int(np.clip(N * scale * rng.uniform(0.5, 1), 200, 512))
    i, j = (int(rng.integers(0, s - k + 1)) for s in grey.shape)
    cut = cv2.resize(
        np.ascontiguousarray(grey[i : i + k, j : j + k]), (N // 2, N // 2), interpolation=cv2.INTER_AREA
    )
    cut = np.block([[cut, cut[:, ::-1]], [cut[::-1], cut[::-1, ::-1]]])
    u = rng.uniform
    tone = {
        "grass": hsv(u(60, 110), u(0.3, 0.7), u(0.5, 0.8)),
        "brick": hsv(u(5, 40), u(0.1, 0.6), u(0.6, 0.95)),
    }.get(name, hsv(u(15, 220), u(0, 0.3), u(0.6, 0.95)))
    light = linear(np.clip(cut * u(0.8, 1.2), 0, 1)) * u(0.9, 1.8)
    return light[..., None] * tone, u(0.6, 1), (cut - cut.mean()) * u(2, 10), 0.0


def _floor_of_map(rng, sky: np.ndarray):
    """What the environment map shows below the horizon, laid flat."""
    x, y = _grid()
    x, y = (x - TILE_MM / 2) / TILE_MM, (y - TILE_MM / 2) / TILE_MM
    k, cx, cy = rng.uniform(1.0, 2.4), *rng.uniform(-0.8, 0.8, 2)
    d = np.stack([k * x + cx, np.full_like(x, -1), k * y + cy], -1)
    color = sample_map(sky, d)
    color = color / (np.percentile(luminance(color), 90) + 1e-6) * rng.uniform(0.3, 0.7)
    fade = np.minimum(1, 12 * np.minimum.reduce([0.5 - np.abs(x), 0.5 - np.abs(y)]))[..., None]
    color = color * fade + np.median(color, (0, 1)) * (1 - fade)
    return np.clip(color, 0, 0.95), rng.uniform(0.4, 0.9), field(rng, x, y, 0.5, 1.5), 0.0


def _blades(rng, count: int) -> Mesh:
    """Blades of grass as bent strips, over the middle of the ground."""
    at = rng.uniform(-0.5, 0.5, (count, 2)) * TILE_MM
    h, lean, turn = rng.uniform(12, 48, count), rng.uniform(0.1, 1.1, count), rng.uniform(0, 6.28, count)
    t = np.linspace(0, 1, 4)[None, :, None]
    d = np.stack([np.cos(turn), np.sin(turn), 0 * turn], 1)[:, None]
    side = np.stack([-np.sin(turn), np.cos(turn), 0 * turn], 1)[:, None]
    middle = (
        np.concatenate([at, 0 * at[:, :1]], 1)[:, None]
        + d * (lean * h)[:, None, None] * t**2
        + (np.array([0, 0, 1.0]) * h[:, None, None] * t * (1 - 0.3 * lean[:, None, None] * t))
    )
    wide = rng.uniform(0.8, 2.2, count)[:, None, None] * (1 - 0.9 * t)
    p = np.stack([middle - side * wide, middle + side * wide], 2)
    normal = np.repeat(np.broadcast_to(d * -0.6 + [0, 0, 0.8], (*p.shape[:2], 3))[:, :, None], 2, 2)
    u = np.broadcast_to(rng.random(count)[:, None, None], p.shape[:3])
    v = np.broadcast_to(t, p.shape[:3])
    base = (np.arange(count) * 8)[:, None, None] + (np.arange(3) * 2)[None, :, None]
    faces = np.concatenate([base + np.array([0, 1, 2]), base + np.array([1, 3, 2])], 1).reshape(-1, 3)
    return Mesh(p.reshape(-1, 3), normal.reshape(-1, 3), np.stack([u, v], -1).reshape(-1, 2), faces)


def ground_bodies(
    spec: GroundSpec, z_mm: float, assets: Assets, sky: np.ndarray, room_mm: float, wall_side: float
) -> list[Body]:
    """The ground at height z (its relief reaches at most `room_mm` above), with grass or a wall if drawn."""
    rng = np.random.default_rng(spec.seed)
    kind = spec.kind
    if kind == "none":
        return []
    if kind == "photo" and assets.grounds:
        color, rough, height, metallic = _photo(rng, assets, spec.scale)
    elif kind == "floor_of_map":
        color, rough, height, metallic = _floor_of_map(rng, sky)
    elif kind in ("gravel", "pebbles", "asphalt"):
        color, rough, height, metallic = _heap(rng, kind, spec.scale)
    elif kind in ("soil", "sand", "grass"):
        color, rough, height, metallic = _earth(rng, "soil" if kind == "grass" else kind, spec.scale)
    elif kind in ("planks", "plywood"):
        color, rough, height, metallic = _boards(rng, kind, spec.scale)
    else:
        color, rough, height, metallic = _made(rng, kind if kind != "photo" else "concrete", spec.scale)
    top = np.percentile(height, 97)
    height = np.minimum(height - top, room_mm)
    tilt = np.tan(np.radians(np.clip(spec.tilt_deg, -8, 8)))
    mesh = _mesh(height)
    points = mesh.points + np.array([rng.uniform(-250, 250), 0, z_mm])
    points[:, 2] += tilt * points[:, 1] - abs(tilt) * 20
    bodies = [
        Body(
            "ground",
            Mesh(points, mesh.normals, mesh.uv, mesh.faces),
            Material(np.clip(color, 0, 0.97), rough, metallic, float(rng.uniform(0.1, 0.5))),
            BACKGROUND,
        )
    ]
    if kind == "grass":
        blades = _blades(rng, int(rng.integers(3000, 14000)))
        hue = hsv(rng.uniform(55, 115), rng.uniform(0.3, 0.75), rng.uniform(0.35, 0.7))
        dry = hsv(rng.uniform(35, 55), rng.uniform(0.2, 0.5), rng.uniform(0.5, 0.75))
        mix = (rng.random((1, 64, 1)) < rng.uniform(0, 0.5)) * rng.random((1, 64, 1))
        shade = (hue * (1 - mix) + dry * mix) * np.linspace(0.5, 1.1, 16)[:, None, None]
        points = blades.points + np.array([0, 0, z_mm - 4])
        bodies.append(
            Body(
                "grass",
                Mesh(points, blades.normals, blades.uv, blades.faces),
                Material(np.clip(shade, 0, 1), 0.6, 0.0, 0.4),
                BACKGROUND,
            )
        )
    if spec.wall:
        bodies.append(_wall(rng, z_mm, wall_side))
    return bodies


def _wall(rng, z_mm: float, side: float) -> Body:
    """A wall or the side of a trench behind the joint."""
    kind = pick(rng, {"concrete": 2, "paint": 2, "tiles": 1, "cardboard": 0.5})
    color, rough, _, metallic = _made(rng, kind, 1.0)
    n = 60
    bump = 6 * wobble(rng, n, 4)[:, None] * np.ones((1, n))
    x, z = np.meshgrid(np.linspace(-1500, 1500, n), np.linspace(0, 1600, n), indexing="ij")
    y = np.full_like(x, side * rng.uniform(120, 500)) + bump
    made = patch(np.stack([x, y, z + z_mm - 20], -1), np.stack([x, z], -1) / 700)
    return Body("wall", made, Material(np.clip(color, 0, 0.97), rough, metallic), BACKGROUND)
