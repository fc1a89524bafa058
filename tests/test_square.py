"""The mouth turns a crooked axis back: by known angles, weighed against what the silhouettes know."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.camera import Camera
from tests import scene as scenes
from tests.scene import Paint, Scene
from vision import geometry
from vision.mouth import Border
from vision.pipeline import MOST_TURNS
from vision.propagation import NormalGroup
from vision.records import Floats, Limbs, Photo, Pose
from vision.redraw import Redraw
from vision.square import Turn, settle, square, told_by_mouth, turn_of, turned
from vision.unwrap import HALF_ARC_DEG, ROWS, unwrap

ANGLES = np.radians(np.linspace(-HALF_ARC_DEG, HALF_ARC_DEG, ROWS))
LENS = Camera(1000.0, (671.5, 503.5))
SCENE = Scene(size_px=(1344, 1008), camera=LENS, tilt_deg=12, roll_deg=35)
UNSURE = np.diag([math.radians(10) ** 2, math.radians(5) ** 2, 1.0, 1.0])


def crooked(scene: Scene, roll_deg: float, tilt_deg: float, covariance: Floats = UNSURE) -> Pose:
    """The true pose with its axis turned about the mouth: in the picture, and away from the lens."""
    true = scenes.pose(scene)
    middle = true.pipe.point_mm + true.mouth_mm * true.pipe.direction
    _, u, v = geometry.frame(true.pipe.point_mm, true.pipe.direction)
    spin = cv2.Rodrigues(math.radians(roll_deg) * u)[0] @ cv2.Rodrigues(math.radians(tilt_deg) * v)[0]
    direction = spin @ true.pipe.direction
    mouth = float(middle @ direction)
    pipe = replace(true.pipe, point_mm=middle - mouth * direction, direction=direction, covariance=covariance)
    tilt = math.degrees(math.atan2(-mouth, float(np.linalg.norm(pipe.point_mm))))
    return replace(true, pipe=pipe, mouth_mm=mouth, tilt_deg=tilt)


def seen_mouth(scene: Scene, pose: Pose, noise_mm: float = 0.0) -> Border:
    """The true seam where it falls on the strip of another pose."""
    axis = scene.pipe
    table = np.radians(np.linspace(-80, 80, 321))
    seam = geometry.surface(axis.point_mm, axis.direction, axis.radius_mm, scenes.seam(scene, table), table)
    along, angle = geometry.meet(geometry.unit(seam), pose.pipe.point_mm, pose.pipe.direction, axis.radius_mm)
    good = np.isfinite(along)
    order = np.argsort(angle[good])
    at = np.interp(ANGLES, angle[good][order], along[good][order]) - pose.mouth_mm
    at = at + noise_mm * np.random.default_rng(0).standard_normal(ROWS)
    return Border(at, np.zeros(ROWS), at, np.ones(ROWS, bool))


def off_deg(scene: Scene, pose: Pose) -> float:
    return math.degrees(math.acos(min(1.0, float(scene.pipe.direction @ pose.pipe.direction))))


def limbs_of(scene: Scene) -> Limbs:
    return scenes.limbs(scene, np.random.default_rng(0))


@pytest.mark.parametrize(("roll_deg", "tilt_deg"), [(4, 0), (-4, 0), (0, 8), (0, -8), (3, 6), (-3, -6)])
@pytest.mark.parametrize("view_deg", [15, 5])
def test_a_turned_pose_is_turned_back(roll_deg, tilt_deg, view_deg):
    scene = replace(SCENE, tilt_deg=view_deg)
    pose = crooked(scene, roll_deg, tilt_deg)
    for _ in range(3):  # the pipeline lays the strip out anew after each turn
        turn = turn_of(seen_mouth(scene, pose), ANGLES, pose)
        _, better = turned(limbs_of(scene), pose, turn, LENS)
        pose = replace(better, pipe=replace(better.pipe, covariance=UNSURE))
    assert off_deg(scene, pose) < 0.15
    middle = scene.pipe.point_mm + scene.mouth_mm * scene.pipe.direction - pose.pipe.point_mm
    assert np.linalg.norm(middle - middle @ pose.pipe.direction * pose.pipe.direction) < 0.5


@pytest.mark.parametrize("tilt_deg", [-14, 14])
def test_what_was_seen_of_the_mouth_is_seen_there_still(tilt_deg):
    """Laid about the mouth's unseen middle a strip would show it a sixth of the radius off for ten degrees."""
    pose = crooked(SCENE, 2, tilt_deg)
    _, after = turned(limbs_of(SCENE), pose, Turn(math.radians(-2), math.radians(-tilt_deg), 0.01), LENS)
    before_px, after_px = (geometry.cylinder_px(each.pipe, np.array([each.mouth_mm]), np.zeros(1), LENS)[0, 0]
                           for each in (pose, after))
    assert np.linalg.norm(after_px - before_px) < 3.0  # about the middle it would be more than twenty


