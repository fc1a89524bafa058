"""Where the pipe lies, its mesh, and the bands and blocks that sit on it."""

from dataclasses import dataclass

import numpy as np

from .meshes import Mesh, box, lathe, move, tube, unit
from .recipe import PipeSpec

ROWS, COLS = 1024, 1280
START_MM, FINE_MM, MIDDLE_MM = -15.0, 60.0, 220.0
FINE_V, MIDDLE_V = 0.62, 0.87


@dataclass(frozen=True)
class PipeAxis:
    """The pipe's own axis: a point, the direction a and two directions u, v across it; radius in mm.

    A point of the surface is point + s a + radius (cos(phi) u + sin(phi) v).
    """

    point: np.ndarray
    a: np.ndarray
    u: np.ndarray
    v: np.ndarray
    radius_mm: float

    def at(self, s_mm, phi_rad) -> np.ndarray:
        """Points (..., 3) of the straight pipe's surface."""
        s, phi = np.broadcast_arrays(np.asarray(s_mm, float), np.asarray(phi_rad, float))
        ring = np.cos(phi)[..., None] * self.u + np.sin(phi)[..., None] * self.v
        return self.point + s[..., None] * self.a + self.radius_mm * ring

    def mouth_s(self, phi_rad) -> np.ndarray:
        """The s at which the surface line at phi passes the mouth's plane x = 0."""
        ring = np.cos(phi_rad) * self.u[0] + np.sin(phi_rad) * self.v[0]
        return -(self.point[0] + self.radius_mm * ring) / self.a[0]

    def facing_rad(self, camera_mm) -> float:
        """The phi of the surface line that faces the camera."""
        d = np.asarray(camera_mm) - self.point
        return float(np.arctan2(d @ self.v, d @ self.u))


def pipe_axis(pipe: PipeSpec) -> PipeAxis:
    """The axis through the mouth's plane, tilted and off centre as the recipe says."""
    tilt, way = np.radians([pipe.tilt_deg, pipe.tilt_dir_deg])
    a = np.array([np.cos(tilt), np.sin(tilt) * np.cos(way), np.sin(tilt) * np.sin(way)])
    u = unit(np.array([0, 1.0, 0]) - a[1] * a)
    return PipeAxis(np.array([0.0, *pipe.offset_mm]), a, u, np.cross(a, u), pipe.od_mm / 2)


def row_s(pipe: PipeSpec, v) -> np.ndarray:
    """The s (mm) that belongs to the texture coordinate v: fine near the mouth, coarse far away."""
    end = max(pipe.length_mm, MIDDLE_MM + 50)
    return np.interp(v, [0, FINE_V, MIDDLE_V, 1], [START_MM, FINE_MM, MIDDLE_MM, end])


def pipe_path(pipe: PipeSpec, axis: PipeAxis, s: np.ndarray) -> np.ndarray:
    """Points of the centre line: straight, then on a circle."""
    way = np.radians(pipe.bend_dir_deg)
    side = np.cos(way) * axis.u + np.sin(way) * axis.v
    over = np.maximum(s - pipe.bend_start_mm, 0) / pipe.bend_radius_mm
    over = np.minimum(over, 2.2)
    along = np.minimum(s, pipe.bend_start_mm) + pipe.bend_radius_mm * np.sin(over)
    return axis.point + along[:, None] * axis.a + (pipe.bend_radius_mm * (1 - np.cos(over)))[:, None] * side


def pipe_mesh(
    pipe: PipeSpec, axis: PipeAxis, phi0: float, start_mm: float = START_MM, columns: int = 160
) -> Mesh:
    """The outside of the pipe; texture u starts at the angle phi0."""
    v = np.unique(
        np.concatenate(
            [
                np.linspace(0, FINE_V, 76 if pipe.rib_mm == 0 else 400),
                np.linspace(FINE_V, MIDDLE_V, 40),
                np.linspace(MIDDLE_V, 1, 60),
            ]
        )
    )
    s = row_s(pipe, v)
    keep = s >= start_mm - 1e-9
    s, v = s[keep], v[keep]
    ribs = 0.5 * pipe.rib_mm * (np.sin(2 * np.pi * s / pipe.rib_pitch_mm) - 1)
    return tube(pipe_path(pipe, axis, s), axis.radius_mm + ribs, columns, phi0, axis.u, v)


def ring(axis: PipeAxis, s0: float, width: float, height: float, round_: bool, n: int = 128) -> Mesh:
    """A band lying on the pipe from s0, `width` long and `height` thick; round or flat."""
    r = axis.radius_mm
    t = np.linspace(0, np.pi, 12)
    if round_:
        runs = [np.stack([s0 + width / 2 * (1 + np.cos(t)), r - 0.2 + (height + 0.2) * np.sin(t)], 1)]
    else:
        runs = [
            [(s0 + width, r - 0.2), (s0 + width, r + height)],
            [(s0 + width, r + height), (s0, r + height)],
            [(s0, r + height), (s0, r - 0.2)],
        ]
    return move(lathe(runs, n), np.stack([axis.a, axis.u, axis.v], 1), axis.point)


def head(axis: PipeAxis, s: float, phi: float, size) -> Mesh:
    """A small block on the pipe (a cable tie's head, a clamp's screw)."""
    out = np.cos(phi) * axis.u + np.sin(phi) * axis.v
    turn = np.stack([axis.a, np.cross(out, axis.a), out], 1)
    return move(box(size, 0.4), turn, axis.at(s, phi) + out * size[2] * 0.4)
