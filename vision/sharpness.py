"""How sharp the photo is where it matters: on the collar's mouth and the pipe beside it.

What is sought are edges round the pipe, so sharpness is asked for along it: a surface that is smooth round
the pipe, or a ground out of focus, says nothing.  The measure is that of Crete, Dolmiere, Ladret and Nicolas
(2007), "The blur effect": blur the picture again and see how little changes.
"""

from __future__ import annotations

import cv2
import numpy as np

from vision.records import Bytes, Floats

BLURRED = 0.6  # of 84 rendered joints the softest that could be read had 0.48; one shaken by 11 px has 0.72
_SIDE_PX = 192  # of the neighbourhood, always: blur counts in parts of the collar, not in pixels of the photo
_SIDE_COLLARS = 1.2


def blur_of(pixels: Bytes, mouth_px: Floats, axis_px: Floats, collar_width_px: float) -> float:
    """Blur along the pipe of the square around the mouth, 0 (sharp) to 1.

    pixels: (height, width, 3).  mouth_px: (2,) the mouth's middle.  axis_px: (2,) unit vector along the pipe.
    The square's side is 1.2 collar widths; what of it lies outside the picture repeats the border.
    """
    from skimage.measure import blur_effect  # late: it brings scipy along

    grey = cv2.cvtColor(_neighbourhood(pixels, mouth_px, axis_px, collar_width_px), cv2.COLOR_RGB2GRAY)
    _, along = blur_effect(grey, reduce_func=None)
    return float(along)


def _neighbourhood(pixels: Bytes, mouth_px: Floats, axis_px: Floats, collar_width_px: float) -> Bytes:
    """The square around the mouth, turned so that the pipe runs to the right, always of the same size."""
    scale = _SIDE_COLLARS * collar_width_px / _SIDE_PX
    x, y = axis_px
    matrix = scale * np.array([[x, -y], [y, x]])
    half = np.sqrt(0.5) * _SIDE_COLLARS * collar_width_px + 4
    size = np.array(pixels.shape[1::-1])
    low = np.clip(np.floor(mouth_px - half).astype(int), 0, size - 1)
    high = np.clip(np.ceil(mouth_px + half).astype(int), low + 1, size)
    part = pixels[low[1]:high[1], low[0]:high[0]]
    shrink = max(1, int(scale))
    small = (max(1, part.shape[1] // shrink), max(1, part.shape[0] // shrink))
    ratio = (high - low) / np.array(small)
    middle = (mouth_px - low + 0.5) / ratio - 0.5
    matrix = matrix / ratio[:, None]
    to_part = np.column_stack([matrix, middle - matrix @ np.full(2, (_SIDE_PX - 1) / 2)])
    shrunk = cv2.resize(part, small, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.warpAffine(shrunk, to_part, (_SIDE_PX, _SIDE_PX), borderMode=cv2.BORDER_REPLICATE,
                                     flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP), np.uint8)
