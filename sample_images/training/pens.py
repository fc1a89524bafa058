"""Ink painted on training pictures: a new line each time a joint without a mark is drawn, round its true pipe.

A studio draws a scene's line once, and a network that sees it a hundred times learns that line.  Here every look at an
unmarked joint may have another: a crisp ring of paint, a pale stroke of a dry felt pen, a short dab that ends in plain
sight.  Lines follow the true cylinder, lie under whatever covers the pipe, and take the light that falls on it.
A shadow that falls from the lip on the pipe is painted besides, and stays what it is: no ink.
"""

from __future__ import annotations

import math
from dataclasses import replace

import torch
from torch import Tensor
from torch.nn import functional as F

from .joints import Joints, dot, frame, rays, reach
from .phoneify import chance, normal, uniform
from .shelf import FAINT, SIDE_PX, Pictures

_BARE = (1, 6)  # classes of the render that a pen reaches: the pipe and its print
_INK, _SEEN, _UNSEEN = 4, 0.45, 0.12  # cover from which ink is sure to be seen, and up to which none is
_WAVES, _TURNS = 24, 3000  # of a line's edges, round the pipe; places on the half that is seen
_LEAST_PX = 800  # of bare pipe
_EYE, _CONTRAST = 0.45, 0.15  # ink of the pipe's own colour is none: linear light to this power must differ so much
_SHADED = 0.3  # share of joints on whose pipe a shadow is painted


def inked(pictures: Pictures, joints: Joints, share: float) -> Pictures:
    """The pictures (rgb 0..1), this share of their unmarked joints with a line of ink on them, and its class."""
    if not share:
        return pictures
    classes = pictures.classes
    bare = ((classes == _INK).sum((1, 2)) == 0) & ((classes == 1).sum((1, 2)) > _LEAST_PX)
    marked = bare & chance(joints.mouth_mm, share)
    some = torch.nonzero(marked | chance(joints.mouth_mm, _SHADED))[:, 0]
    if not len(some):
        return pictures
    own, rgb, seen = joints.taken(some), pictures.rgb[some], classes[some]
    along, angle, hits = _places(own)
    bared = torch.isin(seen, torch.tensor(_BARE, dtype=seen.dtype, device=seen.device)) & hits
    reached = F.avg_pool2d(bared[:, None].float(), 3, 1, 1)  # as soft as the render's own edges
    light = (rgb.clamp(min=1e-4) ** 2.2) * (1 - _shadow(along, angle) * reached)
    cover = _cover(along, angle, own) * marked[some][:, None, None] * reached[:, 0]
    light = torch.lerp(light, _ink(light, reached), cover[:, None])
    ink, faint = (torch.tensor(name, dtype=seen.dtype, device=seen.device) for name in (_INK, FAINT))
    named = torch.where(cover > _SEEN, ink, torch.where(cover > _UNSEEN, faint, seen))
    return replace(pictures, rgb=pictures.rgb.index_copy(0, some, light.clamp(0, 1) ** (1 / 2.2)),
                   classes=classes.index_copy(0, some, named))


def _places(joints: Joints) -> tuple[Tensor, Tensor, Tensor]:
    """Where each pixel meets the pipe: mm beyond the mouth, angle from the side that faces the camera; and whether."""
    device = joints.mouth_mm.device
    y, x = torch.meshgrid(torch.arange(SIDE_PX, device=device), torch.arange(SIDE_PX, device=device), indexing="ij")
    pixels = torch.stack([x, y], -1).double().expand(len(joints.mouth_mm), -1, -1, -1)
    sight = rays(pixels, joints)
    depth, hits = reach(sight, joints, joints.pipe_mm)
    beyond = depth * sight - joints.mouth_mm[:, None, None]
    _, across = frame(joints.axis, joints.mouth_mm)
    along, aside = (dot(beyond, way[:, None, None])[..., 0] for way in (joints.axis, across))
    angle = torch.asin((aside / joints.pipe_mm[:, None, None]).clamp(-1, 1))
    return along.float(), angle.float(), hits


def _waves(angle: Tensor, fewest: float, finest: float) -> Tensor:
    """A wavering of unit size round the pipe, by angle; coarse waves are the larger."""
    like = angle[:, 0, 0]
    often = fewest * (finest / fewest) ** torch.linspace(0, 1, _WAVES, device=like.device)
    size = torch.randn((len(like), _WAVES), device=like.device) * (fewest / often).sqrt() / 3
    phase = uniform(like, 0, 2 * math.pi, len(like), _WAVES)
    table = torch.linspace(-math.pi / 2, math.pi / 2, _TURNS, device=like.device)
    waver = (size[..., None] * torch.sin(often[:, None] * table + phase[..., None])).sum(1)
    at = ((angle / math.pi + 0.5) * (_TURNS - 1)).round().long().clamp(0, _TURNS - 1)
    return waver.gather(1, at.flatten(1)).view_as(angle)


