"""The mark's depth and the cut's squareness: exact on exact edges, honest on noisy ones."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from calibration.camera import Camera
from tests import pipes
from tests import scene as scenes
from vision import placing
from vision.placing import Chain, place, squareness
from vision.records import Limb, Limbs, Placement, Refusal
from vision.verdict import judge_placement


@pytest.mark.parametrize("tilt", [-25.0, -8.0, 0.0, 12.0, 30.0])
@pytest.mark.parametrize("camera", [Camera(1500.0, (1007.5, 755.5)),
                                    Camera(2600.0, (1007.5, 755.5), (0.02, 0, 0, 0, 0))])
def test_exact_edges_give_the_exact_depth(tilt: float, camera: Camera) -> None:
    scene = pipes.marked(tilt_deg=tilt, camera=camera, roll_deg=37.0, arc_deg=(-40.0, 25.0))
    depth, limbs, pose = pipes.stages(scene)
    chain = Chain.of(depth, limbs, pose, scene.camera, scene.fitting)
    assert chain.first_order().value == pytest.approx(pipes.true_depth_mm(scene), abs=2e-3)


def test_a_cut_out_of_square_is_measured_where_the_mark_is() -> None:
    scene = pipes.marked(seat_deg=2.5, arc_deg=(10.0, 60.0))
    found = pipes.placement(scene)
    assert found.depth.value_mm == pytest.approx(pipes.true_depth_mm(scene), abs=0.03)
    assert abs(pipes.true_depth_mm(scene) - pipes.DEPTH_MM) > 0.5  # the whole pipe's mean would be wrong here


@pytest.mark.parametrize("lean", [0.0, 1.0, 3.0])
def test_squareness_is_the_angle_of_the_cut(lean: float) -> None:
    scene = pipes.marked(seat_deg=lean, tilt_deg=5.0)
    depth, _, pose = pipes.stages(scene)
    cut = squareness(depth.cut, pose, 0.95)
    assert cut.angle_deg == pytest.approx(lean, abs=0.05)
    assert cut.low_deg <= lean <= cut.high_deg
    assert cut.across.value_mm == pytest.approx(2 * pose.pipe.radius_mm * math.tan(math.radians(lean)), abs=0.06)


def test_a_cut_that_may_be_square_is_not_called_askew() -> None:
    codes = {doubt.reason for doubt in pipes.placement(pipes.marked(seat_deg=0.3)).doubts}
    assert "cut-askew" not in codes
    leaning = pipes.marked(seat_deg=4.0)
    assert "cut-askew" in {doubt.reason for doubt in pipes.placement(leaning).doubts}


def test_monte_carlo_and_the_law_of_propagation_agree() -> None:
    scene = pipes.marked(fitting=pipes.fitting(pipe_od_tolerance=0.15), row_noise_mm=0.1,
                         camera=Camera(1500.0, (1007.5, 755.5), u_focal_px=30.0, u_centre_px=8.0, u_k1=0.01,
                                       source="exif"))
    depth, limbs, pose = pipes.stages(scene, np.random.default_rng(3))
    found = place(depth, limbs, pose, scene.camera, scene.fitting)
    assert isinstance(found, Placement)
    linear = Chain.of(depth, limbs, pose, scene.camera, scene.fitting).first_order()
    assert found.depth.u_mm == pytest.approx(linear.u, rel=0.06)
    assert found.depth.value_mm == pytest.approx(linear.value, abs=4 * linear.u / math.sqrt(placing.DRAWS))
    assert sum(part.share for part in found.budget) == pytest.approx(1.0)


def test_the_depth_grows_with_the_diameter() -> None:
    """The only scale is the pipe's own: a pipe one per cent larger makes everything one per cent larger."""
    scene = pipes.marked()
    larger = replace(scene, listed=scenes.fitting(pipe_od=1.01 * scene.fitting.pipe_od_mm))
    ratio = pipes.placement(larger).depth.value_mm / pipes.placement(scene).depth.value_mm
    assert ratio == pytest.approx(1.01, abs=5e-4)


