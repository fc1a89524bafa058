"""Training pictures of the surveyor: the joint straightened, at the pipe's surface and at the collar's.

Every row is a lane: the plane through the lens that runs along the axis at one slope sideways.  Columns are places
along the axis.  Lanes that pass beside the pipe, or the collar, show what lies there, so that the collar's profile
stands out against the ground.  Three colours are met at the pipe's radius, three at the collar's: what lies on either
surface is at its place on its own picture.  A bare pipe's cut end stands in for the mouth where there is no collar.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional as F

from .joints import Joints, frame, meet, rays
from .pens import inked
from .phoneify import chance, normal, uniform
from .shelf import FAINT, IGNORE, SIDE_PX, Pictures, Shelf, numbers
from .strips import photographed

ROWS, COLUMNS, STEP_MM, FIRST_MM, WIDEST = 128, 256, 0.1, -11.0, 1.4
FINER = 3  # lanes of a row: their mean lowers the noise
LEAST_PX = 800  # of pipe and of collar, else the joint is hidden
_LEAST_CELLS = 400  # of pipe, of those that `kinds` are told of
_MIDDLE = 0.7  # of the pipe's half width: there the mouth's true place is taken from
SIDES_AT = range(110, 231, 10)  # columns in which the pipe's true sides are met: 0 to 12 mm beyond the guess
# class of the render -> ground, pipe, collar, over, ink, look-alikes: what every cell is, told while training only
_MAP = (0, 1, 2, 0, 4, 5, 1, 1, 2, 3, 0, 2)
_INK = 4  # class of the render
_INKED_ROWS, _STRAY_CELLS = 10, 12  # so many rows with ink are a mark; so few cells are none
_INKED_MM = 0.4  # mean width that shows on rows with ink: of less nobody could say that it is a line
_INK_WITHIN = 0.92  # of the pipe's half width: beyond it a row sees too little of the pipe


@dataclass(frozen=True)
class Assumed:
    """Joints as a chain with errors would have found them.  scale: true millimetres of an assumed one."""

    mouth_mm: Tensor
    axis: Tensor
    pipe_mm: Tensor
    collar_mm: Tensor
    scale: Tensor


def lanes_px(matrix: Tensor, found: Assumed, radius_mm: Tensor, along_mm: Tensor) -> Tensor:
    """Pixels (batch, ROWS * FINER, columns, 2) of the lanes' cells at a radius about assumed axes.

    along_mm: (columns,) from the guess of the mouth.
    """
    mouth, axis, pipe_mm = found.mouth_mm, found.axis, found.pipe_mm
    towards, across = frame(axis, mouth)
    place = (mouth * axis).sum(-1)
    distance = (mouth - axis * place[:, None]).norm(dim=-1)[:, None]
    lane = _lane(mouth.device)
    slope = lane[None] * (pipe_mm[:, None] / (distance**2 - pipe_mm[:, None] ** 2).sqrt())
    square = 1 + slope**2
    root = (distance**2 - square * (distance**2 - radius_mm[:, None] ** 2)).clamp(min=0).sqrt()
    depth = (distance - root) / square
    along = place[:, None] + found.scale[:, None] * along_mm
    flat = depth[..., None] * -towards[:, None] + (slope * depth)[..., None] * across[:, None]
    points = flat[:, :, None] + along[:, None, :, None] * axis[:, None, None]
    image = torch.einsum("bij,brcj->brci", matrix, points)
    return image[..., :2] / image[..., 2:]


def _lane(device: torch.device) -> Tensor:
    count = ROWS * FINER
    return WIDEST * (2 * (torch.arange(count, device=device).double() + 0.5) / count - 1)


def _row(device: torch.device) -> Tensor:
    return WIDEST * (2 * (torch.arange(ROWS, device=device).double() + 0.5) / ROWS - 1)


def places_mm(first_mm: float, step_mm: float, columns: int, device: torch.device) -> Tensor:
    """(columns,) along the axis."""
    return first_mm + step_mm * torch.arange(columns, device=device).double()


def true_mouth(pixels: Tensor, joints: Joints, scale: Tensor, along_mm: Tensor) -> Tensor:
    """Where (batch,) along the picture the true mouth, or cut, is met on the pipe, assumed mm from the guess."""
    middle = _lane(pixels.device).abs() < _MIDDLE
    on_pipe, cut, hits = meet(rays(pixels[:, middle], joints), joints, joints.pipe_mm)
    beyond = on_pipe - torch.where(joints.collared[:, None, None], 0.0, cut)
    weight = (hits & (beyond.abs() < 0.5)).double()
    apart = (along_mm - beyond / scale[:, None, None]) * weight
    return apart.sum((1, 2)) / weight.sum((1, 2))  # nan where the picture doesn't reach the mouth


def true_sides(pixels: Tensor, size: Tensor, joints: Joints) -> Tensor:
    """Rows (batch, 2) of the pipe's two true sides, mean over SIDES_AT; nan where one isn't on the picture."""
    part = pixels[:, :, list(SIDES_AT)]
    inside = ((part > -0.5) & (part < size[:, None, None] - 0.5)).all(-1)
    _, _, hits = meet(rays(part, joints), joints, joints.pipe_mm)
    rows = torch.arange(part.shape[1], device=part.device)[None, :, None].expand_as(hits)
    first = torch.where(hits, rows, part.shape[1]).amin(1)
    last = torch.where(hits, rows, -1).amax(1)
    most = part.shape[1] - 1
    whole = (first > 0) & (last < most)
    whole &= inside.gather(1, first.clamp(max=most)[:, None])[:, 0] & inside.gather(1, last.clamp(min=0)[:, None])[:, 0]
    rows_of = torch.stack([first.double(), last.double() + 1], -1) / FINER - 0.5
    return torch.where(whole.all(1)[:, None], rows_of.mean(1), torch.nan)


def _turned(joints: Joints) -> Tensor:
    """Axes as wrong as they are once the mouth has been squared."""
    towards, across = frame(joints.axis, joints.mouth_mm)
    far = torch.where(chance(towards, 0.12), 3.0, 1.0)
    tilt, swing = far * normal(towards, math.radians(1.3)), far * normal(towards, math.radians(0.5))
    return F.normalize(joints.axis + tilt.tan()[:, None] * towards + swing.tan()[:, None] * across, dim=-1)


def _assumed(joints: Joints) -> Assumed:
    """A fifth with one side taken for another, so that all the joint seems as much nearer or further."""
    axis = _turned(joints)
    towards, across = frame(axis, joints.mouth_mm)
    like = joints.mouth_mm
    near = torch.where(chance(like, 0.85), uniform(like, -2.5, 2.5), uniform(like, -4.5, 4.5)).double()
    misread = chance(like, 0.2) * normal(like, 0.1).clamp(-0.25, 0.3)
    wide = ((1 + misread) * normal(like, 0.008).exp()).double()
    beside = normal(like, 0.3) + torch.where(chance(like, 0.5), 1.0, -1.0) * misread * joints.pipe_mm
    mouth = like + axis * near[:, None] + (across * beside[:, None] + towards * normal(like, 0.3)[:, None])
    scale = torch.where(chance(like, 0.8), wide, 1.0)
    return Assumed(mouth, axis, joints.pipe_mm * wide, joints.collar_mm * wide * normal(like, 0.005).exp(), scale)


def layer(rgb: Tensor, pixels: Tensor, size: Tensor) -> Tensor:
    """The colours (batch, 3, ROWS, columns) at these pixels; black outside the picture."""
    grid = ((pixels + 0.5) / SIDE_PX * 2 - 1).float()
    inside = ((pixels > -0.5) & (pixels < size[:, None, None] - 0.5)).all(-1)
    lanes = F.grid_sample(rgb, grid, padding_mode="zeros", align_corners=False) * inside[:, None]
    return F.avg_pool2d(lanes, (FINER, 1))


def kinds_of(pictures: Pictures, pixels: Tensor) -> Tensor:
    """What each second cell (batch, ROWS / 2, columns / 2) of a layer shows; IGNORE beside the picture."""
    part = pixels[:, FINER // 2::2 * FINER, ::2]
    inside = ((part > -0.5) & (part < pictures.size[:, None, None] - 0.5)).all(-1)
    near = part.round().clamp(0, SIDE_PX - 1).long()
    every = torch.arange(len(near), device=near.device)[:, None, None]
    classes = pictures.classes[every, near[..., 1], near[..., 0]].long()
    table = torch.full((256,), IGNORE, device=near.device)
    table[: len(_MAP)] = torch.tensor(_MAP, device=near.device)
    return torch.where(inside, table[classes], IGNORE)


def mark_of(pictures: Pictures, pixels: Tensor, step_mm: float) -> Tensor:
    """`first_ink` of the lanes that see much of the pipe."""
    return first_ink(pictures, pixels[:, FINER // 2::FINER][:, _row(pixels.device).abs() < _INK_WITHIN], step_mm)


def first_ink(pictures: Pictures, part: Tensor, step_mm: float) -> Tensor:
    """The column (batch,) where the first ink begins at pixels (batch, rows, columns, 2), median over the rows that
    show any; their count where none does.

    nan where too little shows to call it a mark, and too much to call it none.
    """
    inside = ((part > -0.5) & (part < pictures.size[:, None, None] - 0.5)).all(-1)
    near = part.round().clamp(0, SIDE_PX - 1).long()
    every = torch.arange(len(near), device=near.device)[:, None, None]
    classes = pictures.classes[every, near[..., 1], near[..., 0]]
    ink, faint = inside & (classes == _INK), inside & (classes == FAINT)
    inked = ink.any(-1)
    first = torch.where(inked, ink.float().argmax(-1), torch.nan).nanmedian(1).values
    marked = (inked.sum(1) >= _INKED_ROWS) & (ink.sum((1, 2)) >= inked.sum(1) * _INKED_MM / step_mm)
    none = ink.sum((1, 2)) + faint.sum((1, 2)) <= _STRAY_CELLS
    return torch.where(marked, first, torch.where(none, float(part.shape[2]), torch.nan))


def sample(shelf: Shelf, batch: int, repainted: float = 0.0, penned: float = 0.0) -> tuple[Tensor, ...]:
    """Pictures (batch, 6, ROWS, COLUMNS) of 0..255, and what is true of them, nan where it isn't told.

    The mouth's place (batch,) in columns; the sides' (batch, 2) in rows; what every second cell shows; where the first
    ink begins (batch,) in columns, COLUMNS where none is seen.
    """
    piped = torch.nonzero(shelf.numbers[: shelf.count, 19] > 0)[:, 0]
    index = piped[torch.randint(len(piped), (batch,), device=shelf.device)]
    matrix, mouth, axis, pipe, collar, lip, joint, _, lean = numbers(shelf.numbers[index])
    collar = torch.where(joint, collar, pipe * uniform(pipe, 1.15, 1.6))
    joints = Joints(matrix, mouth, axis, pipe, collar, lip, joint, lean)
    pictures = inked(shelf.taken(index), joints, penned)
    small = photographed(pictures, matrix[:, 0, 0] / mouth.norm(dim=1), repainted)
    found = _assumed(joints)
    along = places_mm(FIRST_MM, STEP_MM, COLUMNS, mouth.device)
    on_pipe, on_collar = (lanes_px(matrix, found, radius, along) for radius in (found.pipe_mm, found.collar_mm))
    picture = torch.cat([layer(small, pixels, pictures.size) for pixels in (on_pipe, on_collar)], 1)
    sides, kinds = true_sides(on_pipe, pictures.size, joints), kinds_of(pictures, on_pipe)
    mark = mark_of(pictures, on_pipe, STEP_MM)
    flip = chance(mouth, 0.5)
    picture = torch.where(flip[:, None, None, None], picture.flip(2), picture)
    sides = torch.where(flip[:, None], ROWS - 1 - sides.flip(1), sides)
    kinds = torch.where(flip[:, None, None], kinds.flip(1), kinds)
    column = (true_mouth(on_pipe, joints, found.scale, along) - FIRST_MM) / STEP_MM
    classes = pictures.classes
    seen = ((classes == 1).sum((1, 2)) > LEAST_PX) & (~joint | ((classes == 2).sum((1, 2)) > LEAST_PX))
    seen &= ((kinds == 1) | (kinds == 4) | (kinds == 5)).sum((1, 2)) > _LEAST_CELLS
    shown = seen & torch.isfinite(column) & (column > 4) & (column < COLUMNS - 5)
    nothing = torch.nan
    return ((picture * 255).round(), torch.where(shown, column, nothing).float(),
            torch.where(seen[:, None], sides, nothing).float(), kinds, torch.where(seen, mark, nothing).float())