def test_a_mouth_that_is_square_asks_for_nothing():
    pose = scenes.pose(SCENE)
    turn = turn_of(seen_mouth(SCENE, pose, noise_mm=0.05), ANGLES, pose)
    assert not turn.matters
    assert math.hypot(turn.roll_rad, turn.tilt_rad) < math.radians(0.2)


def test_a_mouth_tells_a_tilt_that_silhouettes_hardly_know_also_where_it_asks_for_no_turn():
    """Sides and a tapered collar leave the tilt open to ten degrees, and it is right: the mouth knows it to one."""
    pose = crooked(SCENE, 0.0, 0.0)
    turn = turn_of(seen_mouth(SCENE, pose, noise_mm=0.05), ANGLES, pose)
    assert math.hypot(turn.roll_rad, turn.tilt_rad) < math.radians(0.3)
    assert turn.matters
    _, after = turned(limbs_of(SCENE), pose, turn, LENS)
    assert math.sqrt(after.pipe.covariance[0, 0]) < math.radians(1.2)
    assert not turn_of(seen_mouth(SCENE, after, noise_mm=0.05), ANGLES, after).matters


def test_silhouettes_that_are_sure_hold_against_a_mouth_that_is_a_little_off():
    """A degree is within what a mouth is cut askew by and a pipe bends: the sharper knowledge weighs more."""
    sure = np.diag([1e-8, 1e-8, 1.0, 1.0])
    firm, loose = (turn_of(seen_mouth(SCENE, pose), ANGLES, pose)
                   for pose in (crooked(SCENE, 1.0, 0.0, sure), crooked(SCENE, 1.0, 0.0)))
    assert abs(loose.roll_rad) == pytest.approx(math.radians(1), rel=0.1)
    assert 0.5 < firm.roll_rad / loose.roll_rad < 0.85
    assert firm.left_rad < loose.left_rad


def test_limbs_follow_the_axis_that_was_turned():
    limbs = limbs_of(SCENE)
    after, pose = turned(limbs, scenes.pose(SCENE), Turn(math.radians(2), math.radians(5), 0.01), LENS)
    lines = geometry.limb_lines(pose.pipe.point_mm, pose.pipe.direction, pose.pipe.radius_mm,
                                geometry.camera_matrix(LENS))
    for limb, old in zip(after.pipe, limbs.pipe, strict=True):
        assert min(np.abs(limb.line - line).max() for line in lines) < 1e-9
        assert limb.line[:2] @ old.line[:2] > 0.9
    assert after.collar is limbs.collar


def test_settling_draws_a_wild_tilt_towards_square_and_leaves_a_known_one():
    loose = np.diag([math.radians(30) ** 2, 1e-4, 1.0, 1.0])
    pose = crooked(SCENE, 0, -30, loose)
    assert abs(pose.tilt_deg) > 15
    settled = settle(limbs_of(SCENE), pose, LENS)
    assert settled is not None
    assert abs(settled[1].tilt_deg) < 0.5 * abs(pose.tilt_deg)
    assert settle(limbs_of(SCENE), scenes.pose(SCENE), LENS) is None


