"""The cut end of a bare pipe: where its plane lies, the pipe that ends in it, its face, bore, chamfer and burr."""

import numpy as np

from .body import BACKGROUND, PIPE, Body, Material
from .materials import metal, plain
from .meshes import Mesh, patch
from .noise import hsv, ramp, wobble
from .pipe import FINE_MM, FINE_V, START_MM, PipeAxis, pipe_mesh
from .recipe import CutSpec, Recipe

COLUMNS = 480
WARPED_MM = 15.0  # over this length the pipe's rows go from the cut's course to straight rings
BORE_MM = 250.0


def cut_s(cut: CutSpec, radius_mm: float, phi_rad) -> np.ndarray:
    """The s (mm) of the cut's plane, waves of the saw included, on a cylinder of this radius at angle phi."""
    phi = np.asarray(phi_rad, float)
    rng = np.random.default_rng(cut.seed)
    turns, starts = np.arange(2, 7), rng.uniform(0, 2 * np.pi, 5)
    sizes = rng.normal(size=5) / turns
    sizes /= np.sqrt((sizes**2).sum() / 2)
    waves = (sizes * np.cos(phi[..., None] * turns + starts)).sum(-1)
    plane = radius_mm * np.tan(np.radians(cut.angle_deg)) * np.cos(phi - np.radians(cut.dir_deg))
    return plane + cut.wavy_mm * waves


def cut_pipe(recipe: Recipe, cut: CutSpec, axis: PipeAxis, phi0: float) -> Mesh:
    """The outside of the pipe, its first rows moved so that it ends in the cut; texture and surface stay together."""
    mesh = pipe_mesh(recipe.pipe, axis, phi0, 0.0, COLUMNS)
    s = (mesh.points - axis.point) @ axis.a
    phi = phi0 + 2 * np.pi * mesh.uv[:, 0]
    moved = (cut_s(cut, axis.radius_mm, phi) + cut.chamfer_mm) * np.clip(1 - s / WARPED_MM, 0, 1)
    uv = mesh.uv + np.stack([0 * moved, moved * FINE_V / (FINE_MM - START_MM)], 1)
    return Mesh(mesh.points + moved[:, None] * axis.a, mesh.normals, uv, mesh.faces)


def _round(axis: PipeAxis, s, r, phi) -> np.ndarray:
    """Points (rows, columns, 3) at s and r, each (rows, columns), and phi (columns,)."""
    ring = np.cos(phi)[:, None] * axis.u + np.sin(phi)[:, None] * axis.v
    return axis.point + s[..., None] * axis.a + r[..., None] * ring


def _face(recipe: Recipe, cut: CutSpec, axis: PipeAxis, phi) -> Mesh:
    outer, inner = axis.radius_mm - cut.chamfer_mm, axis.radius_mm - recipe.pipe.wall_mm
    r = np.stack([np.full(phi.shape, outer), np.full(phi.shape, inner)])
    s = np.stack([cut_s(cut, outer, phi), cut_s(cut, inner, phi)])
    return patch(_round(axis, s, r, phi), closed=True)


def _chamfer(cut: CutSpec, axis: PipeAxis, phi) -> Mesh:
    r = axis.radius_mm - cut.chamfer_mm * np.stack([0 * phi, 0 * phi + 1])
    along = cut_s(cut, axis.radius_mm, phi)
    return patch(_round(axis, np.stack([along + cut.chamfer_mm, along]), r, phi), closed=True)


def _bore(recipe: Recipe, cut: CutSpec, axis: PipeAxis, phi) -> Mesh:
    r = np.full(phi.shape, axis.radius_mm - recipe.pipe.wall_mm)
    s = np.stack([cut_s(cut, float(r[0]), phi), np.full(phi.shape, BORE_MM)])
    return patch(_round(axis, s, np.stack([r, r]), phi), closed=True)


def _burr(cut: CutSpec, axis: PipeAxis, phi) -> Mesh:
    """A lip rolled over the edge, ragged and in places gone; texture v is 1/2 where it crosses the cut's plane."""
    rng = np.random.default_rng(cut.seed + 1)
    n = len(phi) - 1
    rough = 0.8 + 0.35 * wobble(rng, n, 30, 0.8) + 0.25 * wobble(rng, n, 120, 0.5)
    amount = np.clip(rough, 0.05, 2.0) * ramp(wobble(rng, n, 3, 1.5), rng.uniform(-2.5, -0.3), 0.8)
    amount = np.r_[amount, amount[0]]
    high, wide, over = cut.burr_mm * amount, cut.burr_wide_mm * (0.5 + 0.5 * amount), cut.burr_over_mm * amount
    along, r = cut_s(cut, axis.radius_mm, phi), axis.radius_mm
    s = np.stack([along + wide, along + 0.4 * wide, along, along - over, along + 0.02])
    radii = np.stack([r - 0.02 + 0 * high, r + 0.6 * high, r + high, r + 0.3 * high, r - 0.05 - 0.5 * high])
    return patch(_round(axis, s, radii, phi), closed=True)


def _fresh(rng, recipe: Recipe, cut: CutSpec) -> Material:
    """What the saw laid open: bright metal, or the pipe's own stuff without its weather."""
    if cut.finish != "as_pipe":
        return metal(rng, cut.finish, recipe.dirt.color, 0.05)
    tone = np.asarray(recipe.pipe.color) * rng.uniform(0.75, 1.15) + rng.uniform(0, 0.06)
    return plain(rng, np.clip(tone, 0, 1), rng.uniform(0.4, 0.85), recipe.dirt.color, rng.uniform(0, 0.15))


def end_bodies(recipe: Recipe, cut: CutSpec, axis: PipeAxis, phi0: float) -> list[Body]:
    """Everything of the end but the pipe's outside.

    Only what lies on the pipe's side of the cut's plane and outside it is pipe: face and bore are background, as
    is the part of a burr that stands out beyond the plane, so that the border of the class is the cut.
    """
    rng = np.random.default_rng(cut.seed + 2)
    phi = phi0 + np.linspace(0, 2 * np.pi, COLUMNS + 1)
    fresh = _fresh(rng, recipe, cut)
    dark = hsv(rng.uniform(15, 220), rng.uniform(0, 0.3), rng.uniform(0.15, 0.6))
    if cut.finish == "as_pipe":
        dark = np.asarray(recipe.pipe.color) * rng.uniform(0.35, 0.9)
    made = [
        Body("cut face", _face(recipe, cut, axis, phi), fresh, BACKGROUND),
        Body("bore", _bore(recipe, cut, axis, phi), plain(rng, dark, 0.7), BACKGROUND),
    ]
    if cut.chamfer_mm > 0:
        made.append(Body("chamfer", _chamfer(cut, axis, phi), fresh, PIPE))
    if cut.burr_mm > 0:
        label = np.array([[PIPE], [BACKGROUND]], np.uint8)
        made.append(Body("burr", _burr(cut, axis, phi), fresh, label))
    return made
