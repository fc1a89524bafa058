"""The pipe's sides on the straightened picture: told where they are, found there, doubted where they aren't."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from calibration.camera import Camera
from tests import scene as scenes
from tests.scene import Paint, Scene
from vision import geometry
from vision.gauge import ALONE_U, ERRS, SIGMAS, USUAL_U, WIDER, faced, facing, gauge, lane_mm, moved, scaled, widened
from vision.lanes import straighten
from vision.pose import solve_pose
from vision.records import Floats, Gauge, Limbs, Photo, Pose, Refusal, Survey
from vision.square import borne_out
from vision.survey import survey

LENS = Camera(1000.0, (671.5, 503.5))
SCENE = Scene(size_px=(1344, 1008), camera=LENS, roll_deg=35, tilt_deg=12)
COLLAR_MM = SCENE.fitting.collar_od_mm / 2
NOWHERE = Survey(0.0, 1.0)


@pytest.fixture(scope="module")
def photo() -> Photo:
    return Photo(scenes.draw(SCENE, Paint(ground=(235, 230, 215), noise=3.0))[0], SCENE.known)


@pytest.fixture
def limbs() -> Limbs:
    return scenes.limbs(SCENE, np.random.default_rng(4))


def posed(limbs: Limbs) -> Pose:
    pose = solve_pose(limbs, LENS, SCENE.fitting, scenes.mouth_px(SCENE), scenes.axis_px(SCENE))
    assert isinstance(pose, Pose)
    return pose


def misread(limbs: Limbs, index: int, share: float) -> Limbs:
    """One side taken further out by a share of the half width."""
    pose = scenes.pose(SCENE)
    limb = limbs.pipe[index]
    line = limb.line - np.array([0, 0, share * pose.pipe.radius_mm * pose.px_per_mm])
    pipe = list(limbs.pipe)
    pipe[index] = replace(limb, line=line)
    return replace(limbs, pipe=(pipe[0], pipe[1]))


def off_px(limbs: Limbs, like: Limbs) -> Floats:
    """How far each side lies from another's, at its middle."""
    return np.array([abs(other.centre_px @ limb.line[:2] + limb.line[2])
                     for limb, other in zip(limbs.pipe, like.pipe, strict=True)])


def test_of_a_right_pose_the_sides_are_where_they_should_be(photo, limbs):
    seen = survey(straighten(photo, posed(limbs), 0.0, COLLAR_MM))
    assert np.abs(seen.sides - [-1, 1]).max() < 0.02
    assert seen.u.max() < 2 * USUAL_U
    assert moved(photo, limbs, posed(limbs), seen) is None


@pytest.mark.parametrize("index", [0, 1])
@pytest.mark.parametrize("share", [-0.1, 0.08, 0.12])
def test_a_misread_side_is_told_and_found_anew(photo, limbs, index, share):
    wrong = misread(limbs, index, share)
    pose = posed(wrong)
    seen = survey(straighten(photo, pose, 0.0, COLLAR_MM))
    off = np.abs(seen.sides - [-1, 1])
    assert (off > SIGMAS * seen.u).sum() == 1, "one side is told to be elsewhere, the other not"
    better = moved(photo, wrong, pose, seen)
    assert better is not None
    assert off_px(wrong, limbs).max() > 5
    assert off_px(better, limbs).max() < 1.5
    assert better.collar is wrong.collar


def test_a_side_that_shows_no_edge_is_left_as_it_is(limbs):
    pose = posed(limbs)
    grey = Photo(np.full((1008, 1344, 3), 90, np.uint8), LENS)
    assert moved(grey, limbs, pose, Gauge(np.array([-1.2, 1.0]), np.array([0.01, 0.01]), NOWHERE)) is None
    outside = Gauge(np.array([-30.0, 1.0]), np.array([0.01, 0.01]), NOWHERE)
    assert moved(grey, limbs, pose, outside) is None, "its lane isn't in the photo"


def test_sides_are_as_uncertain_as_the_gauge_is_of_them(limbs):
    pose = scenes.pose(SCENE)
    half_px = pose.pipe.radius_mm * pose.px_per_mm

    def more_px(seen: Gauge) -> Floats:
        """What is added to each side's uncertainty, the first being the one at -1."""
        wider = widened(limbs, pose, seen, LENS)
        added = [math.sqrt(new.covariance[1, 1] - old.covariance[1, 1])
                 for new, old in zip(wider.pipe, limbs.pipe, strict=True)]
        middle, first = (geometry.project(lane_mm(pose.pipe, side, np.array([pose.mouth_mm])), LENS)[0]
                         for side in (0.0, -1.0))
        return np.array(added if limbs.pipe[0].line[:2] @ (first - middle) > 0 else added[::-1])

    sure = np.array([USUAL_U, USUAL_U])
    assert more_px(Gauge(np.array([-1.0, 1.0]), sure, NOWHERE)) == pytest.approx([0, 0], abs=1e-3)
    assert more_px(Gauge(np.array([-1.0, 1.03]), sure, NOWHERE)) == pytest.approx(
        [0, WIDER * math.sqrt(0.03**2 - (ERRS * USUAL_U) ** 2) * half_px], abs=1e-3)
    assert more_px(Gauge(np.array([-1.0, 1 + ERRS * USUAL_U]), sure, NOWHERE)) == pytest.approx([0, 0], abs=1e-3)
    doubt = Gauge(np.array([-1.0, 1.0]), np.array([0.05, USUAL_U]), NOWHERE)
    assert more_px(doubt) == pytest.approx([WIDER * half_px * math.sqrt(0.05**2 - USUAL_U**2), 0], rel=1e-6, abs=1e-3)