def test_a_burr_widens_the_interval_and_stands_in_the_budget() -> None:
    scene = pipes.marked()
    depth, limbs, pose = pipes.stages(scene)
    clean, burred = (place(replace(depth, burr_mm=burr), limbs, pose, scene.camera, scene.fitting)
                     for burr in (0.0, 0.5))
    assert isinstance(clean, Placement)
    assert isinstance(burred, Placement)
    assert burred.depth.u_mm == pytest.approx(math.hypot(clean.depth.u_mm, 0.5), rel=0.05)
    assert next(part.u_mm for part in burred.budget if part.name == "burr") == pytest.approx(0.5)


def test_without_a_tolerance_nothing_is_judged() -> None:
    assert pipes.placement(pipes.marked()).p_placed is None
    judged = pipes.placement(pipes.marked(fitting=pipes.fitting(1.5))).p_placed
    assert judged is not None
    assert judged > 0.99


NOBODYS = Camera(1500.0, (1007.5, 755.5), u_focal_px=180.0, source="assumed")


@pytest.mark.parametrize("times", [0.5, 0.7, 0.87, 1.0, 1.3, 1.9, 3.0, 4.6])
def test_with_a_lens_that_nobody_knows_a_depth_is_a_range(times: float) -> None:
    """It holds the depth, whichever lens it was; its middle is nobody's measurement."""
    scene = pipes.marked(tilt_deg=0.0, camera=replace(NOBODYS, focal_px=times * NOBODYS.focal_px), assumed=NOBODYS)
    found = pipes.placement(scene)
    assert found.lens_open
    assert found.budget[0].name == "focal length"
    assert found.depth.value_mm == pytest.approx((found.depth.low_mm + found.depth.high_mm) / 2)
    assert found.depth.low_mm < pipes.true_depth_mm(scene) < found.depth.high_mm
    told = judge_placement(replace(found, depth=replace(found.depth, low_mm=20.0, high_mm=40.0)), (),
                           pipes.fitting(0.8))
    assert told[1][0].reason == "lens-unknown"


def test_where_something_else_leaves_more_open_the_depth_is_that_of_the_assumed_lens() -> None:
    scene = pipes.marked(tilt_deg=0.0, camera=NOBODYS)
    depth, limbs, pose = pipes.stages(scene)
    found = place(replace(depth, burr_mm=8.0), limbs, pose, scene.camera, scene.fitting)
    assert isinstance(found, Placement)
    assert not found.lens_open
    assert found.depth.value_mm == pytest.approx(pipes.true_depth_mm(scene), abs=0.05)


def test_of_a_known_lens_no_depth_is_but_a_range() -> None:
    assert not any(found.lens_open for _, found in outcomes())


def test_sides_that_say_nothing_are_refused() -> None:
    scene = pipes.marked()
    depth, limbs, pose = pipes.stages(scene)

    def vague(limb: Limb) -> Limb:
        return replace(limb, covariance=np.diag([1.0, 1e6]))

    left, right = limbs.pipe
    assert place(depth, Limbs((vague(left), vague(right)), None), pose, scene.camera, scene.fitting) == Refusal(
        "placing", "edges-not-found", "the pipe's sides are too uncertain to measure from")


# --- stated intervals hold the truth -----------------------------------------------------------------


@lru_cache
def outcomes() -> tuple[tuple[float, Placement], ...]:
    rng = np.random.default_rng(17)
    found = []
    for number in range(150):
        scene = scenes.random_scene(rng, "any", "exif", "clean")
        scene = replace(scene, gap_mm=rng.uniform(20, 36), arc_deg=(-60.0, 60.0), seat_deg=0.8 * rng.standard_normal(),
                        mouth_bias_mm=math.hypot(pipes.CUT_BIAS_MM, 0.3 * scene.distance_mm / scene.camera.focal_px),
                        seed=number)
        found.append((pipes.true_depth_mm(scene), pipes.placement(scene, rng)))
    return tuple(found)


def test_intervals_hold_the_true_depth() -> None:
    held = np.mean([found.depth.low_mm <= true <= found.depth.high_mm for true, found in outcomes()])
    assert 0.91 <= held <= 0.995  # 150 scenes: two standard errors about 0.95


def test_stated_uncertainty_is_the_real_scatter() -> None:
    pulls = np.array([(found.depth.value_mm - true) / found.depth.u_mm for true, found in outcomes()])
    assert 0.8 < pulls.std() < 1.2
    assert abs(pulls.mean()) < 0.3
