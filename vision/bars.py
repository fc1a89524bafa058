"""Where the photo lies in a picture with bars: a screenshot, or a copy made to fit a frame, has stripes of one colour
on opposite sides of it.

A lens that has to be assumed is assumed for the photo, not for its frame.  A photo's own ground is no bar, however
even: a bar ends in a straight edge all across, and its like lies on the other side.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.records import Bytes, Floats

_TOLERANCE = 12  # levels of 255: what JPEG leaves of one colour, away from edges
_EVEN = 0.99  # least share of a bar's line that is of its colour
_CHANGED = 0.8  # least share of the photo's first line that is not
_BLUR_PX = 16  # a JPEG's block of colour: so far its edge may smear into a bar
_LEAST_PX, _LEAST_SHARE = 8, 0.02  # of the side
_LOOKED_AT = 500  # places of a line: more tell no more


def within(pixels: Bytes) -> tuple[int, int, int, int] | None:
    """Left, top, width and height of the photo within bars, pixels; None where there are none."""
    (height, width), (top, left) = pixels.shape[:2], (0, 0)
    bottom, right = height, width
    for across in (True, False, True):  # bars on all sides may show only once those beside the photo are known
        seen = pixels[top:bottom, left:right]
        first, last = _between(seen if across else seen.swapaxes(0, 1))
        if across:
            top, bottom = top + first, top + last
        else:
            left, right = left + first, left + last
    found = left, top, right - left, bottom - top
    return None if found == (0, 0, width, height) else found


def _between(lines: Bytes) -> tuple[int, int]:
    """The photo's first line and the one after its last; all lines where they don't lie between two bars."""
    few = lines[:, ::max(1, lines.shape[1] // _LOOKED_AT)]
    colour = np.median(few[0], 0).astype(np.int16)
    if min(_evenness(few[at], colour).min() for at in (np.s_[:_LEAST_PX], np.s_[-_LEAST_PX:])) < _EVEN:
        return 0, len(few)  # nearly every photo: its other lines need not be looked at
    even = _evenness(few, colour)
    before, after = _bar(even), _bar(even[::-1])
    return (before, len(even) - after) if before and after else (0, len(even))


def _evenness(lines: Bytes, colour: NDArray[np.int16]) -> Floats:
    """Share of each line in a colour."""
    return np.asarray((np.abs(lines.astype(np.int16) - colour).max(2) <= _TOLERANCE).mean(1))


def _bar(even: Floats) -> int:
    """How many lines the bar at the beginning has, 0 where there is none; even: share of each line in its colour."""
    bare, photo = (int(np.argmax(even < share)) for share in (_EVEN, 1 - _CHANGED))
    thick = bare >= max(_LEAST_PX, _LEAST_SHARE * len(even))
    return photo if thick and 0 <= photo - bare <= _BLUR_PX else 0
