"""Meshes as plain arrays. Everything is a patch: a grid of points with normals and texture coordinates."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Mesh:
    """Vertices (n, 3) in mm, normals (n, 3), texture coordinates (n, 2), faces (m, 3)."""

    points: np.ndarray
    normals: np.ndarray
    uv: np.ndarray
    faces: np.ndarray


def join(*meshes: Mesh) -> Mesh:
    """Several meshes as one."""
    starts = np.cumsum([0] + [len(m.points) for m in meshes[:-1]])
    return Mesh(
        np.concatenate([m.points for m in meshes]),
        np.concatenate([m.normals for m in meshes]),
        np.concatenate([m.uv for m in meshes]),
        np.concatenate([m.faces + s for m, s in zip(meshes, starts, strict=True)]),
    )


def unit(v) -> np.ndarray:
    """Vectors scaled to length one (last axis)."""
    v = np.asarray(v, float)
    return v / np.maximum(np.linalg.norm(v, axis=-1, keepdims=True), 1e-12)


def patch(points: np.ndarray, uv: np.ndarray | None = None, closed: bool = False, flip: bool = False) -> Mesh:
    """A smooth grid of points (rows, columns, 3); `closed` says that the last column repeats the first."""
    p = np.asarray(points, float)
    rows, cols = p.shape[:2]
    du = np.gradient(p, axis=1)
    if closed:
        du[:, 0] = du[:, -1] = (p[:, 1] - p[:, -2]) / 2
    dv = np.gradient(p, axis=0)
    normals = unit(np.cross(dv, du))
    if flip:
        normals = -normals
    if uv is None:
        v, u = np.meshgrid(np.linspace(0, 1, rows), np.linspace(0, 1, cols), indexing="ij")
        uv = np.stack([u, v], -1)
    i = (np.arange(rows - 1)[:, None] * cols + np.arange(cols - 1)[None]).ravel()
    a, b, c, d = i, i + 1, i + cols, i + cols + 1
    faces = np.concatenate([np.stack([a, c, b], 1), np.stack([b, c, d], 1)])
    if flip:
        faces = faces[:, ::-1]
    return Mesh(p.reshape(-1, 3), normals.reshape(-1, 3), np.asarray(uv, float).reshape(-1, 2), faces)


def ring_angles(n: int, start_rad: float = 0.0) -> np.ndarray:
    """n + 1 angles once round from `start_rad`, in radians."""
    return start_rad + np.linspace(0, 2 * np.pi, n + 1)


def lathe(segments, n: int = 96, start_rad: float = 0.0, shape=None) -> Mesh:
    """Turn a profile about x: `segments` are smooth runs of (x, r) points, each its own patch.

    `shape(x, r, phi) -> r` can press flats or dents. Texture v runs along the whole profile, u round it.
    """
    phi = ring_angles(n, start_rad)
    lengths = [np.hypot(*np.diff(np.asarray(s, float).T, axis=1)).sum() for s in segments]
    total, done, made = max(sum(lengths), 1e-9), 0.0, []
    for s, length in zip(segments, lengths, strict=True):
        s = np.asarray(s, float)
        x, r = s[:, :1], s[:, 1:]
        rr = np.broadcast_to(r if shape is None else shape(x, r, phi[None]), (len(s), n + 1))
        p = np.stack([np.broadcast_to(x, rr.shape), rr * np.cos(phi), rr * np.sin(phi)], -1)
        along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(s.T, axis=1)))])
        v = (done + along) / total
        uv = np.stack(np.broadcast_arrays(np.linspace(0, 1, n + 1)[None], v[:, None]), -1)
        made.append(patch(p, uv, closed=True, flip=True))
        done += length
    return join(*made)


def tube(
    path: np.ndarray, radius, n: int = 24, start_rad: float = 0.0, up=(0, 1, 0), v=None, caps: bool = False
) -> Mesh:
    """A tube along points (m, 3) with radii (m,) or (m, n + 1); `up` orients angle 0; optional round caps."""
    path = np.asarray(path, float)
    radius = np.broadcast_to(np.asarray(radius, float), (len(path), *np.shape(radius)[1:]))
    if caps:
        r0, r1 = np.mean(radius[0]), np.mean(radius[-1])
        t = np.linspace(0, np.pi / 2, 6)[:-1]
        t0, t1 = unit(path[1] - path[0]), unit(path[-1] - path[-2])
        path = np.concatenate(
            [path[0] - r0 * np.cos(t)[:, None] * t0, path, path[-1] + r1 * np.cos(t)[::-1, None] * t1]
        )
        radius = np.concatenate([r0 * np.sin(t) + 1e-3, radius, r1 * np.sin(t)[::-1] + 1e-3])
    tangent = unit(np.gradient(path, axis=0))
    u = np.zeros_like(path)
    side = np.asarray(up, float)
    for i, t in enumerate(tangent):
        side = unit(side - (side @ t) * t)
        u[i] = side
    w = np.cross(tangent, u)
    phi = ring_angles(n, start_rad)
    rr = radius[:, None] if radius.ndim == 1 else radius
    ring = np.cos(phi)[None, :, None] * u[:, None] + np.sin(phi)[None, :, None] * w[:, None]
    p = path[:, None] + rr[..., None] * ring
    v = np.linspace(0, 1, len(path)) if v is None else np.asarray(v, float)
    uv = np.stack(np.broadcast_arrays(np.linspace(0, 1, n + 1)[None], v[:, None]), -1)
    return patch(p, uv, closed=True, flip=True)


def box(size, bevel: float = 0.0) -> Mesh:
    """A box of (x, y, z) size centred on 0, six flat patches (a `bevel` shrinks each and adds chamfers)."""
    half, made = np.asarray(size, float) / 2, []
    for axis in range(3):
        b, c = (axis + 1) % 3, (axis + 2) % 3
        for sign in (-1, 1):
            p = np.zeros((2, 2, 3))
            p[..., axis] = sign * half[axis]
            p[..., b] = (np.array([[-1, 1], [-1, 1]])) * (half[b] - bevel)
            p[..., c] = (np.array([[-1, -1], [1, 1]])) * (half[c] - bevel)
            made.append(patch(p, flip=sign > 0))
        for sb in (-1, 1):
            for sc in (-1, 1):
                if bevel <= 0:
                    continue
                p = np.zeros((2, 2, 3))
                p[:, 0, axis], p[:, 1, axis] = -half[axis] + bevel, half[axis] - bevel
                p[0, :, b], p[1, :, b] = sb * half[b], sb * (half[b] - bevel)
                p[0, :, c], p[1, :, c] = sc * (half[c] - bevel), sc * half[c]
                made.append(patch(p, flip=sb * sc < 0))
    return join(*made)


def prism(sides: int, radius: float, x0: float, x1: float, chamfer: float = 0.0) -> Mesh:
    """A nut: flat-sided prism about x with end faces of corner `radius`, corners turned off by `chamfer`."""
    made, a = [], ring_angles(sides)
    for i in range(sides):
        t = np.linspace(0, 1, 9)
        e0 = np.array([np.cos(a[i]), np.sin(a[i])]) * radius
        e1 = np.array([np.cos(a[i + 1]), np.sin(a[i + 1])]) * radius
        yz = e0 + (e1 - e0) * t[:, None]
        cut = chamfer * np.clip(
            (np.hypot(*yz.T) - radius * np.cos(np.pi / sides))
            / (radius * (1 - np.cos(np.pi / sides)) + 1e-9),
            0,
            1,
        )
        p = np.stack(
            [np.concatenate([np.stack([x0 + cut, *yz.T], 1)[None], np.stack([x1 - cut, *yz.T], 1)[None]])], 0
        )[0]
        made.append(patch(p, flip=True))
        for x, end, flip in ((x0, p[0], False), (x1, p[1], True)):
            centre = np.zeros_like(end)
            centre[:, 0] = x
            made.append(patch(np.stack([centre, end]), flip=not flip))
    return join(*made)


def sphere(radius, n: int = 24, bumps=None) -> Mesh:
    """An ellipsoid with radii (3,) centred on 0; `bumps` (n // 2 + 1, n + 1) scales the radius."""
    t, phi = np.linspace(1e-3, np.pi - 1e-3, n // 2 + 1)[:, None], ring_angles(n)[None]
    k = 1.0 if bumps is None else bumps
    p = np.stack(np.broadcast_arrays(np.sin(t) * np.cos(phi), np.sin(t) * np.sin(phi), np.cos(t)), -1)
    return patch(
        p * np.asarray(radius, float) * np.broadcast_to(np.asarray(k)[..., None], p.shape), closed=True
    )


def rotation(axis, angle_rad: float) -> np.ndarray:
    """The 3x3 matrix that turns by `angle_rad` about `axis` (Rodrigues)."""
    a = unit(axis)
    k = np.array([[0, -a[2], a[1]], [a[2], 0, -a[0]], [-a[1], a[0], 0]])
    return np.eye(3) + np.sin(angle_rad) * k + (1 - np.cos(angle_rad)) * k @ k


def onto(direction, spin_rad: float = 0.0) -> np.ndarray:
    """A rotation that takes +x to `direction`, after a spin about x."""
    d = unit(direction)
    helper = np.array([0, 0, 1.0]) if abs(d[2]) < 0.9 else np.array([0, 1.0, 0])
    y = unit(np.cross(helper, d))
    return np.stack([d, y, np.cross(d, y)], 1) @ rotation([1, 0, 0], spin_rad)


def move(mesh: Mesh, turn=None, shift=(0, 0, 0), scale=1.0) -> Mesh:
    """Scale, then turn (3x3), then shift."""
    turn = np.eye(3) if turn is None else np.asarray(turn)
    return Mesh(
        mesh.points * scale @ turn.T + np.asarray(shift, float), mesh.normals @ turn.T, mesh.uv, mesh.faces
    )