def _patches(along: Tensor, angle: Tensor) -> Tensor:
    """Blots and streaks, 0 to 1, on the pipe's own surface; some long round the pipe, as a pen's strokes are."""
    like = along[:, 0, 0]
    tile = torch.rand((len(like), 1, 48, 48), device=like.device)
    tile = F.avg_pool2d(tile, 3, 1, 1, count_include_pad=False)
    tile = (tile - tile.amin((2, 3), True)) / (tile.amax((2, 3), True) - tile.amin((2, 3), True))
    fine, long = uniform(like, 0.05, 0.6)[:, None, None], uniform(like, 0.2, 1.2)[:, None, None]
    grid = torch.stack([torch.sin(angle / long * 1.3), torch.sin(along * fine)], -1)
    return F.grid_sample(tile, grid, padding_mode="reflection", align_corners=False)[:, 0]


def _shadow(along: Tensor, angle: Tensor) -> Tensor:
    """How much light (batch, 1, height, width) the lip takes from the pipe; of half the pictures none."""
    like = along[:, 0, 0]
    deep = uniform(like, 0.2, 0.9) * chance(like, 0.5)
    reach = uniform(like, math.log(0.15), math.log(2.0)).exp()
    uneven = (0.7 + 0.3 * torch.sin(angle + uniform(like, 0, 2 * math.pi)[:, None, None]))
    return (deep[:, None, None] * uneven * torch.exp(-along.clamp(min=0) / reach[:, None, None]))[:, None]


def _cover(along: Tensor, angle: Tensor, joints: Joints) -> Tensor:
    """How much of the pipe a line hides, 0 to 1."""
    like = along[:, 0, 0]

    def each(value: Tensor) -> Tensor:
        return value[:, None, None]

    near = torch.where(chance(like, 0.7), uniform(like, -1.5, 3.0), uniform(like, 1.0, 9.0))
    wide = uniform(like, math.log(0.6), math.log(3.2)).exp()
    askew = joints.pipe_mm.float() * torch.tan(normal(like, math.radians(0.5)))
    ragged = torch.where(chance(like, 0.5), uniform(like, 0.0, 0.06), uniform(like, 0.05, 0.3))
    begins = each(near) + each(askew) * torch.sin(angle + each(uniform(like, 0, 2 * math.pi)))
    begins = begins + each(ragged) * _waves(angle, 2, 60)
    ends = begins + (each(wide) * (1 + 0.15 * _waves(angle, 1, 6)) + each(ragged) * _waves(angle, 2, 60)).clamp(min=0.3)
    soft = each(uniform(like, math.log(0.05), math.log(0.7)).exp().minimum(0.5 * wide))
    cover = _step((along - begins) / soft) * _step((ends - along) / soft)
    across = ((along - begins) / (ends - begins)).clamp(0, 1)
    shapes = torch.stack([across, 1 - across, 1 - (2 * across - 1).abs(), (2 * across - 1).abs()])
    shape = shapes.gather(0, torch.randint(4, (1, len(like), 1, 1), device=like.device).expand(1, *along.shape))[0]
    uneven = each(uniform(like, 0, 0.7) * chance(like, 0.6))
    half = torch.where(chance(like, 0.5), uniform(like, math.radians(12), math.radians(80)), 10.0)
    turn = angle - each(normal(like, math.radians(35)))
    arc = _step((each(half) - turn.abs()) * each(joints.pipe_mm.float()) / each(uniform(like, 0.2, 1.5)))
    worn = each(uniform(like, 0, 0.8) * chance(like, 0.6)) * _patches(along, angle)
    return cover * arc * (1 - uneven * shape) * (1 - worn) * each(uniform(like, 0.45, 1.0))


def _step(value: Tensor) -> Tensor:
    """0 below -1, 1 above 1, smooth between."""
    t = (0.5 + 0.5 * value).clamp(0, 1)
    return t * t * (3 - 2 * t)


def _ink(light: Tensor, reached: Tensor) -> Tensor:
    """The colour (batch, 3, height, width) of ink in the light that falls on the pipe; some of it glossy."""
    like = light[:, 0, 0, 0]
    grey = light.mean(1, keepdim=True)
    lit = (grey * reached).sum((1, 2, 3)) / reached.sum((1, 2, 3)).clamp(min=1)
    strength = (lit / uniform(like, 0.03, 0.8)).clamp(0.35, 1.3)  # of the light, the pipe's own albedo being unknown
    shade = (grey / lit.clamp(min=1e-4)[:, None, None, None])
    kind = torch.rand(len(like), device=like.device)[:, None]
    dark = uniform(like, 0.004, 0.07)[:, None] * uniform(like, 0.7, 1.3, len(like), 3)
    pale = uniform(like, 0.45, 0.9)[:, None] * uniform(like, 0.88, 1.0, len(like), 3)
    bright = uniform(like, 0.02, 0.8, len(like), 3)
    color = torch.where(kind < 0.45, dark, torch.where(kind < 0.75, pale, bright)) * strength[:, None]
    pipe = (light * reached).sum((2, 3)) / reached.sum((2, 3)).clamp(min=1)
    like_pipe = ((color**_EYE - pipe**_EYE).abs().amax(1) < _CONTRAST)[:, None]
    color = torch.where(like_pipe, torch.where(lit[:, None] > 0.12, dark, pale * strength[:, None]), color)
    gloss = (uniform(like, 0, 0.6) * chance(like, 0.5))[:, None, None, None] * (grey - 1.6 * lit[:, None, None, None])
    return color[:, :, None, None] * shade.clamp(max=2.0) + gloss.clamp(min=0)
