"""Training pictures of the spotter: close looks at a bare pipe's end, as far off as the first looks before them are.

They are always of one scale and one direction, and of pipes alone: who looks only so need know nothing else.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional as F

from . import phoneify
from .frames import named_for_finder
from .phoneify import chance, normal, uniform
from .shelf import IGNORE, SIDE_PX, Shelf, numbers

WIDTH, HEIGHT = 512, 384
PIPE_SHARES, SECOND_SHARE = (170 / 640, 110 / 640), 0.2  # of the look's width; how often the second
END_AT = (0.3, 0.5)
PHOTO_SHARE, ASTRAY_SHARE, CUT_OFF_SHARE = 0.06, 0.06, 0.12


def _aim(shelf: Shelf, index: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Pixel (batch, 2) of the end, direction (batch,) of the axis, and source pixels per pixel of the look.

    A photo without a pipe is looked at anywhere.
    """
    matrix, mouth, axis, pipe, *_ = numbers(shelf.numbers[index])
    piped = shelf.numbers[index, 15] > 0
    middle = shelf.size[index] / 2
    there = torch.where(piped[:, None], mouth, torch.tensor([0.0, 0.0, 1.0], device=mouth.device).double())
    on = torch.where(piped[:, None], axis, torch.tensor([1.0, 0.0, 0.0], device=mouth.device).double())
    at, beyond = (_projected(matrix, point) for point in (there, there + 20 * on))
    size = 2 * pipe * matrix[:, 0, 0] / there[:, 2]
    share = torch.where(chance(size, SECOND_SHARE), PIPE_SHARES[1], PIPE_SHARES[0])
    scale = torch.where(piped, size.float(), uniform(middle, 60, 300)) / (share * WIDTH)
    run = (beyond - at).float()
    turn = torch.where(piped, torch.atan2(run[:, 1], run[:, 0]), uniform(middle, 0, 2 * math.pi))
    anywhere = middle + torch.stack([normal(scale, 120), normal(scale, 120)], 1)
    return torch.where(piped[:, None], at.float(), anywhere), turn, scale


def _projected(matrix: Tensor, point: Tensor) -> Tensor:
    image = torch.einsum("bij,bj->bi", matrix, point)
    return image[:, :2] / torch.where(image[:, 2:].abs() > 1e-6, image[:, 2:], 1.0)


def _off(at: Tensor, turn: Tensor, scale: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """As a first look sees it: a little off mostly, some by far, some looking at another thing altogether."""
    far = torch.where(chance(turn, 0.15), 3.0, 1.0)
    astray = chance(turn, ASTRAY_SHARE)
    turn = turn + torch.where(astray, uniform(turn, 0, 2 * math.pi), far * normal(turn, math.radians(3.5)))
    at = at + (scale * WIDTH * torch.where(astray, 0.15, 0.02 * far))[:, None] * normal(turn, 1.0, len(turn), 2)
    return at, turn, scale * (torch.where(astray, 0.3, 0.08 * far) * normal(turn, 1.0)).clamp(-0.7, 0.7).exp()


def _grids(at: Tensor, turn: Tensor, scale: Tensor) -> Tensor:
    """Source pixels (batch, HEIGHT, WIDTH, 2); half of the looks mirrored about their axis."""
    y, x = torch.meshgrid(torch.arange(HEIGHT, device=at.device), torch.arange(WIDTH, device=at.device), indexing="ij")
    u = (x + 0.5 - END_AT[0] * WIDTH)[None] * scale[:, None, None]
    v = (y + 0.5 - END_AT[1] * HEIGHT)[None] * (scale * torch.where(chance(turn, 0.5), -1.0, 1.0))[:, None, None]
    cos, sin = turn.cos()[:, None, None], turn.sin()[:, None, None]
    return torch.stack([cos * u - sin * v, sin * u + cos * v], -1) + at[:, None, None]


def _edged(inside: Tensor) -> Tensor:
    """What of the looks lies in the photo: some end where the photo's border runs through them."""
    batch, height, width = inside.shape
    y, x = torch.meshgrid(torch.linspace(-1, 1, height, device=inside.device),
                          torch.linspace(-1, 1, width, device=inside.device), indexing="ij")
    quarter = torch.randint(4, (batch,), device=inside.device) * (math.pi / 2) + normal(inside, 0.15)
    reach, whole = uniform(inside, 0.2, 1.0)[:, None, None], ~chance(inside, CUT_OFF_SHARE)[:, None, None]
    return inside & (whole | (quarter.cos()[:, None, None] * x + quarter.sin()[:, None, None] * y < reach))


def sample(shelf: Shelf, photos: Shelf, batch: int, repainted: float = 0.0) -> tuple[Tensor, Tensor]:
    """Looks (batch, 3, HEIGHT, WIDTH) of 0..255, and classes; what lies beyond the photo's border is ignored."""
    strangers = int((torch.rand(batch) < PHOTO_SHARE).sum()) if photos.count else 0
    parts = [(shelf, batch - strangers), (photos, strangers)]
    picks = [(source, torch.randint(max(1, source.count), (count,), device=shelf.device)) for source, count in parts]
    rgb, classes, size = (torch.cat([getattr(source, name)[index] for source, index in picks])
                          for name in ("rgb", "classes", "size"))
    aims = [_aim(source, index) for source, index in picks]
    at, turn, scale = _off(*(torch.cat(part) for part in zip(*aims, strict=True)))
    grid = _grids(at, turn, scale)
    rgb = rgb.permute(0, 3, 1, 2).float() / 255
    if repainted:
        rgb = phoneify.repainted(rgb, phoneify.groups(classes), repainted)
    soft = phoneify.gaussian(rgb, (0.45 * scale - 0.4).clamp(0.05, 2.5), 5)
    out = F.grid_sample(soft, (grid + 0.5) / SIDE_PX * 2 - 1, padding_mode="zeros", align_corners=False)
    near = grid.round().clamp(0, SIDE_PX - 1).long()
    inside = _edged(((grid > -0.5) & (grid < size[:, None, None] - 0.5)).all(-1))
    target = named_for_finder(classes[torch.arange(batch, device=at.device)[:, None, None], near[..., 1], near[..., 0]])
    target = torch.where(inside, target, torch.tensor(IGNORE, dtype=torch.uint8, device=target.device))
    picture = phoneify.process(phoneify.recolour(out), uniform(scale, 0.6, 2.6)) * inside[:, None]
    return (picture * 255).round(), target
