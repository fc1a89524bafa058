"""The joint straightened: drawn joints lie where geometry says, and the surveyor finds their mouth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.camera import Camera
from tests import scene as scenes
from tests.scene import Paint, Scene
from vision import geometry, looks
from vision.lanes import CLOSE, COLUMNS, ROWS, WHOLE, WIDEST, straighten, straightened
from vision.networks import FINDER_CLASSES
from vision.records import Edge, Gap, Look, Photo, Refusal, Survey
from vision.resample import FIRST_MM, STEP_MM
from vision.survey import (
    APART_MM,
    FAR_MM,
    LEAST_ASKED_MM,
    SURE_U_MM,
    asked_from,
    closely,
    confirmed,
    mouth_near,
    survey,
)
from vision.unwrap import unwrap

LENS = Camera(1000.0, (671.5, 503.5))
SCENE = Scene(size_px=(1344, 1008), camera=LENS, roll_deg=35)
PAINT = Paint(ground=(235, 230, 215), noise=3.0)
COLLAR_MM = 36.5
MOUTH = round(-FIRST_MM / STEP_MM)  # its column where the guess is right


def photo_of(scene: Scene, paint: Paint = PAINT) -> Photo:
    return Photo(scenes.draw(scene, paint)[0], scene.known)


def changes(row: np.ndarray) -> np.ndarray:
    """How much the colour changes from column to column."""
    return np.abs(np.diff(row.astype(float), axis=0)).sum(-1)


@pytest.mark.parametrize("tilt_deg", [12, 20])
@pytest.mark.parametrize("middle_mm", [-1.5, 0.0, 2.0])
def test_the_seam_is_upright_at_the_mouth_on_the_pipes_own_picture(tilt_deg, middle_mm):
    scene = replace(SCENE, tilt_deg=tilt_deg)
    pose = scenes.pose(scene)
    picture = straightened(photo_of(scene), pose, middle_mm, (pose.pipe.radius_mm, COLLAR_MM))
    assert picture.shape == (ROWS, COLUMNS, 6)
    wanted = MOUTH - middle_mm / STEP_MM
    rows = picture[ROWS // 2 - 20:ROWS // 2 + 21, :, :3]
    first = round(wanted) - 8  # what changes before it is the end face's outer edge
    places = [first + changes(row)[first:first + 16].argmax() + 0.5 for row in rows]
    assert np.median(places) == pytest.approx(wanted, abs=3)
    assert np.ptp(np.quantile(places, [0.1, 0.9])) < 4, "the mouth is one upright line"


def test_the_pipes_sides_lie_where_their_lanes_do():
    pose = scenes.pose(SCENE)
    column = straightened(photo_of(SCENE), pose, 0.0, (pose.pipe.radius_mm,))[:, -20]
    side = round(ROWS / 2 * (1 + 1 / WIDEST))
    assert abs(ROWS // 2 + changes(column)[ROWS // 2:].argmax() - side) <= 2


def test_what_lies_past_the_photos_border_is_black():
    scene = replace(SCENE, mouth_at_px=(671.5, 1000.0))
    white = Photo(np.full((1008, 1344, 3), 255, np.uint8), LENS)
    pose = scenes.pose(scene)
    picture = straightened(white, pose, 0.0, (pose.pipe.radius_mm, COLLAR_MM))
    assert set(np.unique(picture)) >= {0, 255}
    assert (picture == 0).mean() > 0.1


@pytest.mark.parametrize("tilt_deg", [-15, -4, 4, 15])
@pytest.mark.parametrize("guess_mm", [-1.0, 0.0, 1.3])
def test_a_drawn_mouth_is_found_wherever_it_was_guessed(tilt_deg, guess_mm):
    """Drawn joints are nothing that the surveyor learnt from: it may be off, not by more than it says."""
    scene = replace(SCENE, tilt_deg=tilt_deg)
    pose = scenes.pose(scene)
    guessed = replace(pose, mouth_mm=pose.mouth_mm + guess_mm)
    photo = photo_of(scene)
    found = survey(straighten(photo, guessed, mouth_near(unwrap(photo, guessed)), COLLAR_MM)).mouth
    assert abs(found.mouth_mm + guess_mm) < 2 * found.u_mm + 0.5
    assert found.u_mm < 1.0


@pytest.mark.parametrize("tilt_deg", [-4, 12])
@pytest.mark.parametrize("off_mm", [-1.5, 0.0, 2.0])
def test_a_close_look_finds_a_drawn_mouth_from_where_strip_and_survey_see_it(tilt_deg, off_mm):
    """It is laid half way between the two, so either may be off."""
    scene = replace(SCENE, tilt_deg=tilt_deg)
    pose, photo = scenes.pose(scene), photo_of(scene)
    lanes = straighten(photo, pose, mouth_near(unwrap(photo, pose)), COLLAR_MM)
    surveyed = replace(survey(lanes).mouth, mouth_mm=off_mm)
    found = closely(photo, pose, surveyed, lanes, COLLAR_MM)
    assert abs(found.mouth_mm) < 2 * found.u_mm + 0.3
    assert found.u_mm < 0.6
    assert found.ink is surveyed.ink
    assert found.ink_closely is not None
    assert found.ink_closely.at_mm == pytest.approx((lanes.middle_mm + off_mm) / 2 + CLOSE.along_mm)


def test_a_close_look_is_twice_as_fine_as_the_whole():
    pose, photo = scenes.pose(SCENE), photo_of(SCENE)
    whole, close = (straightened(photo, pose, 0.5, (pose.pipe.radius_mm,), places) for places in (WHOLE, CLOSE))
    assert close.shape == (ROWS, CLOSE.count, 3)
    from_ = round((CLOSE.first_mm - WHOLE.first_mm) / WHOLE.step_mm)
    coarse = whole[:, from_:from_ + CLOSE.count // 2].astype(float)
    assert np.abs(close[:, ::2].astype(float) - coarse).mean() < 4


def test_of_nothing_it_is_unsure():
    pose = scenes.pose(SCENE)
    grey = Photo(np.full((1008, 1344, 3), 90, np.uint8), LENS)
    assert survey(straighten(grey, pose, mouth_near(unwrap(grey, pose)), COLLAR_MM)).mouth.u_mm > 1.0


def gap_of(value_mm: float, mouth_mm: float = 0.3) -> Gap:
    rows, at_px = np.linspace(-1, 1, 5), np.zeros((5, 2))
    mouth, near = (Edge(rows, np.full(5, at), at_px, 0.1, 0.1) for at in (mouth_mm, mouth_mm + value_mm))
    return Gap(value_mm, value_mm, value_mm, mouth, near, 2.0, 0.0, 0.0, 120.0, 0.9, False)


def look_of(kind: str, until_mm: float) -> Look:
    """A close look that has this before a place along the pipe, and pipe beyond."""
    pose, to_photo = scenes.pose(SCENE), looks.whole(SCENE.size_px)
    y, x = np.mgrid[:480, :640]
    pixels = np.stack([x.ravel(), y.ravel(), np.ones(x.size)], -1) @ to_photo.T
    along, _ = geometry.meet_cylinder_px(pixels, pose.pipe, pose.pipe.radius_mm, LENS)
    before = np.nan_to_num(along - pose.mouth_mm, nan=99.0).reshape(x.shape) < until_mm
    classes = np.where(before, FINDER_CLASSES.index(kind), FINDER_CLASSES.index("pipe")).astype(np.uint8)
    return Look(classes, np.zeros((6, 480, 640), np.float32), to_photo)


def asked(gap: Gap, look: Look) -> float | None:
    return asked_from(gap, scenes.pose(SCENE), look, LENS)


def test_small_gaps_are_not_asked_about_again():
    collar = look_of("collar", 99)
    assert [asked(gap_of(value), collar) for value in (0.0, LEAST_ASKED_MM - 0.1)] == [None] * 2
    assert asked(gap_of(6.0), collar) == pytest.approx(6.3)


def test_a_far_gap_is_asked_about_again_whatever_the_finder_says():
    assert asked(gap_of(FAR_MM + 10), look_of("pipe", 99)) == pytest.approx(FAR_MM + 10.3)


@pytest.mark.parametrize(("before_the_line_mm", "agrees"), [(0.0, True), (APART_MM / 2, True), (5.0, False)])
def test_the_far_line_itself_contradicts_no_gap_but_a_mouth_before_it_does(before_the_line_mm, agrees):
    gap = gap_of(30.0)  # the line lies at 30.3
    said = confirmed(gap, Survey(30.3 - before_the_line_mm, 0.2))
    assert (said is gap) == agrees


def test_where_the_finder_sees_pipe_before_the_mark_it_is_not_asked_again():
    gap = gap_of(8.0)  # from 0.3 mm on
    assert asked(gap, look_of("pipe", 99)) is None
    assert asked(gap, look_of("collar", 2.5)) is None
    assert asked(gap, look_of("collar", 6.5)) == pytest.approx(8.3)


@pytest.mark.parametrize(("again", "agrees"), [
    (Survey(0.4, 0.2), True), (Survey(6.0, 2 * SURE_U_MM), True), (Survey(6.0, 0.2), False),
    (Survey(-2.0, 0.2), False)])
def test_a_mouth_that_is_surely_elsewhere_refuses_the_gap(again, agrees):
    gap = gap_of(6.0)
    said = confirmed(gap, again)
    if agrees:
        assert said is gap
    else:
        assert isinstance(said, Refusal)
        assert said.reason == "mouth-not-found"


@pytest.mark.parametrize("gap_mm", [3.0, 6.0, 9.0])
def test_a_drawn_mouth_is_seen_from_the_mark_too(gap_mm):
    scene = replace(SCENE, tilt_deg=6, gap_mm=gap_mm)
    pose = scenes.pose(scene)
    gap = gap_of(gap_mm, 0.0)
    again = survey(straighten(photo_of(scene), pose, gap_mm, COLLAR_MM)).mouth
    assert confirmed(gap, again) is gap
