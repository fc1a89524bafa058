"""Training pictures of the edger: one side of a pipe straightened, with a little of the pipe and of what lies beside.

Rows are lanes near the side, from inside to outside; columns are places along the axis from the mouth, or the cut, on.
The true side is where rays begin to miss the true cylinder, whatever hides it.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional as F

from .joints import Joints, frame, meet, rays
from .lanes import FINER, Assumed
from .phoneify import chance, normal
from .shelf import SIDE_PX, Shelf, numbers
from .strips import photographed

ROWS, COLUMNS = 96, 192
STEP = 0.006  # of the pipe's half width: a row
FIRST_MM, TO_RADII = 2.0, 1.8  # beyond the mouth: what the columns span
_TOLD_AT = (range(24, 72, 4), range(120, 168, 4))  # columns in which the side of either half is met
_LEAST_PX = 800  # of the pipe, else it is hidden


def edges_px(matrix: Tensor, found: Assumed, sign: Tensor) -> Tensor:
    """Pixels (batch, ROWS * FINER, COLUMNS, 2) of the lanes' cells beside one side, sign (batch,) -1 or 1."""
    mouth, axis, radius = found.mouth_mm, found.axis, found.pipe_mm
    towards, across = frame(axis, mouth)
    place = (mouth * axis).sum(-1)
    distance = (mouth - axis * place[:, None]).norm(dim=-1)[:, None]
    count = ROWS * FINER
    lane = 1 + STEP / FINER * (torch.arange(count, device=mouth.device).double() - (count - 1) / 2)
    slope = sign[:, None] * lane[None] * (radius[:, None] / (distance**2 - radius[:, None] ** 2).sqrt())
    share = torch.linspace(0, 1, COLUMNS, device=mouth.device).double()
    along = place[:, None] + FIRST_MM + share[None] * (TO_RADII * radius[:, None] - FIRST_MM)
    flat = distance[..., None] * (slope[..., None] * across[:, None] - towards[:, None])
    points = flat[:, :, None] + along[:, None, :, None] * axis[:, None, None]
    image = torch.einsum("bij,brcj->brci", matrix, points)
    return image[..., :2] / image[..., 2:]


def true_edge(pixels: Tensor, size: Tensor, joints: Joints) -> Tensor:
    """Rows (batch, 2) of the true side in either half; nan where it isn't on the picture."""
    told = []
    for columns in _TOLD_AT:
        part = pixels[:, :, list(columns)]
        _, _, hits = meet(rays(part, joints), joints, joints.pipe_mm)
        count = hits.double().sum(1)  # rows go outward: those that hit come first
        inside = ((part > -0.5) & (part < size[:, None, None] - 0.5)).all(-1)
        at = count.clamp(max=part.shape[1] - 1).long()
        whole = (count > 0) & (count < part.shape[1]) & inside.gather(1, at[:, None])[:, 0]
        row = (torch.where(whole, count, 0).sum(1) / whole.sum(1)) / FINER - 0.5
        told.append(torch.where(whole.sum(1) * 2 > len(columns), row, torch.nan))
    return torch.stack(told, 1)


def _assumed(joints: Joints, sign: Tensor) -> Assumed:
    """Pipes with this side nearly where it is, or taken for something up to a quarter of the half width off."""
    towards, across = frame(joints.axis, joints.mouth_mm)
    like = joints.mouth_mm
    far = torch.where(chance(like, 0.15), 3.0, 1.0)
    tilt, swing = far * normal(like, math.radians(1.0)), normal(like, math.radians(0.25)) * far
    axis = F.normalize(joints.axis + tilt.tan()[:, None] * towards + swing.tan()[:, None] * across, dim=-1)
    mine = torch.where(chance(like, 0.5), normal(like, 0.012), normal(like, 0.08).clamp(-0.22, 0.22))
    other = torch.where(chance(like, 0.8), normal(like, 0.01), normal(like, 0.08).clamp(-0.2, 0.2))
    wide = (1 + 0.5 * (mine + other)).double()
    beside = sign * (0.5 * (mine - other)) * joints.pipe_mm
    mouth = like + axis * normal(like, 0.8)[:, None] + across * beside[:, None]
    return Assumed(mouth, axis, joints.pipe_mm * wide, joints.collar_mm, torch.ones_like(wide))


def sample(shelf: Shelf, batch: int, repainted: float = 0.0) -> tuple[Tensor, Tensor]:
    """Pictures (batch, 3, ROWS, COLUMNS) of 0..255, and the rows (batch, 2) of the true side in either half."""
    piped = torch.nonzero(shelf.numbers[: shelf.count, 19] > 0)[:, 0]
    index = piped[torch.randint(len(piped), (batch,), device=shelf.device)]
    matrix, mouth, axis, pipe, collar, lip, joint, _, lean = numbers(shelf.numbers[index])
    joints = Joints(matrix, mouth, axis, pipe, collar, lip, joint, lean)
    small = photographed(shelf.taken(index), matrix[:, 0, 0] / mouth.norm(dim=1), repainted)
    sign = torch.where(chance(mouth, 0.5), 1.0, -1.0).double()
    pixels = edges_px(matrix, _assumed(joints, sign), sign)
    grid = ((pixels + 0.5) / SIDE_PX * 2 - 1).float()
    size = shelf.size[index]
    inside = ((pixels > -0.5) & (pixels < size[:, None, None] - 0.5)).all(-1)
    picture = F.grid_sample(small, grid, padding_mode="zeros", align_corners=False) * inside[:, None]
    picture = F.avg_pool2d(picture, (FINER, 1))
    rows = true_edge(pixels, size, joints)
    seen = (shelf.classes[index] == 1).sum((1, 2)) > _LEAST_PX
    return (picture * 255).round(), torch.where(seen[:, None], rows, torch.nan).float()