@pytest.mark.parametrize("beside_mm", [-3.0, 0.0, 7.0])
def test_the_mouth_is_looked_for_where_it_was_read(beside_mm):
    """The pixel that shows the place is met there again."""
    pose, sighting = scenes.pose(SCENE), scenes.sighting(SCENE)
    after = facing(sighting, pose, beside_mm, LENS)
    along, angle = geometry.meet_cylinder_px(after.mouth_px, pose.pipe, pose.pipe.radius_mm, LENS)
    assert float(along) == pytest.approx(pose.mouth_mm + beside_mm, abs=1e-6)
    assert float(angle) == pytest.approx(0, abs=1e-6)
    assert after.close is sighting.close


@pytest.mark.parametrize("tilt_deg", [-4, 12])
@pytest.mark.parametrize("off_mm", [-1.5, 0.0, 2.0])
def test_a_close_look_finds_a_drawn_cut_from_where_strip_and_gauge_see_it(tilt_deg, off_mm):
    """A collar that is as black as the ground is none: what is left is a pipe's end, and its face."""
    scene = replace(SCENE, tilt_deg=tilt_deg)
    black = Paint(ground=(0, 0, 0), collar=(0, 0, 0), pipe=(210, 170, 40), seam=(60, 60, 60), noise=3.0)
    bare, pose = Photo(scenes.draw(scene, black)[0], scene.known), scenes.pose(scene)
    seen = gauge(straighten(bare, pose, 0.0, COLLAR_MM))
    found = faced(bare, pose, replace(seen, mouth=replace(seen.mouth, mouth_mm=off_mm)), 0.0, COLLAR_MM)
    assert abs(found.mouth_mm) < 2 * found.u_mm
    assert found.u_mm < 1.0
    assert found.ink is None


def test_a_lane_at_one_is_the_silhouette():
    """A published fact of projective geometry: a cylinder's contour is the image of the planes through the lens that
    touch it (any text on multiple view geometry; from memory)."""
    pose = scenes.pose(SCENE)
    lines = geometry.limb_lines(pose.pipe.point_mm, pose.pipe.direction, pose.pipe.radius_mm,
                                geometry.camera_matrix(LENS))
    for side in (-1.0, 1.0):
        points = geometry.project(lane_mm(pose.pipe, side, np.array([-5.0, 40.0])), LENS)
        apart = np.abs(points @ lines[:, :2].T + lines[:, 2]) / np.linalg.norm(lines[:, :2], axis=1)
        assert apart.max(0).min() < 1e-6


RIGHT = Gauge(np.array([-1.0, 1.0]), np.array([USUAL_U, USUAL_U]), NOWHERE)


def leaning(pose: Pose, tilt_deg: float) -> Pose:
    """The pose with its axis turned away from the lens."""
    _, u, _ = geometry.frame(pose.pipe.point_mm, pose.pipe.direction)
    direction = geometry.unit(pose.pipe.direction + math.tan(math.radians(tilt_deg)) * u)
    return replace(pose, pipe=replace(pose.pipe, direction=direction))


def test_sides_that_the_cut_contradicts_are_not_believed():
    """Known sides are hardly turned: where they are, something in front of one of them has passed for it."""
    after = scenes.pose(SCENE)
    assert borne_out(leaning(after, 1.5), after, RIGHT, closely=True) is after
    refusal = borne_out(leaning(after, 3), after, RIGHT, closely=True)
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "edges-not-found"
    assert "3 degrees" in refusal.detail


def test_a_bare_pipe_with_a_side_that_is_not_known_has_no_scale():
    pose = scenes.pose(SCENE)
    refusal = borne_out(pose, pose, RIGHT, closely=False)
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "edges-not-found"
    assert "looked at closely" in refusal.detail


@pytest.mark.parametrize("seen", [Gauge(np.array([-1.0, 1.2]), np.array([0.01, 0.01]), NOWHERE),
                                  Gauge(np.array([-1.0, 1.0]), np.array([0.2, 0.01]), NOWHERE)])
def test_sides_that_the_gauge_doubts_tell_no_scale(seen):
    pose = scenes.pose(SCENE)
    refusal = borne_out(pose, pose, seen, closely=True)
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "edges-not-found"
    assert "10 % of its width" in refusal.detail


@pytest.mark.parametrize(("collared", "u", "believed"), [
    (False, ALONE_U + 0.001, False), (False, ALONE_U - 0.001, True), (True, 5 * ALONE_U, True)])
def test_a_pipe_that_no_collar_bears_out_has_to_be_seen_surely(limbs, collared, u, believed):
    """The edge of a stripe along the pipe can pass for its side: of two diameters one contradicts that."""
    kept = limbs if collared else replace(limbs, collar=None)
    said = scaled(kept, Gauge(np.array([-1.0, 1.0]), np.array([0.01, u]), NOWHERE))
    if believed:
        assert said is kept
    else:
        assert isinstance(said, Refusal)
        assert said.reason == "edges-not-found"
