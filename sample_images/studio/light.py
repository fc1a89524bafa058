"""Light: real or invented surroundings, a sun painted into them, and a lamp beside the camera."""

import cv2
import numpy as np

from .meshes import unit
from .noise import hsv, luminance
from .recipe import LightSpec
from .render import Flash

UP = {"z": (0, 0, 1), "-z": (0, 0, -1), "y": (0, 1, 0), "-y": (0, -1, 0), "x": (1, 0, 0), "-x": (-1, 0, 0)}


def _directions(h: int, w: int) -> np.ndarray:
    """Unit directions (h, w, 3), y up, of a latitude-longitude map's pixels."""
    theta = (np.arange(h)[:, None] + 0.5) / h * np.pi
    phi = (np.arange(w)[None] + 0.5) / w * 2 * np.pi
    return np.stack(
        np.broadcast_arrays(np.sin(theta) * np.sin(phi), np.cos(theta), -np.sin(theta) * np.cos(phi)), -1
    )


def sample_map(sky: np.ndarray, d: np.ndarray) -> np.ndarray:
    """Radiance of a map in the directions d (..., 3), y up."""
    h, w = sky.shape[:2]
    d = unit(d)
    v = np.arccos(np.clip(d[..., 1], -1, 1)) / np.pi * h - 0.5
    u = np.mod(np.arctan2(d[..., 0], -d[..., 2]) / (2 * np.pi), 1) * w - 0.5
    return cv2.remap(
        sky, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP
    )


def _invented(rng) -> np.ndarray:
    """A simple room or sky: a gradient with some windows or lamps and dark blocks."""
    h, w = 128, 256
    d = _directions(h, w)
    u = rng.uniform
    up = np.clip(d[..., 1] * 0.5 + 0.5, 0, 1)[..., None]
    low, high = hsv(u(0, 360), u(0, 0.4), u(0.1, 0.6)), hsv(u(180, 260), u(0, 0.5), u(0.3, 0.9))
    sky = low + (high - low) * up ** u(0.5, 2)
    for _ in range(int(rng.integers(0, 14))):
        a = unit(rng.normal(size=3))
        wide = d @ a > np.cos(u(0.05, 0.5))
        sky = np.where(wide[..., None], hsv(u(0, 360), u(0, 0.4), u(0.05, 0.7)), sky)
    for _ in range(int(rng.integers(1, 6))):
        el, az = u(0.05, 1.3), u(0, 2 * np.pi)
        a = np.array([np.cos(el) * np.sin(az), np.sin(el), np.cos(el) * np.cos(az)])
        e1 = unit(np.cross([0, 1, 0], a))
        e2 = np.cross(a, e1)
        box = (np.abs(d @ e1) < u(0.03, 0.4)) & (np.abs(d @ e2) < u(0.03, 0.3)) & (d @ a > 0)
        sky = np.where(box[..., None], hsv(u(20, 240), u(0, 0.25), 1.0) * u(2, 25), sky)
    return cv2.GaussianBlur(sky.astype(np.float32), (0, 0), u(0.4, 2), borderType=cv2.BORDER_REFLECT)


def sky(spec: LightSpec, maps: dict[str, np.ndarray]) -> np.ndarray:
    """The environment map of a scene (y up), scaled to a mean radiance of about 1."""
    rng = np.random.default_rng(spec.seed)
    base = maps[spec.map_name] if spec.map_name in maps else _invented(rng)
    if spec.mirror:
        base = base[:, ::-1]
    base = np.maximum(base, 0) * np.asarray(spec.tint, np.float32)
    h, w = base.shape[:2]
    weight = np.sin((np.arange(h) + 0.5) / h * np.pi)[:, None]
    mean = (luminance(base) * weight).sum() / (weight.sum() * w)
    base = base / (mean + 1e-9)
    lum = luminance(base)[..., None]
    base = base * np.maximum(lum, 1e-4) ** (spec.contrast - 1)
    if spec.sun > 0:
        az, el = np.radians([spec.sun_az_deg, spec.sun_el_deg])
        a = np.array([np.cos(el) * np.sin(az), np.sin(el), np.cos(el) * np.cos(az)])
        radius = np.radians(spec.sun_size_deg) / 2
        angle = np.arccos(np.clip(_directions(h, w) @ a, -1, 1))
        disc = np.clip((radius * 1.3 + np.pi / h - angle) / (0.3 * radius + np.pi / h), 0, 1)
        solid = (disc * weight).sum() * (np.pi / h) * (2 * np.pi / w)
        base = base + (spec.sun * np.pi / max(solid, 1e-9) * disc)[..., None] * np.array([1, 0.95, 0.87])
    return np.ascontiguousarray(base, np.float32)


def orientation(spec: LightSpec) -> np.ndarray:
    """The 4x4 turn that brings the map's y to the scene's up, after a turn about y."""
    up = np.array(UP[spec.up], float)
    helper = np.array([1.0, 0, 0]) if abs(up[0]) < 0.5 else np.array([0, 1.0, 0])
    x = unit(np.cross(helper, up))
    turn = np.radians(spec.turn_deg)
    e1 = np.cos(turn) * x + np.sin(turn) * np.cross(up, x)
    out = np.eye(4)
    out[:3, :3] = np.stack([e1, up, np.cross(e1, up)], 1)
    return out


def flash(spec: LightSpec, camera_mm: np.ndarray, dist_mm: float) -> Flash | None:
    """A lamp beside the camera, as strong at the joint as `spec.flash` mean skies."""
    if spec.flash <= 0:
        return None
    rng = np.random.default_rng(spec.seed + 1)
    at = camera_mm + rng.normal(0, spec.lamp_mm, 3)
    tone = hsv(rng.uniform(20, 240), rng.uniform(0, 0.12), 1.0)
    return Flash(at, tone * spec.flash * np.pi * dist_mm**2 * 0.5)