def test_a_drawn_joint_is_squared_by_the_shipped_reader():
    pixels, _ = scenes.draw(SCENE, Paint())
    photo = Photo(pixels, LENS)
    true, pose = scenes.pose(SCENE), crooked(SCENE, 3.5, 0.0)
    look = scenes.sighting(SCENE).close
    better = square(unwrap(photo, pose), limbs_of(SCENE), pose, LENS, SCENE.fitting, look)
    assert better is not None
    assert off_deg(SCENE, better[1]) < 1.8 < off_deg(SCENE, pose)
    assert square(unwrap(photo, true), limbs_of(SCENE), true, LENS, SCENE.fitting, look) is None


def test_a_mouth_in_sight_tells_the_tilt_wherever_the_axis_of_the_lens_goes():
    """Its centre unknown to 4 % of the focal length leaves the sides' tilt open by two degrees; the mouth, by one."""
    lens = replace(LENS, u_centre_px=40.0)
    pixels, _ = scenes.draw(SCENE, Paint())
    photo, pose = Photo(pixels, lens), crooked(SCENE, 0.0, 1.0, np.diag([math.radians(2) ** 2, 1e-6, 1.0, 1.0]))
    limbs, after = told_by_mouth(unwrap(photo, pose), limbs_of(SCENE), pose, lens, SCENE.fitting)
    assert after.by_mouth
    assert not pose.by_mouth
    assert off_deg(SCENE, after) < 0.6 < off_deg(SCENE, pose)
    assert math.degrees(math.sqrt(after.pipe.covariance[0, 0])) < 1.2
    spread = {item.name: item for item in Redraw.of(limbs, after, lens).inputs(SCENE.fitting)}["principal point"]
    assert isinstance(spread, NormalGroup)
    assert not spread.matrix.any()
    dark = Photo(np.zeros_like(pixels), lens)
    assert told_by_mouth(unwrap(dark, pose), limbs_of(SCENE), pose, lens, SCENE.fitting)[1] is pose


@pytest.mark.parametrize("tilt_deg", [-35, -20, 20, 35])
def test_where_the_strip_shows_no_mouth_the_finders_border_squares_it(tilt_deg):
    """Nothing is read on a black photo; the finder is said to have seen the joint all the same."""
    dark = Photo(np.zeros((1008, 1344, 3), np.uint8), LENS)
    loose = np.diag([math.radians(30) ** 2, 1e-4, 1.0, 1.0])
    pose, look = crooked(SCENE, 0.0, tilt_deg, loose), scenes.sighting(SCENE).close
    assert off_deg(SCENE, pose) > 15
    limbs, after, turns = limbs_of(SCENE), pose, 0
    while better := square(unwrap(dark, after), limbs, after, LENS, SCENE.fitting, look):
        limbs, after = better
        turns += 1
    assert 1 <= turns <= MOST_TURNS
    assert off_deg(SCENE, after) < 3
    true = scenes.pose(SCENE)
    assert square(unwrap(dark, true), limbs_of(SCENE), true, LENS, SCENE.fitting, look) is None
    blind = replace(look, classes=np.zeros_like(look.classes))
    assert square(unwrap(dark, pose), limbs_of(SCENE), pose, LENS, SCENE.fitting, blind) is None


def test_no_turn_brings_the_lens_into_the_pipe():
    """A mouth misread by so much asks for one; until it was refused, its sides were no numbers."""
    pose = scenes.pose(SCENE)
    middle = pose.pipe.point_mm + pose.mouth_mm * pose.pipe.direction
    away = math.atan2(float(np.linalg.norm(pose.pipe.point_mm)), pose.mouth_mm)  # then the axis runs through the lens
    towards_lens = Turn(0.0, away, 0.01)
    assert float(np.linalg.norm(middle)) > pose.pipe.radius_mm
    assert turned(limbs_of(SCENE), pose, towards_lens, LENS) is None
