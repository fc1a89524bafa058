"""Random fields and colours that the surfaces are made of."""

from functools import cache

import cv2
import numpy as np

TILE_PX = 512


@cache
def _tile(power: float, seed: int) -> np.ndarray:
    """A tileable random field with spectrum 1/f^power, uniform in 0..1, TILE_PX square."""
    rng = np.random.default_rng([seed, int(power * 1000)])
    f = np.hypot(np.fft.fftfreq(TILE_PX)[:, None], np.fft.rfftfreq(TILE_PX)[None]) * TILE_PX
    f[0, 0] = 1
    spectrum = np.fft.rfft2(rng.normal(size=(TILE_PX, TILE_PX))) / f**power
    spectrum[0, 0] = 0
    field = np.fft.irfft2(spectrum, s=(TILE_PX, TILE_PX))
    ranks = np.empty(field.size, np.float32)
    ranks[np.argsort(field, axis=None)] = np.linspace(0, 1, field.size, dtype=np.float32)
    return ranks.reshape(field.shape)


def field(rng, x, y, scale, power=1.6, stretch=1.0) -> np.ndarray:
    """Noise (uniform in 0..1) at the points (x, y); `scale` is the period, `stretch` lengthens it along x."""
    tile = _tile(power, int(rng.integers(4)))
    a = rng.uniform(0, 2 * np.pi) if stretch == 1 else 0.0
    dx, dy = rng.uniform(0, TILE_PX, 2)
    k = TILE_PX / scale
    p, q = float(np.cos(a) * k), float(np.sin(a) * k)
    x, y = np.asarray(x, np.float32), np.asarray(y, np.float32)
    u = x * (p / float(stretch)) - y * q + float(dx)
    v = x * q + y * p + float(dy)
    u, v = (
        c - np.floor(c * np.float32(1 / TILE_PX)) * np.float32(TILE_PX) for c in np.broadcast_arrays(u, v)
    )
    value = cv2.remap(tile, np.atleast_2d(u), np.atleast_2d(v), cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    return value.reshape(u.shape)


def ramp(value, low, high) -> np.ndarray:
    """A smooth step from 0 at `low` to 1 at `high`."""
    t = np.clip((value - low) / (high - low), 0, 1)
    return t * t * (3 - 2 * t)


def wobble(rng, n: int, cycles: float, power=1.0) -> np.ndarray:
    """A periodic random line of n samples, zero mean, unit deviation, smooth above `cycles` per period."""
    f = np.fft.rfftfreq(n) * n
    weight = np.where(f > 0, 1 / (1 + (f / cycles) ** 2) ** power, 0)
    phase = np.exp(2j * np.pi * rng.random(f.size)) * rng.rayleigh(size=f.size)
    line = np.fft.irfft(weight * phase, n)
    return (line / (line.std() + 1e-12)).astype(np.float32)


def linear(srgb) -> np.ndarray:
    """SRGB 0..1 to linear light."""
    c = np.asarray(srgb, np.float32)
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4).astype(np.float32)


def hsv(h_deg: float, s: float, v: float) -> np.ndarray:
    """Linear RGB of a colour given as hue, saturation and sRGB value."""
    k = (np.array([5, 3, 1]) + h_deg / 60) % 6
    return linear(v - v * s * np.clip(np.minimum(k, 4 - k), 0, 1))


def luminance(rgb) -> np.ndarray:
    """Relative luminance of linear RGB."""
    return np.asarray(rgb) @ np.array([0.2126, 0.7152, 0.0722], np.float32)


def blend(under, over, alpha) -> np.ndarray:
    """Lay `over` on `under` with coverage `alpha` (HxW); colours are HxWx3 or 3."""
    a = np.asarray(alpha, np.float32)
    a = a[..., None] if np.ndim(under) == 3 else a
    return under + (over - under) * a


def pick(rng, table: dict):
    """One key of a table of weights."""
    keys = list(table)
    w = np.array([table[k] for k in keys], float)
    return keys[int(rng.choice(len(keys), p=w / w.sum()))]
