"""What things are made of: small random textures for metals, plastics, wood, paint and skin."""

import numpy as np

from .body import Material
from .noise import blend, field, hsv, linear, pick, ramp

SKINS = (
    (0.96, 0.80, 0.70),
    (0.90, 0.70, 0.58),
    (0.80, 0.60, 0.46),
    (0.65, 0.45, 0.33),
    (0.48, 0.32, 0.23),
    (0.33, 0.22, 0.16),
    (0.22, 0.15, 0.12),
)


def grid(rows: int, cols: int, size_mm: float = 100.0, aspect: float = 1.0):
    """Coordinates (x round, y along) of a texture's pixel centres in mm."""
    y = (np.arange(rows)[:, None] + 0.5) / rows * size_mm
    x = (np.arange(cols)[None] + 0.5) / cols * size_mm * aspect
    return x, y


def metal(rng, finish: str, dirt_rgb, dirt: float, shape=(192, 384)) -> Material:
    """A turned, plated, painted or rusty metal surface, brushed round the axis."""
    u = rng.uniform
    x, y = grid(*shape, 80.0, 3.0)
    x, y = np.broadcast_arrays(x, y)
    tone = {
        "steel": hsv(u(20, 220), u(0, 0.05), u(0.6, 0.82)),
        "bright": hsv(u(20, 220), u(0, 0.03), u(0.85, 0.96)),
        "mirror": hsv(u(20, 220), u(0, 0.03), u(0.88, 0.97)),
        "zinc": hsv(u(200, 230), u(0, 0.08), u(0.65, 0.85)),
        "chromate": hsv(u(38, 56), u(0.2, 0.5), u(0.7, 0.85)),
        "brass": hsv(u(36, 46), u(0.35, 0.6), u(0.75, 0.92)),
        "black_metal": hsv(u(0, 360), u(0, 0.1), u(0.2, 0.4)),
        "rusty": hsv(u(14, 26), u(0.4, 0.7), u(0.3, 0.5)),
        "cast": hsv(u(20, 220), u(0, 0.08), u(0.35, 0.6)),
    }[finish]
    rough = {
        "steel": u(0.22, 0.5),
        "bright": u(0.06, 0.25),
        "mirror": u(0.03, 0.1),
        "zinc": u(0.2, 0.45),
        "chromate": u(0.2, 0.45),
        "brass": u(0.12, 0.4),
        "black_metal": u(0.2, 0.5),
        "rusty": u(0.6, 0.9),
        "cast": u(0.45, 0.75),
    }[finish]
    brushed = field(rng, x, y, u(8, 25), 0.6, stretch=u(15, 60))
    cloud = field(rng, x, y, u(30, 120), 1.7)
    strength = u(0, 0.25)
    color = tone * (1 + strength * (brushed[..., None] - 0.5) + 0.25 * (cloud[..., None] - 0.5))
    roughness = rough * (1 + 0.8 * strength * (brushed - 0.5)) + 0.15 * (cloud - 0.5)
    metallic = np.ones(shape, np.float32)
    rust = (
        ramp(field(rng, x, y, u(10, 60), 1.4), 0.9 if finish != "rusty" else 0.35, 1.0)
        if (finish == "rusty" or rng.random() < 0.25)
        else np.zeros(shape, np.float32)
    )
    color = blend(color, hsv(u(10, 26), u(0.5, 0.8), u(0.2, 0.45)), rust)
    spots = ramp(field(rng, x, y, u(15, 90), 1.5), 1 - dirt, 1 - dirt + 0.12) if dirt > 0.01 else 0 * rust
    color = blend(color, np.asarray(dirt_rgb) * (0.8 + 0.4 * cloud[..., None]), spots)
    cover = np.maximum(rust * 0.8, spots)
    return Material(
        color, np.clip(roughness * (1 - cover) + 0.85 * cover, 0.05, 1), metallic * (1 - cover), 0.5
    )


def unnamed(rng, dirt_rgb, dirt: float, shape=(192, 384)) -> Material:
    """A surface of no named stuff: any colour, any gloss, any mixture of metal and paint, grained anyhow."""
    u = rng.uniform
    x, y = np.broadcast_arrays(*grid(*shape, 80.0, 3.0))
    tone, other = (hsv(u(0, 360), u(0, 0.9) ** 2, u(0.08, 0.97)) for _ in range(2))
    grain = field(rng, x, y, float(np.exp(u(np.log(4), np.log(120)))), u(0.5, 1.8), stretch=float(np.exp(u(0, 4))))
    second = ramp(field(rng, x, y, u(10, 90), u(1.2, 1.8)), u(0.5, 1.1), 1.1)
    color = blend(tone * (1 + u(0, 0.5) * (grain[..., None] - 0.5)), other, second)
    rough = np.clip(u(0.05, 0.9) + u(0, 0.3) * (grain - 0.5), 0.05, 1)
    metallic = np.full(shape, rng.choice([0.0, 1.0, u(0, 1)]), np.float32) * (1 - 0.8 * second)
    spots = ramp(field(rng, x, y, u(15, 90), 1.5), 1 - dirt, 1 - dirt + 0.12) if dirt > 0.01 else 0 * second
    color = blend(color, np.asarray(dirt_rgb), spots)
    return Material(color, np.clip(rough * (1 - spots) + 0.85 * spots, 0.05, 1), metallic * (1 - spots), 0.5)


