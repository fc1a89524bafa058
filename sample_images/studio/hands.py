"""Things that lie over the joint: hands, gloves, fingers, straps, cables, lumps of mud."""

import numpy as np

from .body import OVER, Body
from .materials import plain, skin
from .meshes import Mesh, join, move, onto, sphere, tube, unit
from .noise import hsv, wobble
from .pipe import PipeAxis, ring


def _finger(base, points, r0: float, r1: float) -> Mesh:
    """A finger through `points`, thicker at the knuckles, with a round tip."""
    path = np.concatenate([[base], points])
    t = np.linspace(0, 1, len(path))
    fine = np.linspace(0, 1, 40)
    path = np.stack([np.interp(fine, t, path[:, i]) for i in range(3)], 1)
    kernel = np.hanning(9) / np.hanning(9).sum()
    padded = np.pad(path, ((4, 4), (0, 0)), mode="edge")
    path = np.stack([np.convolve(padded[:, i], kernel, "valid") for i in range(3)], 1)
    knuckle = (
        1 + 0.09 * np.exp(-(((fine - 0.42) / 0.06) ** 2)) + 0.07 * np.exp(-(((fine - 0.72) / 0.05) ** 2))
    )
    return tube(path, (r0 + (r1 - r0) * fine) * knuckle, 20, caps=True)


def _round_pipe(axis: PipeAxis, s, phi, above) -> np.ndarray:
    out = np.cos(phi)[:, None] * axis.u + np.sin(phi)[:, None] * axis.v
    return axis.point + np.asarray(s)[:, None] * axis.a + (axis.radius_mm + above) * out


def hand(rng, axis: PipeAxis, facing: float, s_mid: float, glove: bool) -> Mesh:
    """A hand that grips the pipe: four fingers round it, a thumb, the back of the hand and a forearm."""
    u = rng.uniform
    r = u(7, 10) * (1.2 if glove else 1.0)
    turn = 1 if rng.random() < 0.5 else -1
    start = facing - turn * u(0.9, 1.7)
    reach = min(75 / axis.radius_mm, u(1.5, 2.6))
    made = []
    slant, pitch = u(-0.35, 0.35), 2.05 * r
    for i in range(4):
        length = reach * (1, 1.1, 1.05, 0.85)[i] * u(0.93, 1.05)
        phi = start + turn * np.linspace(0.15, length, 8)
        s = s_mid + (i - 1.5) * pitch + slant * axis.radius_mm * np.linspace(0, length, 8)
        base = _round_pipe(axis, [s_mid + (i - 1.5) * pitch * 0.9], np.array([start - turn * 0.35]), r + 6)[0]
        made.append(_finger(base, _round_pipe(axis, s, phi, r * 0.95), r * 1.05, r * 0.82))
    centre = _round_pipe(axis, [s_mid], np.array([start - turn * 0.5]), r + 14)[0]
    out = np.cos(start) * axis.u + np.sin(start) * axis.v
    tangent = unit(np.cross(axis.a, out)) * turn
    frame = np.stack([axis.a, tangent, np.cross(axis.a, tangent)], 1)
    made.append(move(sphere((2.3 * pitch, 42, 17), 32), frame, centre - tangent * 22))
    phi = start + turn * np.linspace(-0.2, 0.9, 6)
    thumb = _round_pipe(axis, s_mid - 2.6 * pitch - np.linspace(0, 12, 6), phi, r)
    made.append(_finger(centre - axis.a * pitch * 1.6 - tangent * 20, thumb, r * 1.25, r * 0.95))
    wrist = centre - tangent * 48
    arm = wrist - np.linspace(0, 300, 10)[:, None] * unit(tangent - 0.5 * out + axis.a * u(-0.6, 0.6))
    made.append(tube(arm, np.linspace(27, 42, 10), 28, caps=True))
    return join(*made)


