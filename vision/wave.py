"""A length along the pipe as it goes round it, a part of the stages that put photos from several sides together.

A mark is drawn askew, a pipe sits cocked, a cut is out of square: gap and depth go round the pipe as
m + a cos + b sin.  One photo tells the mean over the arc that it shows; on another side it is another.
"""

from __future__ import annotations

import math

from vision.records import Floats

SEAT_RAD = math.radians(0.7)  # how square a mouth stands to the pipe in it (common practice, no source)
HAND_RAD = math.radians(0.7)  # how square a line is drawn by hand round a pipe (common practice, no source)
SAW_RAD = math.radians(0.7)  # how square a pipe is cut (common practice, no source)
TOLD_U_DEG = 10.0  # how well people say from which side they photographed
_LEAST_ARC = 0.3  # of the sine of the angle, over which a slant says anything


def amplitude_mm(radius_mm: float, askew_rad: tuple[float, ...], slant_mm: float, angles_rad: Floats) -> float:
    """Standard uncertainty of a and of b: what hands and tools allow, or more where the slant read says so.

    askew_rad: how far each thing that the length runs between may stand askew.  slant_mm: by how much the length
    differs over the arc seen, `angles_rad` (n,), 0 facing the camera.
    """
    arc = math.sin(float(angles_rad.max())) - math.sin(float(angles_rad.min()))
    return max(radius_mm * math.hypot(*askew_rad), abs(slant_mm) / max(_LEAST_ARC, arc))


def apart_mm(amplitude_mm: float, turn_deg: float | None, u_deg: float = TOLD_U_DEG) -> float:
    """Standard uncertainty of the difference of the length on two sides, so many degrees apart; None: nobody knows."""
    if turn_deg is None:
        return math.sqrt(2) * amplitude_mm
    return amplitude_mm * math.hypot(2 * math.sin(math.radians(turn_deg) / 2), math.radians(u_deg))
