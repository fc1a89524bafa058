"""Training pictures of the reader: strips cut from the close renders with poses as wrong as the chain's.

A strip's cell is a point of the assumed cylinder; its class is that of the pixel it falls on, and whether
it lies beyond the mouth, or a bare pipe's cut, comes from the true geometry of that pixel, also under grease or a
hand.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional as F

from . import phoneify
from .joints import Joints, frame, meet, rays
from .pens import inked
from .phoneify import chance, normal, uniform
from .shelf import IGNORE, SIDE_PX, Pictures, Shelf, numbers

ROWS, COLUMNS, STEP_MM, FIRST_MM, HALF_DEG = 128, 512, 0.1, -11.0, 62.0
COARSEST, FINEST = 1.6, 14.0  # px per mm
# class of the render -> class of the reader (nets.STRIP_CLASSES)
KINDS = [0, 1, 2, 2, 3, 4, 5, 6, 7, 8, 0, 2]


def cells_px(matrix: Tensor, mouth: Tensor, axis: Tensor, radius_mm: Tensor, along: Tensor) -> Tensor:
    """Pixels (batch, ROWS, columns, 2) of the strips' cells on assumed cylinders; along: (batch or 1, columns) mm."""
    towards, across = frame(axis, mouth)
    angle = torch.linspace(-math.radians(HALF_DEG), math.radians(HALF_DEG), ROWS, device=mouth.device).double()
    ring = radius_mm[:, None, None] * (
        angle.cos()[None, :, None] * towards[:, None] + angle.sin()[None, :, None] * across[:, None]
    )
    points = (mouth[:, None] + ring)[:, :, None] + along[:, None, :, None] * axis[:, None, None]
    image = torch.einsum("bij,brcj->brci", matrix, points)
    return image[..., :2] / image[..., 2:]


def beyond_mouth(pixels: Tensor, joints: Joints) -> Tensor:
    """Whether the ideal joint (no grease, no hand) shows pipe beyond the mouth at these pixels.

    Of a bare pipe: whether its outside, thought to go on, is met beyond the cut; face and bore are met before it.
    """
    sight = rays(pixels, joints)
    on_pipe, cut, hits = meet(sight, joints, joints.pipe_mm)
    on_collar, _, crosses = meet(sight, joints, joints.collar_mm)
    wall = (joints.collar_mm - joints.pipe_mm)[:, None, None]
    lean = torch.atan2(on_pipe - on_collar, wall).clamp(0, 1.2)
    lip = joints.lip_mm[:, None, None] * (1 - lean.cos() - lean.sin()) / lean.cos()
    mouth = (on_pipe > 0) & (~crosses | (on_collar > lip))
    return hits & torch.where(joints.collared[:, None, None], mouth, on_pipe > cut)


def _turned(joints: Joints) -> Tensor:
    """Axes as wrong as the chain's: more in depth than across, and some by far, as by a hidden side."""
    towards, across = frame(joints.axis, joints.mouth_mm)
    far = torch.where(chance(towards, 0.12), 3.0, 1.0)
    tilt, swing = far * normal(towards, math.radians(2.0)), far * normal(towards, math.radians(0.7))
    turned = joints.axis + tilt.tan()[:, None] * towards + swing.tan()[:, None] * across
    return F.normalize(turned, dim=-1)


def _start(joint: Tensor, end: Tensor) -> Tensor:
    """How far from the mouth the strip supposes it: by a little mostly; of bare pipes all parts are looked at."""
    near = torch.where(chance(joint, 0.9), uniform(joint, -3.5, 3.5), uniform(joint, -8.0, 14.0))
    return torch.where(joint | (end & chance(joint, 0.7)), near, uniform(joint, -4.0, 48.0)).double()


def _assumed(joints: Joints, end: Tensor) -> Tensor:
    """Pixels of cells on the cylinder that a chain with errors would have found."""
    axis = _turned(joints)
    towards, across = frame(axis, joints.mouth_mm)
    mouth = joints.mouth_mm + axis * _start(joints.collared, end)[:, None]
    mouth = mouth + across * normal(across, 0.5)[:, None] + towards * normal(across, 0.5)[:, None]
    along = FIRST_MM + STEP_MM * torch.arange(COLUMNS, device=mouth.device).double()
    return cells_px(joints.matrix, mouth, axis, joints.pipe_mm * normal(end, 0.015).exp(), along[None])


def photographed(pictures: Pictures, native: Tensor, repainted: float = 0.0) -> Tensor:
    """Pictures, sRGB 0..1, as a phone would have taken them; native: their px per mm.

    repainted: share of them whose collar, pipe and ground get colours of their own first.
    """
    # one size for the whole batch: pictures of one tensor share theirs
    wanted = math.exp(float(torch.empty(()).uniform_(math.log(COARSEST), math.log(FINEST))))
    factor = min(1.0, wanted / float(native.median()))
    side = max(64, round(SIDE_PX * factor))
    rgb = pictures.rgb
    if repainted:
        rgb = phoneify.repainted(rgb, phoneify.groups(pictures.classes), repainted)
    small = F.interpolate(rgb, (side, side), mode="bilinear", antialias=True) if side < SIDE_PX else rgb
    blur = (0.25 * native.float() * side / SIDE_PX).clamp(1.0, 2.5)
    return phoneify.process(phoneify.recolour(small), blur)


def sample(shelf: Shelf, batch: int, repainted: float = 0.0, penned: float = 0.0) -> tuple[Tensor, Tensor, Tensor]:
    """Strips (batch, 3, ROWS, COLUMNS) of 0..255, their classes, and whether beyond the mouth (255: unknown)."""
    piped = torch.nonzero(shelf.numbers[: shelf.count, 15] > 0)[:, 0]
    index = piped[torch.randint(len(piped), (batch,), device=shelf.device)]
    matrix, mouth, axis, pipe, collar, lip, joint, end, lean = numbers(shelf.numbers[index])
    joints = Joints(matrix, mouth, axis, pipe, collar, lip, joint, lean)
    pictures = inked(shelf.taken(index), joints, penned)
    small = photographed(pictures, matrix[:, 0, 0] / mouth.norm(dim=1), repainted)
    pixels = _assumed(joints, end)
    grid = ((pixels + 0.5) / SIDE_PX * 2 - 1).float()
    strip = F.grid_sample(small, grid, padding_mode="zeros", align_corners=False)
    inside = ((pixels > -0.5) & (pixels < pictures.size[:, None, None] - 0.5)).all(-1)
    strip = strip * inside[:, None]
    near = pixels.round().clamp(0, SIDE_PX - 1).long()
    every = torch.arange(batch, device=shelf.device)[:, None, None]
    classes = pictures.classes[every, near[..., 1], near[..., 0]]
    table = torch.full((256,), IGNORE, dtype=torch.uint8, device=shelf.device)
    table[: len(KINDS)] = torch.tensor(KINDS, dtype=torch.uint8, device=shelf.device)
    unknown = torch.tensor(IGNORE, dtype=torch.uint8, device=shelf.device)
    # where nothing is seen nothing is to be told
    dull = (strip.amin(1) > 0.99) | (strip.amax(1) < 0.02)
    target = torch.where(inside & ~dull, table[classes.long()], unknown)
    beyond = torch.where(inside & end[:, None, None], beyond_mouth(pixels, joints).to(torch.uint8), unknown)
    flip = chance(end, 0.5)[:, None, None]
    strip = torch.where(flip[:, None], strip.flip(2), strip)
    target, beyond = (torch.where(flip, part.flip(1), part) for part in (target, beyond))
    return (strip * 255).round(), target, beyond
