"""What a phone does to a clean render, at random: scale, blur, noise, sharpening, tone, colour, JPEG."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]


def recolour(rgb: Bytes, rng: Generator) -> Bytes:
    """Exposure, contrast, gamma, white balance, saturation and a small turn of hue, by look-up table."""
    x = np.linspace(0, 1, 256)
    gain = np.exp(rng.normal(0, 0.22)) * np.exp(rng.normal(0, 0.07, 3))
    gamma = np.exp(rng.normal(0, 0.2))
    lift = rng.normal(0, 0.03)
    table = np.clip(np.clip(x[:, None] * gain + lift, 0, None) ** gamma * 255, 0, 255).astype(np.uint8)
    out = cv2.LUT(rgb, table[None])
    if rng.random() < 0.6:
        hsv = cv2.cvtColor(out, cv2.COLOR_RGB2HSV)
        turn = int(rng.normal(0, 6)) if rng.random() < 0.7 else int(rng.integers(0, 180))
        hsv[..., 0] = (hsv[..., 0].astype(int) + turn) % 180
        hsv[..., 1] = np.clip(hsv[..., 1] * np.exp(rng.normal(0, 0.3)), 0, 255).astype(np.uint8)
        out = cv2.cvtColor(hsv, cv2.COLOR_HSV2RGB)
    return out


def blur(rgb: Bytes, rng: Generator, most_px: float) -> Bytes:
    """Defocus by a Gaussian and, now and then, motion along a random direction."""
    sigma = abs(rng.normal(0, most_px / 2))
    if sigma > 0.2:
        rgb = cv2.GaussianBlur(rgb, (0, 0), sigma)
    if rng.random() < 0.15:
        length = float(rng.uniform(1, 2 * most_px + 1))
        angle, size = rng.uniform(0, np.pi), 2 * int(np.ceil(length)) + 1
        kernel = np.zeros((size, size), np.float32)
        half = np.array([np.cos(angle), np.sin(angle)]) * length / 2
        middle = np.array([size // 2, size // 2])
        ends = [tuple(int(v) for v in np.round((middle + sign * half) * 16)) for sign in (-1, 1)]
        cv2.line(kernel, ends[0], ends[1], 1.0, 1, cv2.LINE_AA, 4)
        if kernel.sum() > 0:
            rgb = cv2.filter2D(rgb, -1, kernel / kernel.sum())
    return rgb


def process(rgb: Bytes, rng: Generator, most_blur_px: float = 2.0) -> Bytes:
    """Blur, noise (fine and blotchy), sharpening and compression, in a phone's order."""
    rgb = blur(rgb, rng, most_blur_px)
    if rng.random() < 0.8:
        level = abs(rng.normal(0, 6))
        noise = rng.normal(0, level, rgb.shape).astype(np.float32)
        if rng.random() < 0.5:
            noise = cv2.GaussianBlur(noise, (0, 0), float(rng.uniform(0.5, 1.2))) * 1.8
        rgb = np.clip(rgb + noise, 0, 255).astype(np.uint8)
    if rng.random() < 0.5:
        soft = cv2.GaussianBlur(rgb, (0, 0), float(rng.uniform(0.7, 2.0)))
        amount = float(rng.uniform(0.2, 1.3))
        rgb = cv2.addWeighted(rgb, 1 + amount, soft, -amount, 0)
    if rng.random() < 0.7:
        quality = int(rng.integers(35, 96))
        rgb = cv2.imdecode(
            cv2.imencode(".jpg", rgb, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_COLOR
        )
    return rgb
