"""Why no mark was found on the flat strip: part of the stages `read` and `depth`.

There is no line, and so no verdict either way: these numbers choose the reason that a person is told, and of a bare
pipe, with it, whether another look is taken (`pipeline`).  They stand as the first reader had them: nobody wrote down
what they were set on, and no lot was judged for them since.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.networks import Shares
from vision.records import Strip

DARK = 28  # median brightness, of 255, under which nothing could be told from bare pipe
BURNT_OUT, MOST_BURNT = 250, 0.3  # brightness of 255 that shows no colour any more, and the share of cells with it
OVER = 0.5  # probability of a cell that something lies over it
MOST_OVER = 0.35  # share of such cells where the mark should be
MOST_OVER_END = 0.3  # the same where the mouth, or the cut, should be


def in_its_way(strip: Strip, zone: NDArray[np.bool_], over: Shares, where: str) -> tuple[str, str] | None:
    """What keeps a mark from being seen, code and detail, or None: `too-dark`, `covered` or `glare`.

    zone: (rows, cols), the cells where the mark should be, in words `where`.  over: (rows, cols), probability that
    something lies over the cell.
    """
    light = strip.pixels.max(-1)[zone] if zone.any() else np.array([0])
    if float(np.median(light)) < DARK:
        return "too-dark", f"median brightness {np.median(light):.0f} of 255"
    if is_covered(over[zone], MOST_OVER):
        return "covered", ""
    burnt = float((light >= BURNT_OUT).mean())
    return ("glare", f"{burnt:.0%} of {where} is burnt out") if burnt > MOST_BURNT else None


def is_covered(over: Shares, most: float = MOST_OVER_END) -> bool:
    """Whether something lies over more than that share of these cells."""
    return float((over > OVER).mean()) > most
