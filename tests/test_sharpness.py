"""Blur where it matters: more is told as more, whatever the size, the turn and the ground of the photo."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import cv2
import numpy as np
import pytest

from calibration.camera import Camera
from tests import scene as scenes
from tests.scene import Paint, Scene
from vision.records import Bytes
from vision.sharpness import BLURRED, blur_of

SCENE = Scene(size_px=(1008, 756), camera=Camera(760.0, (503.5, 377.5)), distance_mm=260.0, tilt_deg=8)
COLLAR_PX = 73.0 * 760.0 / 260.0


@lru_cache
def picture(roll_deg: float = 20.0) -> Bytes:
    return scenes.draw(replace(SCENE, roll_deg=roll_deg), Paint(blur_px=0.6, noise=0.0))[0]


def blurred(sigma_px: float, scale: float = 1.0, roll_deg: float = 20.0, noise: float = 0.7) -> float:
    """Blur as told of the drawn joint, enlarged, softened by a Gaussian, then with a sensor's noise."""
    scene = replace(SCENE, roll_deg=roll_deg)
    pixels = cv2.resize(picture(roll_deg), None, fx=scale, fy=scale, interpolation=cv2.INTER_LINEAR)
    soft = cv2.GaussianBlur(pixels, (0, 0), sigma_px) if sigma_px else pixels
    grain = noise * np.random.default_rng(0).standard_normal(soft.shape)
    soft = np.clip(np.round(soft + grain), 0, 255).astype(np.uint8)
    mouth = (scenes.mouth_px(scene) + 0.5) * scale - 0.5
    return blur_of(soft, mouth, scenes.axis_px(scene), scale * COLLAR_PX)


def test_more_blur_is_told_as_more():
    told = [blurred(sigma) for sigma in (0.0, 1.0, 2.0, 4.0, 7.0, 11.0)]
    assert told == sorted(told)
    assert told[0] < 0.35
    assert told[-1] > BLURRED


def test_it_counts_in_parts_of_the_collar_not_in_pixels():
    assert blurred(8.0, scale=2.0, noise=0.0) == pytest.approx(blurred(4.0, noise=0.0), abs=0.04)


@pytest.mark.parametrize("roll_deg", [0.0, 90.0, 200.0])
def test_any_turn_is_told_alike(roll_deg):
    assert blurred(3.0, roll_deg=roll_deg) == pytest.approx(blurred(3.0), abs=0.06)


def test_a_sharp_joint_on_a_ground_out_of_focus_is_sharp():
    """Only what runs round the pipe counts."""
    scene = replace(SCENE, roll_deg=20.0)
    ground = cv2.GaussianBlur(picture(), (0, 0), 15)
    lines = scenes.truth(scene).collar_lines
    y, x = np.mgrid[:756, :1008]
    beside = np.max([line[0] * x + line[1] * y + line[2] for line in lines], axis=0) > 4
    mixed = np.where(beside[..., None], ground, picture()).astype(np.uint8)
    assert blur_of(mixed, scenes.mouth_px(scene), scenes.axis_px(scene), COLLAR_PX) < 0.4


def test_a_mouth_at_the_border_is_still_told():
    assert 0 <= blur_of(picture(), np.array([1000.0, 750.0]), np.array([1.0, 0.0]), COLLAR_PX) <= 1
