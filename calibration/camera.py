"""The lens model: how a point of the scene becomes a pixel, and how well that is known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

FocalSource = Literal["chart", "exif", "assumed"]


@dataclass(frozen=True)
class Camera:
    """A pinhole with radial and tangential distortion, for one picture size and orientation.

    The distortion is OpenCV's (k1, k2, p1, p2, k3).  `u_...` are standard uncertainties: of the focal
    length in pixels, of the principal point in pixels (each way), of k1 (dimensionless).
    """

    focal_px: float
    centre_px: tuple[float, float]
    distortion: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    u_focal_px: float = 0.0
    u_centre_px: float = 0.0
    u_k1: float = 0.0
    source: FocalSource = "assumed"
