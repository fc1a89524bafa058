"""A pipe's side looked at closely: laid out where geometry says, told where it is, left alone where it isn't known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.camera import Camera
from tests import scene as scenes
from tests.scene import Paint, Scene
from vision import edges, geometry, networks
from vision.edges import (
    COLUMNS,
    ROWS,
    STEP,
    SURE,
    closer,
    far_off,
    level_with,
    look,
    reconciled,
    straightened,
)
from vision.lanes import SIGNS
from vision.pose import solve_pose
from vision.records import Floats, Limb, Limbs, Photo, Pose

LENS = Camera(1000.0, (671.5, 503.5))
BENT_LENS = Camera(1000.0, (671.5, 503.5), (-0.06, 0.0, 0.0, 0.0, 0.0))
SCENE = Scene(size_px=(1344, 1008), camera=LENS, roll_deg=35, tilt_deg=12)
COLLAR_MM = SCENE.fitting.collar_od_mm / 2
PAINT = Paint(ground=(235, 230, 215), noise=3.0)


def photo_of(scene: Scene) -> Photo:
    return Photo(scenes.draw(scene, PAINT)[0], scene.known)


def limbs_of(scene: Scene) -> Limbs:
    return scenes.limbs(scene, np.random.default_rng(4))


def posed(limbs: Limbs, scene: Scene) -> Pose:
    pose = solve_pose(limbs, scene.known, scene.fitting, scenes.mouth_px(scene), scenes.axis_px(scene))
    assert isinstance(pose, Pose)
    return pose


def misread(limbs: Limbs, index: int, share: float, scene: Scene) -> Limbs:
    """One side taken further out by a share of the half width."""
    pose, limb = scenes.pose(scene), limbs.pipe[index]
    out_px = share * pose.pipe.radius_mm * pose.px_per_mm
    pipe = list(limbs.pipe)
    pipe[index] = replace(limb, line=limb.line - np.array([0, 0, out_px]),
                          centre_px=limb.centre_px + out_px * limb.line[:2])
    return replace(limbs, pipe=(pipe[0], pipe[1]))


def off_px(limbs: Limbs, scene: Scene) -> Floats:
    """How far each side lies from the true silhouette, px, along what was looked at; by published geometry alone."""
    pose = scenes.pose(scene)
    lines = geometry.limb_lines(pose.pipe.point_mm, pose.pipe.direction, pose.pipe.radius_mm,
                                geometry.camera_matrix(scene.known))
    apart = [[np.abs(limb.points_px @ line[:2] + line[2]).max() / np.linalg.norm(line[:2]) for line in lines]
             for limb in limbs.pipe]
    return np.min(apart, axis=1)


@pytest.mark.parametrize("sign", SIGNS)
def test_a_side_is_laid_out_where_its_lane_is(sign):
    """Inside above, ground below, and the silhouette half way down where the pose is right."""
    picture = straightened(photo_of(SCENE), scenes.pose(SCENE), sign)
    assert picture.shape == (ROWS, COLUMNS, 3)
    change = np.abs(np.diff(picture.astype(float), axis=0)).sum(-1)
    assert np.median(change.argmax(0)) == pytest.approx(ROWS / 2 - 0.5, abs=1.5)
    assert picture[-1].mean() > picture[0].mean() + 50, "the light ground lies outside"


@pytest.mark.parametrize("sign", SIGNS)
@pytest.mark.parametrize("share", [-0.06, 0.0, 0.04])
def test_a_drawn_side_is_told_wherever_it_was_thought_to_be(sign, share):
    """Drawn joints are nothing that the edger learnt from."""
    right = scenes.pose(SCENE)
    wide = replace(right.pipe, point_mm=right.pipe.point_mm / (1 + share))  # nearer by so much: all lanes further out
    seen = look(photo_of(SCENE), replace(right, pipe=wide, mouth_mm=right.mouth_mm / (1 + share)), sign)
    assert seen.at == pytest.approx(1 / (1 + share), abs=0.005)
    assert seen.u.max() < SURE


@pytest.mark.parametrize("camera", [LENS, BENT_LENS], ids=["straight", "distorted"])
@pytest.mark.parametrize(("index", "share"), [(0, 0.05), (1, -0.04), (0, 0.0)])
def test_a_misread_side_comes_back_to_the_silhouette(camera, index, share):
    scene = replace(SCENE, camera=camera)
    wrong = misread(limbs_of(scene), index, share, scene)
    better = wrong
    for _ in range(2):
        better = closer(photo_of(scene), better, posed(better, scene))
    half_px = scenes.pose(scene).pipe.radius_mm * scenes.pose(scene).px_per_mm
    assert off_px(better, scene).max() < 0.006 * half_px
    assert [limb.closely for limb in better.pipe] == [True, True]
    assert all(first.line[:2] @ second.line[:2] > 0.99
               for first, second in zip(better.pipe, wrong.pipe, strict=True)), "each on its own side"


@pytest.mark.parametrize(("index", "share"), [(0, 0.04), (1, -0.03)])
def test_a_collars_sides_are_told_too(index, share):
    """By the catalog's diameter about the pipe's axis, which drawn joints share with their collar."""
    limbs, pose = limbs_of(SCENE), scenes.pose(SCENE)
    assert limbs.collar is not None
    half_px = COLLAR_MM * pose.px_per_mm
    moved = list(limbs.collar)
    moved[index] = replace(moved[index], line=moved[index].line - np.array([0, 0, share * half_px]))
    better = reconciled(photo_of(SCENE), replace(limbs, collar=(moved[0], moved[1])), pose, COLLAR_MM).collar
    assert better is not None
    assert [limb.closely for limb in better] == [True, True]
    for limb, line in zip(better, _collar_lines(limbs.collar), strict=True):
        assert np.abs(limb.points_px @ line[:2] + line[2]).max() < 0.012 * half_px


def _collar_lines(like: tuple[Limb, Limb]) -> list[Floats]:
    """The true silhouettes of the collar, in the order of these limbs."""
    pipe = scenes.pose(SCENE).pipe
    lines = geometry.limb_lines(pipe.point_mm, pipe.direction, COLLAR_MM, geometry.camera_matrix(LENS))
    lines = lines / np.linalg.norm(lines[:, :2], axis=1)[:, None]
    return [max(lines, key=lambda line: float(line[:2] @ limb.line[:2])) for limb in like]


def test_a_collar_that_is_not_known_contradicts_no_pipe_that_is():
    """Of a grey picture nothing is known: there a collar stays only beside a pipe that isn't known either."""
    grey, limbs, pose = Photo(np.full((1008, 1344, 3), 90, np.uint8), LENS), limbs_of(SCENE), scenes.pose(SCENE)
    first, second = (replace(limb, closely=True) for limb in limbs.pipe)
    told = replace(limbs, pipe=(first, second))
    assert reconciled(grey, told, pose, COLLAR_MM) == replace(told, collar=None)
    doubtful = replace(limbs, pipe=(first, limbs.pipe[1]))
    assert reconciled(grey, doubtful, pose, COLLAR_MM) == doubtful, "then the collar may still be right"
    bare = replace(told, collar=None)
    assert reconciled(grey, bare, pose, COLLAR_MM) is bare


