"""Poses from limbs: exact without noise, their covariance equal to real scatter, refusals where due."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares

from calibration.camera import Camera
from tests import scene as scenes
from tests.scene import Scene, fitting
from vision import geometry
from vision.pose import distance_ratio, solve_pose, tilt_disagreement, trusted
from vision.records import Floats, Limbs, Pose, Refusal
from vision.usual import SEAT_U_RAD


def solved(scene: Scene, rng: np.random.Generator | None = None, **row: float) -> Pose | Refusal:
    limbs = scenes.limbs(scene, rng or np.random.default_rng(0))
    known = fitting(**row) if row else scene.catalog
    return solve_pose(limbs, scene.known, known, scenes.mouth_px(scene), scenes.axis_px(scene))


def judged(scene: Scene, **row: float) -> Pose | Refusal:
    """The pose as the road goes on with it: solved, then held against what can be measured from."""
    pose = solved(scene, **row)
    return trusted(pose, fitting(**row) if row else scene.catalog) if isinstance(pose, Pose) else pose


@pytest.mark.parametrize("roll_deg", [0, 75, 160, 260])
@pytest.mark.parametrize("tilt_deg", [-30, 0, 12, 40])
def test_perfect_limbs_give_the_exact_pose(roll_deg, tilt_deg):
    lens = Camera(1500.0, (1007.5, 755.5), (0.03, -0.01, 0.001, -0.0005, 0.0))
    scene = Scene(camera=lens, tilt_deg=tilt_deg, roll_deg=roll_deg, mouth_at_px=(900.0, 700.0))
    pose = solved(scene)
    assert isinstance(pose, Pose)
    np.testing.assert_allclose(pose.pipe.point_mm, scene.pipe.point_mm, atol=1e-6)
    np.testing.assert_allclose(pose.pipe.direction, scene.pipe.direction, atol=1e-9)
    np.testing.assert_allclose(pose.collar.point_mm, scene.collar.point_mm, atol=1e-6)
    ratio, _ = distance_ratio(pose)
    assert ratio == pytest.approx(1, abs=1e-9)
    if tilt_deg >= 0:  # from the collar's side the mouth's pixel shows the lip, not the seam
        assert pose.mouth_mm == pytest.approx(scene.mouth_mm, abs=1e-6)
        assert pose.tilt_deg == pytest.approx(math.degrees(math.atan2(-scene.mouth_mm, np.linalg.norm(
            scene.pipe.point_mm))), abs=1e-6)


def test_collar_off_by_its_seat_is_seen_as_such():
    pose = solved(Scene(seat_deg=1.3, tilt_deg=0))
    apart = math.degrees(math.acos(min(1.0, float(pose.pipe.direction @ pose.collar.direction))))
    assert apart == pytest.approx(1.3, abs=1e-6)
    level = solved(Scene(seat_deg=0, tilt_deg=0))
    assert pose.pipe.covariance[0, 0] >= level.pipe.covariance[0, 0]
    far_apart = solved(Scene(seat_deg=4, tilt_deg=0))
    assert math.sqrt(far_apart.pipe.covariance[0, 0]) > math.radians(1)
    assert tilt_disagreement(pose.pipe, None) == SEAT_U_RAD


def test_covariance_equals_scatter():
    """Stated sigma must equal real scatter: 400 noisy views of one joint."""
    rng = np.random.default_rng(3)
    scene = Scene(tilt_deg=15, roll_deg=40, limb_noise_px=0.5)
    foot, u, v = geometry.frame(scene.pipe.point_mm, scene.pipe.direction)
    found, stated = [], []
    for _ in range(400):
        pose = solved(scene, rng)
        turn, shift = pose.pipe.direction - scene.pipe.direction, pose.pipe.point_mm - foot
        found.append([u @ turn, v @ turn, u @ shift, v @ shift])
        limbs = scenes.limbs(scene, rng).pipe
        slope = geometry.axis_slope(limbs, geometry.camera_matrix(scene.known), pose.pipe.radius_mm,
                                    pose.pipe.direction)
        inner = np.zeros((4, 4))
        inner[:2, :2], inner[2:, 2:] = limbs[0].covariance, limbs[1].covariance
        stated.append(slope @ inner @ slope.T)
    real, stated = np.cov(np.array(found).T), np.mean(stated, 0)
    np.testing.assert_allclose(np.sqrt(np.diag(real) / np.diag(stated)), 1, atol=0.12)
    np.testing.assert_allclose(_correlation(real), _correlation(stated), atol=0.12)
    bias = np.mean(found, 0) / np.sqrt(np.diag(real) / len(found))
    assert np.abs(bias).max() < 4


def _correlation(matrix: Floats) -> Floats:
    scale = np.sqrt(np.diag(matrix))
    return matrix / np.outer(scale, scale)


def test_closed_form_of_the_lines_is_the_least_squares_fit_of_the_axis():
    """The claim at the top of vision/pose.py, against scipy's minimiser over the axis itself."""
    scene = Scene(tilt_deg=15, roll_deg=40, limb_noise_px=0.8)
    limbs = scenes.limbs(scene, np.random.default_rng(4))
    matrix, radius = geometry.camera_matrix(scene.camera), scene.pipe.radius_mm
    foot, u, v = geometry.frame(scene.pipe.point_mm, scene.pipe.direction)

    def axis(p: Floats) -> tuple[Floats, Floats]:
        return foot + p[2] * u + p[3] * v, geometry.unit(scene.pipe.direction + p[0] * u + p[1] * v)

    def beside(p: Floats) -> Floats:
        lines = geometry.limb_lines(*axis(p), radius, matrix)
        return np.concatenate([_away(limb, lines) for limb in limbs.pipe])

    def _away(limb, lines: Floats) -> Floats:
        line = lines[np.argmax(lines[:, :2] @ limb.line[:2])]
        return limb.points_px @ line[:2] + line[2]

    best = least_squares(beside, np.zeros(4), x_scale=[1e-3, 1e-3, 1, 1], xtol=1e-14, ftol=1e-14, gtol=1e-14)
    pose = solve_pose(limbs, scene.camera, scene.fitting, scenes.mouth_px(scene), scenes.axis_px(scene))
    point, direction = axis(best.x)
    np.testing.assert_allclose(pose.pipe.direction, direction, atol=1e-6)
    np.testing.assert_allclose(pose.pipe.point_mm, geometry.frame(point, direction)[0], atol=1e-3)


