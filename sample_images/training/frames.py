"""Training pictures of the finder: whole frames and close looks, turned, scaled, shifted and processed."""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional as F

from . import phoneify
from .phoneify import chance, normal, uniform
from .shelf import IGNORE, SIDE_PX, Shelf

WIDTH, HEIGHT = 640, 480
SMALLER, SMALLER_SHARE = (512, 384), 0.3  # some batches are smaller, for a quicker first look
CLOSE_SHARE, PHOTO_SHARE, PASTED_SHARE = 0.25, 0.10, 0.10
# class of the render -> class of the finder (nets.FINDER_CLASSES)
_MAP = [0, 1, 2, 3, 4, 1, 1, 1, 1, 5, 0, 2]


def named_for_finder(classes: Tensor) -> Tensor:
    """The finder's classes of those of a render."""
    table = torch.full((256,), IGNORE, dtype=torch.uint8, device=classes.device)
    table[: len(_MAP)] = torch.tensor(_MAP, dtype=torch.uint8, device=classes.device)
    return table[classes.long()]


def _looks(classes: Tensor, size: Tensor, wide: tuple[int, int]) -> tuple[Tensor, Tensor]:
    """Centre (batch, 2) and zoom (batch,): half keep the whole frame, the others look at the collar."""
    fits = torch.stack([wide[0] / size[:, 0], wide[1] / size[:, 1]], 1)
    fit = torch.where(chance(size, 0.3), fits.amax(1), fits.amin(1))
    zoom, centre = fit * normal(size, 0.12).exp(), size / 2
    collar, joint = classes == 2, (classes == 1) | (classes == 2) | (classes == 4)
    there = torch.where(collar.flatten(1).any(1)[:, None, None], collar | (classes == 3), joint)
    area = torch.where(collar.flatten(1).any(1), collar.flatten(1).sum(1), joint.flatten(1).sum(1))
    closer = chance(size, 0.5) & there.flatten(1).any(1)
    weight = there.flatten(1).float() + 1e-9
    pick = torch.multinomial(weight[:, ::7], 1)[:, 0] * 7
    point = torch.stack([pick % SIDE_PX, pick // SIDE_PX], 1).float()
    near = uniform(size, 90, 300) / area.float().sqrt().clamp(min=30)
    return torch.where(closer[:, None], point, centre), torch.where(closer, near, zoom)


def _grids(centre: Tensor, zoom: Tensor, wide: tuple[int, int]) -> Tensor:
    """Source pixels (batch, height, width, 2) of pictures turned, scaled and shifted at random."""
    quarter = torch.randint(4, (len(zoom),), device=zoom.device) * (math.pi / 2)
    turn = torch.where(chance(zoom, 0.6), uniform(zoom, 0, 2 * math.pi), quarter)
    mirror = torch.where(chance(zoom, 0.5), -1.0, 1.0)
    width, height = wide
    y, x = torch.meshgrid(torch.arange(height, device=zoom.device), torch.arange(width, device=zoom.device),
                          indexing="ij")
    x, y = x + 0.5 - width / 2, y + 0.5 - height / 2
    shift = normal(zoom, 25, len(zoom), 2)
    u = (x[None] + shift[:, 0, None, None]) * mirror[:, None, None] / zoom[:, None, None]
    v = (y[None] + shift[:, 1, None, None]) / zoom[:, None, None]
    cos, sin = turn.cos()[:, None, None], turn.sin()[:, None, None]
    return torch.stack([cos * u - sin * v, sin * u + cos * v], -1) + centre[:, None, None]


def _pasted(rgb: Tensor, classes: Tensor, photos: Tensor) -> Tensor:
    """Some joints on a real photo instead of what was rendered round them."""
    around = ((classes == 0) | (classes == 10)).float()[:, None]
    soft = phoneify.gaussian(around, uniform(rgb, 0.5, 1.0), 3)
    pasted = rgb * (1 - soft) + photos * soft
    return torch.where(chance(rgb, PASTED_SHARE)[:, None, None, None], pasted, rgb)


def _pictures(shelves: dict[bool, Shelf], photos: Shelf, batch: int) -> tuple[Tensor, Tensor, Tensor]:
    """Pictures (batch, 3, side, side), classes and sizes: frames, close renders and photos without a joint."""
    device = photos.device
    counts = [int((torch.rand(batch) < share).sum()) for share in (CLOSE_SHARE, PHOTO_SHARE)]
    parts = [(shelves[True], counts[0]), (photos, counts[1]), (shelves[False], max(0, batch - sum(counts)))]
    rgb, classes, size = [], [], []
    for shelf, count in parts:
        index = torch.randint(max(1, shelf.count), (count,), device=device)
        rgb.append(shelf.rgb[index])
        classes.append(shelf.classes[index])
        size.append(shelf.size[index])
    return torch.cat(rgb).permute(0, 3, 1, 2).float() / 255, torch.cat(classes), torch.cat(size)


def sample(shelves: dict[bool, Shelf], photos: Shelf, batch: int) -> tuple[Tensor, Tensor]:
    """Pictures (batch, 3, height, width) of 0..255 and classes; what lies outside a render is ignored."""
    rgb, classes, size = _pictures(shelves, photos, batch)
    if photos.count:
        other = photos.rgb[torch.randint(photos.count, (len(rgb),), device=rgb.device)]
        rgb = _pasted(rgb, classes, other.permute(0, 3, 1, 2).float() / 255)
    wide = SMALLER if float(torch.rand(())) < SMALLER_SHARE else (WIDTH, HEIGHT)
    centre, zoom = _looks(classes, size, wide)
    at = _grids(centre, zoom, wide)
    soft = phoneify.gaussian(rgb, (0.45 / zoom - 0.4).clamp(0.05, 2.5), 5)
    # the render's own last row goes on beyond it in some, black in the others
    held = torch.minimum(at.clamp(min=0.0), size[:, None, None] - 1)
    edge = chance(rgb, 0.33)[:, None, None, None]
    grid = (torch.where(edge, held, at) + 0.5) / SIDE_PX * 2 - 1
    out = F.grid_sample(soft, grid, padding_mode="zeros", align_corners=False)
    near = at.round().clamp(0, SIDE_PX - 1).long()
    inside = ((at > -0.5) & (at < size[:, None, None] - 0.5)).all(-1)
    named = classes[torch.arange(len(at), device=at.device)[:, None, None], near[..., 1], near[..., 0]]
    target = torch.where(inside, named_for_finder(named), torch.tensor(IGNORE, dtype=torch.uint8, device=rgb.device))
    blur = (1.5 * zoom).clamp(1.2, 2.5)
    return (phoneify.process(phoneify.recolour(out), blur) * 255).round(), target
