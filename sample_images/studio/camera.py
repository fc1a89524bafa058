"""Pinhole cameras in the joint's frame, and the close window cut from a frame with the same perspective."""

from dataclasses import dataclass

import numpy as np

from .meshes import rotation, unit


@dataclass(frozen=True)
class Camera:
    """K (3x3, px), R (3x3) and t (mm) from the joint's frame to the camera's, and the picture's size."""

    K: np.ndarray
    R: np.ndarray
    t: np.ndarray
    width_px: int
    height_px: int

    @property
    def centre_mm(self) -> np.ndarray:
        """Where the camera is, in the joint's frame."""
        return -self.R.T @ self.t

    def project(self, points_mm) -> np.ndarray:
        """Pixels (n, 2) of points (n, 3); points behind the camera become nan."""
        p = np.atleast_2d(points_mm) @ self.R.T + self.t
        z = np.where(p[:, 2:] > 1e-6, p[:, 2:], np.nan)
        return (p / z @ self.K.T)[:, :2]

    def window(self, x0: float, y0: float, x1: float, y1: float, longer_px: int) -> "Camera":
        """The same camera seen through the window [x0, x1] x [y0, y1] (px, outer edges), enlarged."""
        s = longer_px / max(x1 - x0, y1 - y0)
        w, h = round((x1 - x0) * s), round((y1 - y0) * s)
        # a pixel's centre u of the frame lands on s (u - x0) - 1/2, where x0 is an edge (centre - 1/2)
        shift = np.array([[s, 0, -s * x0 - 0.5], [0, s, -s * y0 - 0.5], [0, 0, 1]])
        k = shift @ self.K
        return Camera(k, self.R, self.t, w, h)

    def enlarged(self, longer_px: int) -> "Camera":
        """The same picture with more, or fewer, pixels."""
        return self.window(-0.5, -0.5, self.width_px - 0.5, self.height_px - 0.5, longer_px)

    def rows(self, top: int, bottom: int) -> "Camera":
        """The same camera's rows from `top` up to, not including, `bottom`, as far as there are any."""
        bottom = min(bottom, self.height_px)
        k = np.array([[1, 0, 0], [0, 1, -top], [0, 0, 1]]) @ self.K
        return Camera(k, self.R, self.t, self.width_px, bottom - top)


def aim(centre_mm, target_mm, at_px, focal_px: float, size_px, roll_rad: float) -> Camera:
    """A camera at `centre_mm` that sees `target_mm` at pixel `at_px`, turned by `roll_rad` about that ray."""
    w, h = size_px
    K = np.array([[focal_px, 0, (w - 1) / 2], [0, focal_px, (h - 1) / 2], [0, 0, 1.0]])
    ray = unit(np.linalg.solve(K, [*at_px, 1.0]))
    look = unit(np.asarray(target_mm, float) - centre_mm)
    axis = np.cross(look, ray)
    s, c = np.linalg.norm(axis), look @ ray
    bring = rotation(axis if s > 1e-9 else [1, 0, 0], np.arctan2(s, c))
    R = rotation(ray, roll_rad) @ bring
    return Camera(K, R, -R @ np.asarray(centre_mm, float), w, h)
