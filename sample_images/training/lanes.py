"""Training pictures of the surveyor: the joint straightened, at the pipe's surface and at the collar's.

Every row is a lane: the plane through the lens that runs along the axis at one slope sideways.  Columns are places
along the axis.  Lanes that pass beside the pipe, or the collar, show what lies there, so that the collar's profile
stands out against the ground.  Three colours are met at the pipe's radius, three at the collar's: what lies on either
surface is at its place on its own picture.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional as F

from .phoneify import chance, normal, uniform
from .shelf import SIDE_PX, Shelf, numbers
from .strips import Joints, frame, meet, photographed

ROWS, COLUMNS, STEP_MM, FIRST_MM, WIDEST = 128, 256, 0.1, -11.0, 1.4
FINER = 3  # lanes of a row: their mean lowers the noise
_LEAST_PX = 800  # of pipe and of collar, else the joint is hidden
_MIDDLE = 0.7  # of the pipe's half width: there the mouth's true place is taken from


def lanes_px(matrix: Tensor, mouth: Tensor, axis: Tensor, pipe_mm: Tensor, radius_mm: Tensor) -> Tensor:
    """Pixels (batch, ROWS * FINER, COLUMNS, 2) of the lanes' cells at a radius about assumed axes."""
    towards, across = frame(axis, mouth)
    place = (mouth * axis).sum(-1)
    distance = (mouth - axis * place[:, None]).norm(dim=-1)[:, None]
    count = ROWS * FINER
    lane = WIDEST * (2 * (torch.arange(count, device=mouth.device).double() + 0.5) / count - 1)
    slope = lane[None] * (pipe_mm[:, None] / (distance**2 - pipe_mm[:, None] ** 2).sqrt())
    square = 1 + slope**2
    root = (distance**2 - square * (distance**2 - radius_mm[:, None] ** 2)).clamp(min=0).sqrt()
    depth = (distance - root) / square
    along = place[:, None] + FIRST_MM + STEP_MM * torch.arange(COLUMNS, device=mouth.device).double()
    flat = depth[..., None] * -towards[:, None] + (slope * depth)[..., None] * across[:, None]
    points = flat[:, :, None] + along[:, None, :, None] * axis[:, None, None]
    image = torch.einsum("bij,brcj->brci", matrix, points)
    return image[..., :2] / image[..., 2:]


def true_mouth(pixels: Tensor, joints: Joints) -> Tensor:
    """Where (batch,) along the picture the true mouth is met on the pipe, mm from the assumed one."""
    rows = torch.arange(ROWS * FINER, device=pixels.device)
    middle = ((rows + 0.5) / (ROWS * FINER) * 2 - 1).abs() * WIDEST < _MIDDLE
    part = pixels[:, middle]
    homogeneous = torch.cat([part, torch.ones_like(part[..., :1])], -1)
    rays = torch.einsum("bij,brcj->brci", torch.linalg.inv(joints.matrix), homogeneous)
    on_pipe, _, hits = meet(rays, joints, joints.pipe_mm)
    along = FIRST_MM + STEP_MM * torch.arange(COLUMNS, device=pixels.device).double()
    weight = (hits & (on_pipe.abs() < 0.5)).double()
    apart = (along[None, None] - on_pipe) * weight
    return apart.sum((1, 2)) / weight.sum((1, 2))  # nan where the picture doesn't reach the mouth


def _turned(joints: Joints) -> Tensor:
    """Axes as wrong as they are once the mouth has been squared."""
    towards, across = frame(joints.axis, joints.mouth_mm)
    far = torch.where(chance(towards, 0.12), 3.0, 1.0)
    tilt, swing = far * normal(towards, math.radians(1.3)), far * normal(towards, math.radians(0.5))
    return F.normalize(joints.axis + tilt.tan()[:, None] * towards + swing.tan()[:, None] * across, dim=-1)


def _assumed(joints: Joints) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Mouth, axis and radii of pipe and collar as a chain with errors would have found them."""
    axis = _turned(joints)
    towards, across = frame(axis, joints.mouth_mm)
    like = joints.mouth_mm
    near = torch.where(chance(like, 0.85), uniform(like, -2.5, 2.5), uniform(like, -4.5, 4.5)).double()
    mouth = like + axis * near[:, None] + (across * normal(like, 0.3)[:, None] + towards * normal(like, 0.3)[:, None])
    return mouth, axis, joints.pipe_mm * normal(like, 0.008).exp(), joints.collar_mm * normal(like, 0.008).exp()


def _layer(rgb: Tensor, pixels: Tensor, size: Tensor) -> Tensor:
    """The colours (batch, 3, ROWS, COLUMNS) at these pixels; black outside the picture."""
    grid = ((pixels + 0.5) / SIDE_PX * 2 - 1).float()
    inside = ((pixels > -0.5) & (pixels < size[:, None, None] - 0.5)).all(-1)
    lanes = F.grid_sample(rgb, grid, padding_mode="zeros", align_corners=False) * inside[:, None]
    return F.avg_pool2d(lanes, (FINER, 1))


def sample(shelf: Shelf, batch: int) -> tuple[Tensor, Tensor]:
    """Pictures (batch, 6, ROWS, COLUMNS) of 0..255, and the true mouth's place (batch,) in columns; nan: not told."""
    joined = torch.nonzero(shelf.numbers[: shelf.count, 18] > 0)[:, 0]
    index = joined[torch.randint(len(joined), (batch,), device=shelf.device)]
    matrix, mouth, axis, pipe, collar, lip, joint, _, lean = numbers(shelf.numbers[index])
    joints = Joints(matrix, mouth, axis, pipe, collar, lip, joint, lean)
    small = photographed(shelf, index, matrix[:, 0, 0] / mouth.norm(dim=1))
    start, along, pipe_mm, collar_mm = _assumed(joints)
    on_pipe, on_collar = (lanes_px(matrix, start, along, pipe_mm, radius) for radius in (pipe_mm, collar_mm))
    picture = torch.cat([_layer(small, pixels, shelf.size[index]) for pixels in (on_pipe, on_collar)], 1)
    picture = torch.where(chance(mouth, 0.5)[:, None, None, None], picture.flip(2), picture)
    column = (true_mouth(on_pipe, joints) - FIRST_MM) / STEP_MM
    classes = shelf.classes[index]
    seen = ((classes == 1).sum((1, 2)) > _LEAST_PX) & ((classes == 2).sum((1, 2)) > _LEAST_PX)
    shown = joint & seen & torch.isfinite(column) & (column > 4) & (column < COLUMNS - 5)
    return (picture * 255).round(), torch.where(shown, column, torch.nan).float()