def pointing(rng, axis: PipeAxis, facing: float, s: float) -> Mesh:
    """One finger that points at or rests on the pipe, with a stump of hand far off."""
    u = rng.uniform
    r = u(6.5, 9.5)
    tip = axis.at(s, facing + u(-0.9, 0.9))
    out = unit(tip - axis.point - ((tip - axis.point) @ axis.a) * axis.a)
    away = unit(
        out * u(0.1, 0.6) + np.cross(axis.a, out) * rng.choice([-1, 1]) * u(0.5, 1) + axis.a * u(-1, 1)
    )
    tip = tip + out * r
    points = tip + np.linspace(85, 0, 8)[:, None] * away + np.sin(np.linspace(0, np.pi, 8))[:, None] * out * 6
    palm = move(sphere((50, 40, 22), 32), onto(away), tip + away * 125)
    more = [
        _finger(
            tip + away * 90 + d,
            tip + away * 60 + d * 1.2 + np.linspace(0, 1, 4)[:, None] * (out * -9 - away * 8),
            r,
            r * 0.9,
        )
        for d in (np.cross(away, out) * 2.1 * r, np.cross(away, out) * 4.0 * r)
    ]
    return join(_finger(points[0] + away * 30, points, r * 1.15, r * 0.8), palm, *more)


def lump(rng, axis: PipeAxis, facing: float, s: float) -> Mesh:
    """A lump of mud stuck on the pipe or the collar."""
    n = 40
    bumps = 1 + 0.16 * np.stack([wobble(rng, n, 5) for _ in range(n // 2 + 1)])[:, np.r_[0:n, 0]]
    phi = facing + rng.uniform(-0.8, 0.8)
    out = np.cos(phi) * axis.u + np.sin(phi) * axis.v
    size = np.array([rng.uniform(2.5, 7), rng.uniform(5, 22), rng.uniform(5, 22)])
    return move(sphere(size, n, bumps), onto(out, rng.uniform(0, 6)), axis.at(s, phi))


def over_bodies(
    rng, kind: str, axis: PipeAxis, facing: float, collar_mm: float, dirt_rgb, past_mm: float | None = None
) -> list[Body]:
    """Bodies of class OVER for one kind; a hand that holds a bare pipe does so past its mark at `past_mm`."""
    u = rng.uniform
    s = u(-25, 75)
    if kind in ("hand", "glove"):
        s = u(30, 130) if rng.random() < 0.75 else u(-30, 30)
        if past_mm is not None:
            s = past_mm + u(58, 140)
        return [
            Body(
                kind, hand(rng, axis, facing, s, kind == "glove"), skin(rng, kind == "glove", dirt_rgb), OVER
            )
        ]
    if kind == "finger":
        return [
            Body(kind, pointing(rng, axis, facing, u(-30, 60)), skin(rng, rng.random() < 0.3, dirt_rgb), OVER)
        ]
    if kind == "strap":
        wide = u(10, 40)
        high = u(0.6, 2.5) + (max(collar_mm / 2 - axis.radius_mm, 0) if s < 0 else 0)
        return [
            Body(kind, ring(axis, s, wide, high, False), plain(rng, dirt_rgb=dirt_rgb, dirt=u(0, 0.4)), OVER)
        ]
    if kind == "cable":
        q = u(1.2, 5)
        t = np.linspace(-1, 1, 60)
        above = max(axis.radius_mm, collar_mm / 2 if s < 5 else 0) + q
        height = above - (np.abs(t) ** 2) * u(0.2, 1.2) * above
        way = np.stack(
            [
                np.cos(facing) * axis.u + np.sin(facing) * axis.v,
                -np.sin(facing) * axis.u + np.cos(facing) * axis.v,
            ]
        )
        path = (
            axis.point
            + (s + u(-60, 60) * t + 8 * wobble(rng, 60, 2, 2) * np.abs(t))[:, None] * axis.a
            + height[:, None] * way[0]
            + (t * above * u(2, 5))[:, None] * way[1]
        )
        return [Body(kind, tube(path, q, 20), plain(rng, dirt_rgb=dirt_rgb, dirt=u(0, 0.2)), OVER)]
    mud = hsv(u(18, 38), u(0.3, 0.6), u(0.15, 0.45))
    return [
        Body(f"{kind}{i}", lump(rng, axis, facing, u(-25, 40)), plain(rng, mud, 0.9), OVER)
        for i in range(int(rng.integers(1, 4)))
    ]
