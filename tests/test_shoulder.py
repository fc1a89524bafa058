"""The silhouette's step from collar to pipe: found where it is drawn, None where it can't be told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.camera import Camera
from tests import scene as scenes
from tests.scene import Paint, Scene
from vision.records import Photo
from vision.shoulder import _ROUNDED_MM, find_shoulder

LENS = Camera(1000.0, (671.5, 503.5))
SCENE = Scene(size_px=(1344, 1008), camera=LENS, roll_deg=35)
PAINT = Paint(ground=(235, 230, 215), noise=3.0)  # far from the mouth face, which is dark


def photo_of(scene: Scene) -> Photo:
    return Photo(scenes.draw(scene, PAINT)[0], scene.known)


@pytest.mark.parametrize("tilt_deg", [-20, -4, 4, 20])
@pytest.mark.parametrize("guess_mm", [-2.0, 0.0, 1.7])
def test_the_step_is_found_from_either_side_wherever_it_was_guessed(tilt_deg, guess_mm):
    """Drawn collars end sharply; the stage adds what a rounded lip would have taken off."""
    scene = replace(SCENE, tilt_deg=tilt_deg)
    pose = scenes.pose(scene)
    guessed = replace(pose, mouth_mm=pose.mouth_mm + guess_mm)
    found = find_shoulder(photo_of(scene), guessed, 36.5)
    assert found is not None
    assert found.mouth_mm + guess_mm == pytest.approx(_ROUNDED_MM, abs=0.3)
    assert abs(found.mouth_mm + guess_mm) < 2 * found.u_mm


def test_an_even_picture_or_one_side_alone_tells_nothing():
    pose = scenes.pose(SCENE)
    pixels = photo_of(SCENE).pixels
    assert find_shoulder(Photo(np.full_like(pixels, 90), LENS), pose, 36.5) is None
    covered = pixels.copy()
    x, y = np.meshgrid(np.arange(1344) - 671.5, np.arange(1008) - 503.5)
    turn = np.radians(35)
    covered[np.cos(turn) * y - np.sin(turn) * x > 60] = 70  # a hand along the lower side
    assert find_shoulder(Photo(covered, LENS), pose, 36.5) is None


def test_a_collar_at_the_photos_border_tells_nothing():
    scene = replace(SCENE, mouth_at_px=(671.5, 930.0))
    assert find_shoulder(Photo(np.zeros((1008, 1344, 3), np.uint8), LENS), scenes.pose(scene), 36.5) is None
