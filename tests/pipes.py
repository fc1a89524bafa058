"""Marked pipes of known truth: what perfect stages would read of one, with as much noise as asked for.

A `Scene` of a joint serves: its mouth's plane is the cut (`seat_deg` out of square, towards the lens), its mark is
the mark, and no collar is in the way.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.fittings import Fitting
from tests import scene as scenes
from tests.scene import ROWS, Scene
from vision.placing import place
from vision.pose import solve_pose
from vision.records import Depth, Edge, Limbs, Placement, Pose, PremarkVerdict
from vision.verdict import judge_placement

DEPTH_MM = 28.575
CUT_BIAS_MM, MARK_BIAS_MM = 0.12, 0.06


def fitting(tolerance: float | None = None, **more: float) -> Fitting:
    """A row with a tolerance of the mark, or without."""
    return scenes.fitting(mark_tolerance=tolerance, **more)


def marked(depth_mm: float = DEPTH_MM, **more: object) -> Scene:
    """A pipe with its mark at this depth."""
    return replace(Scene(gap_mm=depth_mm), **more)  # type: ignore[arg-type]


def true_depth_mm(scene: Scene) -> float:
    """Mean over the inked arc of mark minus cut."""
    return float((scene.mark_mm - scene.seam_mm)[scene.inked].mean())


def read(scene: Scene, rng: np.random.Generator | None = None) -> Depth:
    """The depth as a reader with the scene's biases and noise reads it; exactly, without a generator."""
    def off(size: int, bias: float) -> np.ndarray:
        if rng is None:
            return np.zeros(size)
        return bias * rng.standard_normal() + scene.row_noise_mm * rng.standard_normal(size)

    rows = scene.inked
    cut = scene.seam_mm + off(len(ROWS), scene.mouth_bias_mm)
    near = scene.mark_mm + off(len(ROWS), scene.mark_bias_mm)
    return Depth(
        float((near - cut)[rows].mean()),
        cut=Edge(ROWS, cut, scenes.border_px(scene, cut), scene.row_noise_mm, CUT_BIAS_MM),
        near=Edge(ROWS[rows], near[rows], scenes.border_px(scene, near)[rows], scene.row_noise_mm, MARK_BIAS_MM),
        line_width_mm=2.0, slant_mm=0.0, arc_deg=float(rows.sum()), burr_mm=0.0,
    )


def stages(scene: Scene, rng: np.random.Generator | None = None) -> tuple[Depth, Limbs, Pose]:
    """Depth, limbs and pose, as the road has them."""
    dice = rng or np.random.default_rng(0)
    limbs = Limbs(scenes.limbs(scene, dice).pipe, None)
    pose = solve_pose(limbs, scene.known, scene.catalog, scenes.mouth_px(scene), scenes.axis_px(scene))
    assert isinstance(pose, Pose), pose
    return read(scene, rng), limbs, pose


def placement(scene: Scene, rng: np.random.Generator | None = None) -> Placement:
    """The measured placement of the scene's mark."""
    depth, limbs, pose = stages(scene, rng)
    found = place(depth, limbs, pose, scene.known, scene.catalog)
    assert isinstance(found, Placement), found
    return found


def verdict(scene: Scene) -> PremarkVerdict:
    """The verdict, without the picture."""
    depth, limbs, pose = stages(scene)
    found = placement(scene)
    word, reasons = judge_placement(found, (), scene.catalog)
    return PremarkVerdict(word, reasons, found, limbs=limbs, pose=pose, depth=depth)
