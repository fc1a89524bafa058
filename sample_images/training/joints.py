"""True joints in the camera's frame, and where rays meet them: the geometry of training, for a whole batch at once."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional as F


@dataclass(frozen=True)
class Joints:
    """True joints in the camera frames of a batch of close renders; axes point from the collar to the pipe."""

    matrix: Tensor
    mouth_mm: Tensor
    axis: Tensor
    pipe_mm: Tensor
    collar_mm: Tensor
    lip_mm: Tensor
    collared: Tensor  # bool (batch,); the others are bare pipes, cut where lean says
    lean: Tensor

    def taken(self, index: Tensor) -> Joints:
        """These joints of the batch."""
        return Joints(*(part[index] for part in vars(self).values()))


def dot(a: Tensor, b: Tensor) -> Tensor:
    """Their product along the last axis, which stays."""
    return (a * b).sum(-1, keepdim=True)


def frame(axis: Tensor, mouth: Tensor) -> tuple[Tensor, Tensor]:
    """Two directions across the axis: towards the camera, and the third."""
    towards = F.normalize(-mouth - axis * dot(axis, -mouth), dim=-1)
    return towards, torch.linalg.cross(axis, towards)


def rays(pixels: Tensor, joints: Joints) -> Tensor:
    """Directions (batch, rows, columns, 3) from the lens through pixels (batch, rows, columns, 2)."""
    homogeneous = torch.cat([pixels, torch.ones_like(pixels[..., :1])], -1)
    return torch.einsum("bij,brcj->brci", torch.linalg.inv(joints.matrix), homogeneous)


def reach(rays: Tensor, joints: Joints, radius_mm: Tensor) -> tuple[Tensor, Tensor]:
    """How far (batch, rows, columns, 1) along rays (batch, rows, columns, 3) true cylinders are met, and whether."""
    axis, mouth = joints.axis[:, None, None], joints.mouth_mm[:, None, None]
    flat = rays - dot(rays, axis) * axis
    start = -mouth + dot(mouth, axis) * axis
    a, b = dot(flat, flat), dot(flat, start)
    root = b**2 - a * (dot(start, start) - radius_mm[:, None, None, None] ** 2)
    return (-b - root.clamp(min=0).sqrt()) / a, root[..., 0] > 0


def meet(rays: Tensor, joints: Joints, radius_mm: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Where rays (batch, rows, columns, 3) meet the true cylinders: axial coordinate, the cut's plane, and whether."""
    depth, hits = reach(rays, joints, radius_mm)
    beyond = depth * rays - joints.mouth_mm[:, None, None]
    return dot(beyond, joints.axis[:, None, None])[..., 0], dot(beyond, joints.lean[:, None, None])[..., 0], hits
