"""Finding the joint: maps between pictures exact, any roll and direction, and said when it can't be."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.camera import Camera
from tests import scene as scenes
from tests.scene import Scene
from vision import locate, looks, networks
from vision.records import Bytes, Floats, Look, Photo, Refusal, Sighting

LENS = Camera(760.0, (503.5, 377.5))
SMALL = Scene(size_px=(1008, 756), camera=LENS, distance_mm=260.0)


def photo_of(scene: Scene) -> Photo:
    return Photo(scenes.draw(scene)[0], scene.known)


def agrees(found: Sighting | Refusal, scene: Scene) -> None:
    """Mouth to the 3.5 mm that the reader is trained to bear, axis to five degrees, widths to a twentieth."""
    assert isinstance(found, Sighting)
    truth = scenes.sighting(scene)
    assert np.linalg.norm(found.mouth_px - truth.mouth_px) < 3.5 * scene.camera.focal_px / scene.distance_mm
    assert found.axis_px @ truth.axis_px > math.cos(math.radians(5))
    assert found.pipe_width_px == pytest.approx(truth.pipe_width_px, rel=0.05)
    assert found.collar_width_px == pytest.approx(truth.collar_width_px, rel=0.05)


def test_the_shipped_finder_finds_a_drawn_joint():
    """End to end, on a picture unlike any that it was trained on."""
    scene = Scene(size_px=(1344, 1008), camera=Camera(1000.0, (671.5, 503.5)), roll_deg=35, tilt_deg=-5)
    agrees(scenes.first_found(locate.locate(photo_of(scene))), scene)


@pytest.fixture
def faultless(monkeypatch: pytest.MonkeyPatch) -> Callable[[Scene], Sighting | Refusal]:
    """`locate` with a finder that makes no mistake."""
    def find(scene: Scene) -> Sighting | Refusal:
        monkeypatch.setattr(looks, "see", lambda _, to_photo: scenes.look(scene, to_photo))
        photo = Photo(np.zeros((scene.size_px[1], scene.size_px[0], 3), np.uint8), scene.known)
        return scenes.first_found(locate.locate(photo))
    return find


@pytest.mark.parametrize(("share", "roll_deg"), [
    (0.1, 0), (0.1, 90), (0.1, 215), (0.1, 300), (0.3, 45), (0.45, 0), (0.45, 90),
    (0.45, 215), (0.45, 300),
])
def test_any_roll_direction_and_size(faultless, roll_deg, share):
    """Collars from a tenth to nearly half of the short side, anywhere in the frame."""
    distance = 73.0 * LENS.focal_px / (share * 756)
    scene = replace(SMALL, roll_deg=roll_deg, mouth_at_px=(560.0, 330.0), distance_mm=distance)
    agrees(faultless(scene), scene)


@pytest.mark.parametrize("shown", range(4))
def test_a_joint_that_one_look_misses_is_found_by_another(monkeypatch, shown):
    """Whichever of the first looks shows it, mirrored or upside down, the joint found is the same."""
    ways = looks.ways(SMALL.size_px)

    def see(_, to_photo):
        hidden = any(np.allclose(to_photo, way) for number, way in enumerate(ways) if number != shown)
        look = scenes.look(SMALL, to_photo)
        return replace(look, classes=np.zeros_like(look.classes), shares=np.zeros_like(look.shares)) if hidden else look

    monkeypatch.setattr(looks, "see", see)
    looked = locate.locate(Photo(np.zeros((756, 1008, 3), np.uint8), SMALL.known))
    agrees(scenes.first_found(looked), SMALL)


def test_an_empty_picture_has_no_joint():
    """With the shipped finder: noise is no joint."""
    noise = np.random.default_rng(0).integers(90, 150, (600, 800, 3)).astype(np.uint8)
    refusal = scenes.first_found(locate.locate(Photo(noise, Camera(800.0, (399.5, 299.5)))))
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "no-joint"


def test_a_mouth_at_the_photos_border_is_cut_off(faultless):
    refusal = faultless(replace(SMALL, mouth_at_px=(500.0, 690.0)))
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "collar-cut-off"


@pytest.mark.parametrize("size", [(1008, 756), (756, 1008), (4000, 3000), (640, 480), (2000, 700)])
def test_the_first_look_holds_the_whole_photo_about_its_middle(size):
    to_photo = looks.whole(size)
    middle = to_photo @ np.array([319.5, 239.5, 1])
    np.testing.assert_allclose(middle, (np.array(size) - 1) / 2)
    corners = np.array([[-0.5, -0.5, 1], [639.5, 479.5, 1]]) @ to_photo.T
    assert (corners.min(0) <= -0.5 + 1e-9).all()
    assert (corners.max(0) >= np.array(size) - 0.5 - 1e-9).all()
    assert (abs(corners[1] - corners[0]) - np.array(size)).min() < 1e-6


@pytest.mark.parametrize("scale", [0.6, 1.0, 1.7, 3.3, 6.2])
@pytest.mark.parametrize("turn_deg", [0, 33])
def test_a_look_puts_every_point_where_its_map_says(monkeypatch, scale, turn_deg):
    """The convention of `vision/__init__`: shrinking by an area mean must not move a blob by half a pixel."""
    at, spread = np.array([1203.4, 871.7]), max(3.0, 2.5 * scale)
    x, y = np.arange(2400) - at[0], np.arange(1800) - at[1]
    blob = np.exp(-0.5 * (y[:, None] ** 2 + x[None] ** 2) / spread**2)
    pixels = np.repeat(np.round(250 * blob)[..., None], 3, -1).astype(np.uint8)
    seen: list[Bytes] = []
    monkeypatch.setattr(networks, "find", lambda rgb: seen.append(rgb) or np.zeros((6, 480, 640), np.float32))
    turn = math.radians(turn_deg)
    matrix = scale * np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    to_photo = np.column_stack([matrix, at + np.array([7.3, -4.1]) - matrix @ np.array([310.0, 250.0])])
    looks.see(pixels, to_photo)
    light = seen[0][..., 0].astype(float)
    rows, columns = np.indices(light.shape)
    found = np.array([(light * columns).sum(), (light * rows).sum()]) / light.sum()
    np.testing.assert_allclose(to_photo[:, :2] @ found + to_photo[:, 2], at, atol=0.06 * max(1.0, scale))


@pytest.mark.parametrize("roll_deg", [0, 70, 180, 290])
def test_a_faultless_mask_is_measured_to_a_pixel(roll_deg):
    scene = replace(SMALL, roll_deg=roll_deg, tilt_deg=0)
    look = scenes.look(scene, looks.whole(scene.size_px))
    joint, truth = locate._joints(look, scene.size_px)[0], scenes.sighting(scene)
    scale = look.photo_px_per_px
    mouth = look.to_photo[:, :2] @ joint.mouth + look.to_photo[:, 2]
    axis = look.to_photo[:, :2] @ joint.axis / scale
    assert np.linalg.norm(mouth - truth.mouth_px) < 2 * scale
    assert axis @ truth.axis_px > math.cos(math.radians(1))
    lines = [line[:2] @ mouth + line[2] for line in scenes.truth(scene).pipe_lines]
    assert joint.pipe_width * scale == pytest.approx(-sum(lines), abs=2 * scale)


def two_joints(first: Look, second: Look) -> Look:
    left = np.arange(640)[None] < 320
    shares = np.where(left, first.shares, second.shares)
    return replace(first, shares=shares, classes=shares.argmax(0).astype(np.uint8), to_photo=np.eye(2, 3))


def map_to(scene: Scene, at: tuple[float, float], scale: float) -> Floats:
    """A look of the scene with its mouth at a place, upright pipes."""
    matrix = scale * np.array([[0.0, 1.0], [-1.0, 0.0]])
    return np.column_stack([matrix, scenes.mouth_px(scene) - matrix @ np.array(at)])


@pytest.mark.parametrize(("scale", "doubted"), [(1.6, True), (4.0, False)])
def test_a_rival_of_like_size_is_said(scale, doubted):
    near = scenes.look(SMALL, map_to(SMALL, (200.0, 240.0), 1.6))
    other = scenes.look(SMALL, map_to(SMALL, (440.0, 240.0), scale))
    meant, doubts = locate._meant(locate._joints(two_joints(near, other), (640, 480)))
    assert meant.mouth[0] == pytest.approx(200, abs=4) or doubted
    assert [doubt.reason for doubt in doubts] == (["several-joints"] if doubted else [])


def test_a_pipe_beside_a_collar_is_no_joint():
    """Contact along the whole side, as a pipe that leans on another joint's collar: not in it."""
    classes = np.zeros((480, 640), np.uint8)
    cv2.rectangle(classes, (100, 100), (400, 180), 2, -1)
    cv2.rectangle(classes, (380, 184), (420, 470), 1, -1)
    shares = (np.arange(6)[:, None, None] == classes).astype(np.float32)
    assert not locate._joints(Look(classes, shares, np.eye(2, 3)), (640, 480))