def test_a_pipe_so_near_that_the_lens_were_in_its_collar_is_left_as_it_is():
    """Such a pipe was misread; where its collar's sides would be seen from within, nothing can be looked at."""
    limbs, pose = limbs_of(SCENE), scenes.pose(SCENE)
    near = replace(pose, pipe=replace(pose.pipe, point_mm=pose.pipe.point_mm * 0.9 * COLLAR_MM
                                      / np.linalg.norm(pose.pipe.point_mm)))
    assert reconciled(photo_of(SCENE), limbs, near, COLLAR_MM) is limbs


def test_another_start_is_level_with_the_finders_mask():
    limbs, sighting = misread(limbs_of(SCENE), 0, 0.3, SCENE), scenes.sighting(SCENE)
    level = level_with(sighting, limbs, LENS)
    for limb, old in zip(level.pipe, limbs.pipe, strict=True):
        assert limb.line[:2] @ sighting.axis_px == pytest.approx(0, abs=1e-9)
        assert limb.line[:2] @ old.line[:2] > 0.9
        assert sighting.mouth_px @ limb.line[:2] + limb.line[2] == pytest.approx(-sighting.pipe_width_px / 2)


def test_far_off_is_what_made_the_look_askew():
    limbs, pose = limbs_of(SCENE), scenes.pose(SCENE)
    assert not far_off(limbs, misread(limbs, 0, 0.9 * edges.AGAIN, SCENE), pose)
    assert far_off(limbs, misread(limbs, 1, 1.1 * edges.AGAIN, SCENE), pose)


def test_sides_are_known_as_well_as_they_are_seen(monkeypatch):
    """The line's offset is as uncertain as its two places; where nothing is in doubt, by what the edger errs."""
    def seen(u: float) -> None:
        monkeypatch.setattr(edges, "look", lambda *_: edges.Seen(np.ones(2), np.array([u, u])))

    limbs, pose, photo = limbs_of(SCENE), scenes.pose(SCENE), photo_of(SCENE)
    half_px = pose.pipe.radius_mm * pose.px_per_mm
    errs = edges.PIPE.errs
    for u, told in ((edges.USUAL, errs), (0.01, np.hypot(errs, np.sqrt(0.01**2 - edges.USUAL**2)))):
        seen(u)
        for limb in closer(photo, limbs, pose).pipe:
            assert np.sqrt(limb.covariance[1, 1]) == pytest.approx(told * half_px, rel=1e-9)
    seen(SURE)
    assert closer(photo, limbs, pose) == limbs, "what isn't sure changes nothing"


def test_of_nothing_it_is_unsure():
    grey = Photo(np.full((1008, 1344, 3), 90, np.uint8), LENS)
    pose = scenes.pose(SCENE)
    for sign in SIGNS:
        assert look(grey, pose, sign).u.max() > SURE


def test_a_row_is_a_step_of_the_half_width():
    """A picture whose lower part alone is ground: the side lies where it begins, to a part of a row."""
    y = np.arange(ROWS)[:, None, None]
    for row in (30, 48, 70):
        shade = 190 - 90 * np.clip(y / row, 0, 1) ** 4
        picture = np.where(y < row, shade, 60 + 0 * y).repeat(COLUMNS, 1).repeat(3, 2).astype(np.uint8)
        near, far = networks.edge(picture)
        for share in (near, far):
            assert share.shape == (ROWS,)
            assert share.sum() == pytest.approx(1, abs=1e-5)
            assert share @ np.arange(ROWS) == pytest.approx(row - 0.5, abs=1.5)
    assert STEP * ROWS > 0.5, "sides up to a quarter of the half width off are still on the picture"
