"""Training pictures of the witness: the pipe laid flat about its mouth, of which one thing is asked, whether there is
ink and where it begins.

The same picture is drawn with ink and without: most joints are rendered unmarked and have a line painted on them by a
coin, another one each time (`pens`), so that what else a picture shows tells nothing of whether there is one.
"""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional as F

from .joints import Joints
from .lanes import LEAST_PX, first_ink, places_mm
from .pens import inked
from .phoneify import chance
from .seams import as_read
from .shelf import IGNORE, SIDE_PX, Shelf, numbers
from .strips import KINDS, STEP_MM, cells_px, photographed

COLUMNS, FIRST_MM = 192, -6.4


def sample(shelf: Shelf, batch: int, repainted: float = 0.0, penned: float = 0.0) -> tuple[Tensor, ...]:
    """Pictures (batch, 3, strips.ROWS, COLUMNS) of 0..255, what every second cell shows, and where the first ink begins
    (batch,) in columns: COLUMNS where none is seen, nan where it isn't told."""
    known = shelf.numbers[: shelf.count]  # once: the shelf may be filled meanwhile
    wanted = torch.nonzero((known[:, 19] > 0) & (known[:, 18] > 0) & (known[:, 15] > 0))[:, 0]
    index = wanted[torch.randint(len(wanted), (batch,), device=shelf.device)]
    matrix, mouth, axis, pipe, collar, lip, joint, _, lean = numbers(shelf.numbers[index])
    joints = Joints(matrix, mouth, axis, pipe, collar, lip, joint, lean)
    pictures = inked(shelf.taken(index), joints, penned)
    small = photographed(pictures, matrix[:, 0, 0] / mouth.norm(dim=1), repainted)
    found = as_read(joints)
    along = found.scale[:, None] * places_mm(FIRST_MM, STEP_MM, COLUMNS, mouth.device)
    pixels = cells_px(matrix, found.mouth_mm, found.axis, found.pipe_mm, along)
    inside = ((pixels > -0.5) & (pixels < pictures.size[:, None, None] - 0.5)).all(-1)
    picture = F.grid_sample(small, ((pixels + 0.5) / SIDE_PX * 2 - 1).float(), padding_mode="zeros",
                            align_corners=False) * inside[:, None]
    cells = pixels[:, ::2, ::2].round().clamp(0, SIDE_PX - 1).long()
    classes = pictures.classes[torch.arange(batch, device=shelf.device)[:, None, None], cells[..., 1], cells[..., 0]]
    table = torch.full((256,), IGNORE, device=shelf.device)
    table[: len(KINDS)] = torch.tensor(KINDS, device=shelf.device)
    kinds = torch.where(inside[:, ::2, ::2], table[classes.long()], IGNORE)
    flip = chance(mouth, 0.5)[:, None, None]
    picture = torch.where(flip[..., None], picture.flip(2), picture)
    kinds = torch.where(flip, kinds.flip(1), kinds)
    seen = ((pictures.classes == 1).sum((1, 2)) > LEAST_PX) & ((pictures.classes == 2).sum((1, 2)) > LEAST_PX)
    return (picture * 255).round(), kinds, torch.where(seen, first_ink(pictures, pixels, STEP_MM), torch.nan).float()