PIPE, COLLAR, INK = (networks.FINDER_CLASSES.index(name) for name in ("pipe", "collar", "ink"))


@pytest.mark.parametrize(("inked", "doubts"), [("left", ["other-end"]), ("right", ["other-end"]),
                                               ("both", ["several-joints"]), ("", ["several-joints"])])
def test_of_a_collar_between_two_pipes_the_only_marked_end_is_meant(inked, doubts):
    """Many fittings' own bodies look like a pipe; a photo of a marked joint is of its mark."""
    classes = np.zeros((480, 640), np.uint8)
    cv2.rectangle(classes, (60, 195), (580, 285), PIPE, -1)
    cv2.rectangle(classes, (250, 180), (390, 300), COLLAR, -1)
    for side, at in (("left", 235), ("right", 402)):
        if inked in (side, "both"):
            cv2.rectangle(classes, (at, 195), (at + 4, 285), INK, -1)
    shares = (np.arange(6)[:, None, None] == classes).astype(np.float32)
    meant, said = locate._meant(locate._joints(Look(classes, shares, np.eye(2, 3)), (640, 480)))
    assert [doubt.reason for doubt in said] == doubts
    if inked in ("left", "right"):
        assert meant.mouth[0] == pytest.approx({"left": 250, "right": 390}[inked], abs=4)


def test_of_two_joints_the_unmarked_one_may_be_meant_too():
    classes = np.zeros((480, 640), np.uint8)
    for pipe, collar in ((60, 200), (520, 380)):
        cv2.rectangle(classes, (min(pipe, collar), 195), (max(pipe, collar), 285), PIPE, -1)
        cv2.rectangle(classes, (collar - 40, 180), (collar + 40, 300), COLLAR, -1)
    cv2.rectangle(classes, (150, 195), (154, 285), INK, -1)
    shares = (np.arange(6)[:, None, None] == classes).astype(np.float32)
    _, doubts = locate._meant(locate._joints(Look(classes, shares, np.eye(2, 3)), (640, 480)))
    assert [doubt.reason for doubt in doubts] == ["several-joints"]
