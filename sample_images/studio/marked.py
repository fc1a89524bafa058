"""One pipe before and after it is pushed in: the joint's recipe counted from the cut end, its bare pipe, its depth.

Angles phi round the pipe count from its own frame's u to v.  The pipe is pushed in without being turned, so that an
angle in the marked pipe's photo is the same line of the pipe in the joint's.
"""

from dataclasses import replace

import numpy as np

from .cut import cut_s
from .recipe import CutSpec, Recipe, vary
from .stage import Stage
from .truth import columns_rad


def pushed_in(recipe: Recipe, depth_mm: float) -> Recipe:
    """The same joint, but with all that is painted on its pipe counted from the cut end: its mark at this depth.

    A pipe that was pushed in by some length is one that has come out by minus as much since it was marked.
    """
    insertion = depth_mm - recipe.mark.gap_mm
    decoys = tuple((kind, at + insertion, wide) for kind, at, wide in recipe.decoys)
    return vary(recipe, pipe={"pulled_mm": -insertion}, mark={"gap_mm": depth_mm}, decoys=decoys)


def bare_of(recipe: Recipe, cut: CutSpec, elsewhere: Recipe) -> Recipe:
    """The pipe of a joint that was `pushed_in`, as it was before: its cut in sight, in another scene's surroundings.

    Dirt, scuffs and scratches are the other scene's too: they are not painted on the pipe, and would stay where the
    mouth was while the pipe moves.
    """
    insertion = -recipe.pipe.pulled_mm
    return vary(
        recipe,
        scenario="premark",
        cut=cut,
        pipe={
            "tilt_deg": 0.0,
            "offset_mm": (0.0, 0.0),
            "pulled_mm": 0.0,
            "bend_start_mm": recipe.pipe.bend_start_mm + insertion,
            "length_mm": recipe.pipe.length_mm + insertion,
        },
        light=elsewhere.light,
        ground=elsewhere.ground,
        clutter=elsewhere.clutter,
        tone=elsewhere.tone,
        dirt=replace(elsewhere.dirt, grease=None),
    )


def wave(phi_rad: np.ndarray, values_mm: np.ndarray) -> np.ndarray:
    """(mean, cos, sin): mean + cos cos(phi) + sin sin(phi) goes through these values best."""
    basis = np.stack([np.ones_like(phi_rad), np.cos(phi_rad), np.sin(phi_rad)], -1)
    return np.linalg.lstsq(basis, values_mm, rcond=None)[0]


def depth_truth(recipe: Recipe, stage: Stage) -> dict:
    """Depth of a bare pipe's mark all round as a wave, and its parts: the mark's own and, taken off it, the cut's.

    `askew_*` is the mark's wave against the pipe's axis: the same as in its joint.  `faces_deg` is the angle of the
    pipe's line that faces this camera.
    """
    phi = columns_rad(stage)
    near, cut = wave(phi, stage.line.near), wave(phi, cut_s(recipe.cut, stage.axis.radius_mm, phi))
    depth = near - cut
    return {
        "faces_deg": float(np.degrees(stage.axis.facing_rad(stage.camera.centre_mm))),
        "depth_mean_mm": float(depth[0]),
        "depth_cos_mm": float(depth[1]),
        "depth_sin_mm": float(depth[2]),
        "cut_cos_mm": float(cut[1]),
        "cut_sin_mm": float(cut[2]),
        "askew_cos_mm": float(near[1]),
        "askew_sin_mm": float(near[2]),
    }
