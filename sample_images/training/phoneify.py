"""What a phone does to a clean render, at random, for a whole batch at once on the training device.

Pictures are (batch, 3, height, width), sRGB 0..1.  Every picture of a batch draws its own numbers.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional as F

_LUMA = (0.299, 0.587, 0.114)
_TO_YCC = ((0.299, 0.587, 0.114), (-0.168736, -0.331264, 0.5), (0.5, -0.418688, -0.081312))
_TO_RGB = ((1.0, 0.0, 1.402), (1.0, -0.344136, -0.714136), (1.0, 1.772, 0.0))
# ITU-T T.81, Annex K, tables K.1 and K.2
_LUMA_STEPS = (
    (16, 11, 10, 16, 24, 40, 51, 61), (12, 12, 14, 19, 26, 58, 60, 55),
    (14, 13, 16, 24, 40, 57, 69, 56), (14, 17, 22, 29, 51, 87, 80, 62),
    (18, 22, 37, 56, 68, 109, 103, 77), (24, 35, 55, 64, 81, 104, 113, 92),
    (49, 64, 78, 87, 103, 121, 120, 101), (72, 92, 95, 98, 112, 100, 103, 99),
)  # fmt: skip
_CHROMA_STEPS = (
    (17, 18, 24, 47, 99, 99, 99, 99), (18, 21, 26, 66, 99, 99, 99, 99),
    (24, 26, 56, 99, 99, 99, 99, 99), (47, 66, 99, 99, 99, 99, 99, 99),
    *((99,) * 8,) * 4,
)  # fmt: skip
_MESSAGED = 0.2  # share of pictures that a messenger has passed on
# class of the render -> what is painted alike: ground, pipe with all that lies on it, collar
_GROUPS = (0, 1, 2, 0, 1, 1, 1, 1, 2, 0, 0, 2, 1)


def uniform(like: Tensor, low: float, high: float, *shape: int) -> Tensor:
    return torch.rand(shape or (len(like),), device=like.device) * (high - low) + low


def normal(like: Tensor, spread: float, *shape: int) -> Tensor:
    return torch.randn(shape or (len(like),), device=like.device) * spread


def chance(like: Tensor, share: float) -> Tensor:
    """Bool (batch,), each true with this probability."""
    return torch.rand(len(like), device=like.device) < share


def _wide(value: Tensor) -> Tensor:
    return value[:, None, None, None]


def recolour(x: Tensor) -> Tensor:
    """Exposure, white balance, gamma, lift, saturation and a turn of hue, now and then by any angle."""
    gain = torch.exp(normal(x, 0.22))[:, None] * torch.exp(normal(x, 0.07, len(x), 3))
    x = (x * gain[:, :, None, None] + _wide(normal(x, 0.03))).clamp(1e-4, 1)
    x = x ** _wide(torch.exp(normal(x, 0.2)))
    luma = torch.tensor(_LUMA, device=x.device)
    grey = (x * luma[:, None, None]).sum(1, keepdim=True)
    colour = x - grey
    angle = torch.where(chance(x, 0.75), normal(x, 0.2), uniform(x, 0, 2 * math.pi))
    size = torch.exp(normal(x, 0.3))
    cos, sin = angle.cos() * size, angle.sin() * size
    turned = _about_grey(cos, sin)
    changed = (grey + torch.einsum("bij,bjhw->bihw", turned, colour)).clamp(0, 1)
    return torch.where(_wide(chance(x, 0.6)), changed, x)


def groups(classes: Tensor) -> Tensor:
    """What of a render is painted alike, 0 to 2, by its classes."""
    table = torch.tensor(_GROUPS, dtype=torch.uint8, device=classes.device)
    return table[classes.clamp(max=len(_GROUPS) - 1).long()]


def repainted(x: Tensor, groups: Tensor, share: float) -> Tensor:
    """Some pictures with each group of their pixels (batch, height, width), 0 to 2, in paint and light of its own.

    A network then has to tell collar, pipe and ground by shape as much as by the colours that renders know.
    """
    some = torch.nonzero(chance(x, share))[:, 0]
    if not len(some):
        return x
    part = x[some]
    for group in range(3):
        there = (groups[some] == group)[:, None].float()
        there = F.avg_pool2d(there, 3, 1, 1)  # as soft as the render's own edges
        gain = (normal(part, 0.3)[:, None] + normal(part, 0.12, len(part), 3)).exp()
        painted = part * gain[:, :, None, None] + normal(part, 0.06, len(part), 3)[:, :, None, None]
        part = torch.lerp(part, painted, there)
    return x.index_copy(0, some, part.clamp(0, 1))


def _about_grey(cos: Tensor, sin: Tensor) -> Tensor:
    """Matrices (batch, 3, 3) that turn a colour about the grey axis (Rodrigues)."""
    third = torch.full((3, 3), 1 / 3, device=cos.device)
    cross = torch.tensor([[0.0, -1, 1], [1, 0, -1], [-1, 1, 0]], device=cos.device) / math.sqrt(3)
    eye = torch.eye(3, device=cos.device)
    return cos[:, None, None] * (eye - third) + sin[:, None, None] * cross + third


def gaussian(x: Tensor, sigma: Tensor, reach: int) -> Tensor:
    """Blur each picture by its own sigma (batch,), in px; kernels reach so many px to either side."""
    at = torch.arange(-reach, reach + 1, device=x.device, dtype=x.dtype)
    kernel = torch.exp(-0.5 * (at / sigma.clamp(min=0.05)[:, None]) ** 2)
    kernel = (kernel / kernel.sum(1, keepdim=True)).repeat_interleave(x.shape[1], 0)
    flat = x.reshape(1, -1, *x.shape[2:])
    flat = F.pad(flat, (reach, reach, reach, reach), mode="replicate")
    flat = F.conv2d(flat, kernel[:, None, None, :], groups=len(kernel))
    flat = F.conv2d(flat, kernel[:, None, :, None], groups=len(kernel))
    return flat.reshape(x.shape)


def _motion(x: Tensor, length: Tensor) -> Tensor:
    """Streaks of `length` (batch,) px along one random direction a picture."""
    angle = uniform(x, 0, math.pi)
    step = torch.linspace(-0.5, 0.5, 7, device=x.device)
    h, w = x.shape[2:]
    eye = torch.eye(2, 3, device=x.device).repeat(len(x), 1, 1)
    total = torch.zeros_like(x)
    for part in step:
        shift = eye.clone()
        shift[:, 0, 2] = part * length * angle.cos() * 2 / w
        shift[:, 1, 2] = part * length * angle.sin() * 2 / h
        grid = F.affine_grid(shift, list(x.shape), align_corners=False)
        total += F.grid_sample(x, grid, padding_mode="border", align_corners=False)
    return total / len(step)


def _noise(x: Tensor) -> Tensor:
    """Fine or blotchy grain, as strong in each picture as its own level."""
    level = (normal(x, 6).abs() / 255) * chance(x, 0.8)
    grain = torch.randn_like(x)
    blots = gaussian(grain, uniform(x, 0.5, 1.2), 4) * 1.8
    return _wide(level) * torch.where(_wide(chance(x, 0.5)), blots, grain)


def _sharpened(x: Tensor) -> Tensor:
    amount = uniform(x, 0.2, 1.3) * chance(x, 0.5)
    return (x + _wide(amount) * (x - gaussian(x, uniform(x, 0.7, 2.0), 6))).clamp(0, 1)


def _cosines(device: torch.device) -> Tensor:
    """The 8 x 8 orthonormal matrix of the discrete cosine transform."""
    k = torch.arange(8, device=device, dtype=torch.float32)
    basis = torch.cos((2 * k[None] + 1) * k[:, None] * math.pi / 16) / 2
    basis[0] /= math.sqrt(2)
    return basis


def _coded(plane: Tensor, table: tuple[tuple[int, ...], ...], quality: Tensor) -> Tensor:
    """Quantise the 8 x 8 blocks of planes (batch, channels, height, width), sides multiples of 8."""
    b, c, h, w = plane.shape
    basis = _cosines(plane.device)
    scale = torch.where(quality < 50, 5000 / quality, 200 - 2 * quality) / 100
    steps = (torch.tensor(table, device=plane.device) * scale[:, None, None]).round().clamp(1, 255)
    steps = steps[:, None, None, :, None, :]
    blocks = plane.reshape(b, c, h // 8, 8, w // 8, 8)
    spectrum = torch.einsum("ij,bchjwk,lk->bchiwl", basis, blocks, basis)
    spectrum = (spectrum / steps).round() * steps
    return torch.einsum("ij,bchiwl,lk->bchjwk", basis, spectrum, basis).reshape(plane.shape)


def jpeg(x: Tensor, quality: Tensor, halved: bool) -> Tensor:
    """What baseline JPEG leaves of the pictures at a quality (batch,) of 1..100; `halved`: chroma 4:2:0."""
    h, w = x.shape[2:]
    padded = F.pad(x, (0, -w % 16, 0, -h % 16), mode="replicate")
    ycc = torch.einsum("ij,bjhw->bihw", torch.tensor(_TO_YCC, device=x.device), padded * 255)
    luma = _coded(ycc[:, :1] - 128, _LUMA_STEPS, quality) + 128
    chroma = F.avg_pool2d(ycc[:, 1:], 2) if halved else ycc[:, 1:]
    chroma = _coded(chroma, _CHROMA_STEPS, quality)
    if halved:
        chroma = F.interpolate(chroma, scale_factor=2.0, mode="bilinear", align_corners=False)
    rgb = torch.einsum("ij,bjhw->bihw", torch.tensor(_TO_RGB, device=x.device), torch.cat([luma, chroma], 1))
    return ((rgb / 255).clamp(0, 1) * 255).round()[:, :, :h, :w] / 255


def process(x: Tensor, most_blur_px: Tensor) -> Tensor:
    """Blur up to about `most_blur_px` (batch,), grain, sharpening and compression, in a phone's order."""
    x = gaussian(x, normal(x, 0.5).abs() * most_blur_px, 8)
    moved = torch.nonzero(chance(x, 0.15))[:, 0]
    if len(moved):
        some = x[moved]
        x = x.index_copy(0, moved, _motion(some, 1 + uniform(some, 0, 2) * most_blur_px[moved]))
    x = _sharpened((x + _noise(x)).clamp(0, 1))
    quality = torch.where(chance(x, 0.7), uniform(x, 30, 96), torch.full((len(x),), 98.0, device=x.device))
    return _sent(jpeg(x, quality, halved=bool(torch.rand(()) < 0.7)))


def _sent(x: Tensor) -> Tensor:
    """Some of the pictures as a messenger passes them on: made smaller, and compressed once more."""
    some = torch.nonzero(chance(x, _MESSAGED))[:, 0]
    if not len(some):
        return x
    part, share = x[some], float(torch.empty(()).uniform_(0.45, 0.9))
    small = F.interpolate(part, scale_factor=share, mode="bilinear", align_corners=False, antialias=True)
    small = jpeg(small, uniform(part, 45, 85), halved=True)
    back = F.interpolate(small, x.shape[2:], mode="bilinear", align_corners=False)
    return x.index_copy(0, some, back.clamp(0, 1))