def test_wrong_size_of_the_same_joint_is_refused():
    refusal = judged(Scene(), pipe_od=48.26, collar_od=73.0)
    assert isinstance(refusal, Refusal)
    assert not refusal
    assert refusal.reason == "size-mismatch"
    assert "1.210" in refusal.detail  # what is seen: 73 / 60.325


def test_two_per_cent_of_taper_is_no_other_size():
    assert isinstance(judged(Scene(), collar_od=73.0 * 1.02), Pose)


def test_a_tolerance_of_the_catalog_widens_what_passes():
    assert isinstance(judged(Scene(), collar_od=73.0 * 1.12), Refusal)
    assert isinstance(judged(Scene(), collar_od=73.0 * 1.12, collar_od_tolerance=5.0), Pose)


@pytest.mark.parametrize("tilt_deg", [-50, 50])
def test_too_oblique(tilt_deg):
    refusal = judged(Scene(tilt_deg=tilt_deg))
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "too-oblique"


def test_too_far():
    refusal = judged(Scene(distance_mm=1400))
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "too-far"
    assert refusal.detail.endswith("px per mm")


def test_a_collar_that_points_elsewhere_is_another_thing():
    straight, turned = Scene(tilt_deg=0), Scene(tilt_deg=0, roll_deg=6)
    pipe = scenes.limbs(straight, np.random.default_rng(0)).pipe
    other = scenes.limbs(turned, np.random.default_rng(0)).collar
    pose = solve_pose(Limbs(pipe, other), straight.known, straight.catalog, scenes.mouth_px(straight),
                      scenes.axis_px(straight))
    assert isinstance(pose, Pose)
    refusal = trusted(pose, straight.catalog)
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "edges-not-found"
    assert "6 degrees apart" in refusal.detail


def test_what_can_not_be_measured_from_is_still_solved():
    """The mouth may yet turn the axis upright: only `trusted` refuses, after that."""
    for scene in (Scene(tilt_deg=50), Scene(distance_mm=1400)):
        assert isinstance(solved(scene), Pose)
    pose = solved(Scene())
    assert trusted(pose, Scene().catalog) is pose


def test_limbs_turned_inside_out_are_refused_not_measured():
    scene = Scene()
    limbs = scenes.limbs(scene, np.random.default_rng(0))
    inside_out = Limbs(tuple(replace(limb, line=-limb.line) for limb in limbs.pipe), limbs.collar)
    crossed = Limbs((limbs.pipe[0], replace(limbs.pipe[1], line=limbs.pipe[0].line)), None)
    for wrong in (inside_out, crossed):
        refusal = solve_pose(wrong, scene.known, scene.catalog, scenes.mouth_px(scene), scenes.axis_px(scene))
        assert isinstance(refusal, Refusal)
        assert refusal.reason == "edges-not-found"


def test_without_a_collar_the_pose_stands_on_the_pipe_alone():
    scene = Scene()
    limbs = replace(scenes.limbs(scene, np.random.default_rng(0)), collar=None)
    pose = solve_pose(limbs, scene.known, scene.catalog, scenes.mouth_px(scene), scenes.axis_px(scene))
    assert isinstance(pose, Pose)
    assert pose.collar is None
    assert distance_ratio(pose) is None


def test_a_mouth_pixel_beside_the_pipe_is_taken_to_the_axis():
    scene = Scene(tilt_deg=0)
    limbs = scenes.limbs(scene, np.random.default_rng(0))
    beside = scenes.mouth_px(scene) + np.array([0.0, 190.0])
    pose = solve_pose(limbs, scene.known, scene.catalog, beside, scenes.axis_px(scene))
    assert isinstance(pose, Pose)
    assert pose.mouth_mm == pytest.approx(scene.mouth_mm, abs=0.5)