def plain(rng, color=None, rough=None, dirt_rgb=None, dirt: float = 0.0, shape=(128, 192)) -> Material:
    """Plastic or paint with slight clouds, scratches and dirt."""
    u = rng.uniform
    x, y = np.broadcast_arrays(*grid(*shape, 100.0, 2.0))
    color = hsv(u(0, 360), u(0, 0.9) ** 1.5, u(0.1, 0.95)) if color is None else np.asarray(color)
    cloud = field(rng, x, y, u(30, 150), 1.7)[..., None]
    c = color * (1 + u(0, 0.25) * (cloud - 0.5))
    wear = ramp(field(rng, x, y, 60, 1.2, stretch=u(1, 8)), u(0.85, 0.97), 1.0) * u(0, 0.7)
    c = blend(c, np.clip(color * u(0.5, 1.2) + u(0, 0.2), 0, 1), wear)
    rough = u(0.15, 0.8) if rough is None else rough
    spots = ramp(field(rng, x, y, u(20, 90), 1.5), 1 - dirt, 1 - dirt + 0.1) if dirt > 0.01 else 0 * wear
    if dirt_rgb is not None:
        c = blend(c, np.asarray(dirt_rgb), spots)
    return Material(c, np.clip(rough + 0.2 * wear + (0.85 - rough) * spots, 0.05, 1), 0.0, float(u(0.2, 0.6)))


def wood(rng, shape=(128, 256)) -> Material:
    """Straight grain along u."""
    u = rng.uniform
    x, y = np.broadcast_arrays(*grid(*shape, 60.0, 4.0))
    base = hsv(u(18, 40), u(0.2, 0.6), u(0.35, 0.85))
    warp = field(rng, x, y, 90, 2.0, stretch=4) * u(2, 14)
    grain = 0.5 + 0.5 * np.sin((y / u(1.5, 6) + warp) * 2 * np.pi / u(1, 3))
    fibre = field(rng, x, y, 12, 0.7, stretch=30)
    c = base * (1 - u(0.1, 0.45) * grain[..., None]) * (0.75 + 0.5 * fibre[..., None])
    return Material(c, u(0.4, 0.85), 0.0, 0.3)


def skin(rng, glove: bool, dirt_rgb) -> Material:
    """Skin of any tone, or a glove's fabric or rubber, sometimes dirty."""
    u = rng.uniform
    x, y = np.broadcast_arrays(*grid(128, 64, 80.0, 0.8))
    if glove:
        tone = hsv(u(0, 360), u(0, 0.9), u(0.08, 0.9))
        weave = 0.5 + 0.5 * np.sin(x * u(3, 7)) * np.sin(y * u(3, 7)) if rng.random() < 0.6 else 0.5
        c = tone * (0.75 + 0.5 * np.broadcast_to(weave, x.shape)[..., None])
        rough = u(0.3, 0.95)
    else:
        i = u(0, len(SKINS) - 1)
        k = int(i)
        tone = linear(
            np.array(SKINS[k]) * (1 - i + k) + np.array(SKINS[min(k + 1, len(SKINS) - 1)]) * (i - k)
        )
        red = field(rng, x, y, 40, 1.8)[..., None]
        crease = ramp(field(rng, x, y, 9, 1.0, stretch=6), 0.75, 1.0)[..., None]
        c = tone * (1 + (red - 0.5) * np.array([0.15, -0.15, -0.1])) * (1 - 0.25 * crease)
        rough = u(0.35, 0.6)
    dirt = ramp(field(rng, x, y, 50, 1.4), 1 - u(0, 0.35), 1.0) * u(0, 0.8)
    return Material(blend(c, np.asarray(dirt_rgb) * 0.7, dirt), float(rough), 0.0, 0.4)


def anything(rng, dirt_rgb) -> Material:
    """A random material for clutter."""
    kind = pick(rng, {"plain": 4, "metal": 2, "wood": 1})
    if kind == "metal":
        return metal(
            rng,
            pick(rng, {"steel": 2, "zinc": 1, "brass": 1, "rusty": 1, "cast": 1}),
            dirt_rgb,
            rng.uniform(0, 0.3),
            (96, 160),
        )
    return wood(rng) if kind == "wood" else plain(rng, dirt_rgb=dirt_rgb, dirt=rng.uniform(0, 0.3))
