"""Training pictures of the seamer and the facer: a joint's mouth, or a bare pipe's cut, straightened as for the
surveyor and the gauger, with columns half as wide.

Either is looked at where it was read, so that it is off by little mostly.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional as F

from .joints import Joints, frame
from .lanes import LEAST_PX, Assumed, kinds_of, lanes_px, layer, mark_of, places_mm, true_mouth
from .pens import inked
from .phoneify import chance, normal, uniform
from .shelf import Shelf, numbers
from .strips import photographed

COLUMNS, STEP_MM, FIRST_MM = 192, 0.05, -4.8


def as_read(joints: Joints) -> Assumed:
    """Joints as they are known once their mouth, or cut, has been told; a tenth with one side misread."""
    like = joints.mouth_mm
    towards, across = frame(joints.axis, like)
    far = torch.where(chance(like, 0.12), 3.0, 1.0)
    tilt, swing = far * normal(like, math.radians(1.1)), far * normal(like, math.radians(0.3))
    axis = F.normalize(joints.axis + tilt.tan()[:, None] * towards + swing.tan()[:, None] * across, dim=-1)
    towards, across = frame(axis, like)
    near = torch.where(chance(like, 0.7), normal(like, 0.35), uniform(like, -2.4, 2.4)).double()
    misread = chance(like, 0.1) * normal(like, 0.06).clamp(-0.2, 0.2)
    wide = ((1 + misread) * normal(like, 0.006).exp()).double()
    beside = normal(like, 0.15) + torch.where(chance(like, 0.5), 1.0, -1.0) * misread * joints.pipe_mm
    mouth = like + axis * near[:, None] + across * beside[:, None] + towards * normal(like, 0.2)[:, None]
    return Assumed(mouth, axis, joints.pipe_mm * wide, joints.collar_mm * wide * normal(like, 0.005).exp(), wide)


def sample(shelf: Shelf, batch: int, repainted: float = 0.0, penned: float = 0.0,
           bare: bool = False) -> tuple[Tensor, ...]:
    """Pictures (batch, 6, ROWS, COLUMNS) of 0..255, and what is true of them, nan where it isn't told.

    The mouth's place (batch,) in columns; what every second cell shows; where the first ink begins (batch,) in columns,
    COLUMNS where none is seen.  bare: of bare pipes instead of joints, the cut for the mouth.
    """
    known = shelf.numbers[: shelf.count]  # once: the shelf may be filled meanwhile
    wanted = torch.nonzero((known[:, 19] > 0) & ((known[:, 18] > 0) != bare) & (known[:, 15] > 0))[:, 0]
    index = wanted[torch.randint(len(wanted), (batch,), device=shelf.device)]
    matrix, mouth, axis, pipe, collar, lip, joint, _, lean = numbers(shelf.numbers[index])
    collar = torch.where(joint, collar, pipe * uniform(pipe, 1.15, 1.6))
    joints = Joints(matrix, mouth, axis, pipe, collar, lip, joint, lean)
    pictures = inked(shelf.taken(index), joints, penned)
    small = photographed(pictures, matrix[:, 0, 0] / mouth.norm(dim=1), repainted)
    found, along = as_read(joints), places_mm(FIRST_MM, STEP_MM, COLUMNS, mouth.device)
    on_pipe, on_collar = (lanes_px(matrix, found, radius, along) for radius in (found.pipe_mm, found.collar_mm))
    picture = torch.cat([layer(small, pixels, pictures.size) for pixels in (on_pipe, on_collar)], 1)
    kinds, mark = kinds_of(pictures, on_pipe), mark_of(pictures, on_pipe, STEP_MM)
    flip = chance(mouth, 0.5)[:, None, None]
    picture = torch.where(flip[..., None], picture.flip(2), picture)
    kinds = torch.where(flip, kinds.flip(1), kinds)
    column = (true_mouth(on_pipe, joints, found.scale, along) - FIRST_MM) / STEP_MM
    classes = pictures.classes
    seen = ((classes == 1).sum((1, 2)) > LEAST_PX) & (~joint | ((classes == 2).sum((1, 2)) > LEAST_PX))
    shown = seen & torch.isfinite(column) & (column > 4) & (column < COLUMNS - 5)
    nothing = torch.nan
    return ((picture * 255).round(), torch.where(shown, column, nothing).float(), kinds,
            torch.where(shown, mark, nothing).float())
