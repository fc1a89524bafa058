"""The pipe laid flat: cells lie where they say, at every resolution; lines across the pipe stand upright."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.camera import Camera
from tests import scene as scenes
from tests.scene import Paint, Scene
from vision import geometry
from vision.records import Floats, Photo, Strip
from vision.resample import FIRST_MM, STEP_MM
from vision.unwrap import COLUMNS, ROWS, unwrap

LENS = Camera(900.0, (503.5, 377.5), (0.02, 0.0, 0.0, 0.0, 0.0))
SCENE = Scene(size_px=(1008, 756), camera=LENS, distance_mm=260.0, tilt_deg=14, roll_deg=28)
ALONG = FIRST_MM + STEP_MM * np.arange(COLUMNS)


def test_cells_lie_where_the_cylinder_says():
    """Each cell's pixel, met again with the cylinder, gives back its place; unseen cells say so."""
    photo = Photo(np.zeros((756, 1008, 3), np.uint8), LENS)
    strip = unwrap(photo, scenes.pose(SCENE))
    assert strip.pixels.shape == (ROWS, COLUMNS, 3)
    along, angle = geometry.meet_cylinder_px(strip.at_px.reshape(-1, 2).astype(float), SCENE.pipe,
                                             SCENE.pipe.radius_mm, LENS)
    np.testing.assert_allclose(along.reshape(ROWS, COLUMNS) - SCENE.mouth_mm,
                               np.broadcast_to(ALONG, (ROWS, COLUMNS)), atol=0.01)
    np.testing.assert_allclose(angle.reshape(ROWS, COLUMNS)[:, 5], strip.angles_rad, atol=1e-3)
    assert strip.seen.all()
    edge = unwrap(photo, scenes.pose(replace(SCENE, mouth_at_px=(1000.0, 377.0))))
    assert 0 < edge.seen.mean() < 1
    assert not edge.pixels[~edge.seen].any()


@pytest.mark.parametrize("focal_px", [500.0, 1100.0, 2600.0, 5200.0])
def test_no_resolution_moves_a_blob(focal_px):
    """From less than a pixel a cell to many: a blob painted at a cell's pixel is found in that cell."""
    size = (1500, 1100)
    scene = Scene(size_px=size, camera=Camera(focal_px, (749.5, 549.5)), tilt_deg=0, roll_deg=17)
    pose = scenes.pose(scene)
    row, column = ROWS // 2, round((4.0 - FIRST_MM) / STEP_MM)
    at = unwrap(Photo(np.zeros((size[1], size[0], 3), np.uint8), scene.camera), pose).at_px[row, column]
    spread = max(2.0, 0.6 * pose.px_per_mm)
    x, y = np.arange(size[0]) - at[0], np.arange(size[1]) - at[1]
    blob = np.round(250 * np.exp(-0.5 * (y[:, None] ** 2 + x[None] ** 2) / spread**2)).astype(np.uint8)
    strip = unwrap(Photo(np.repeat(blob[..., None], 3, -1), scene.camera), pose)
    light = strip.pixels[..., 0].astype(float)
    light[light < 60] = 0
    rows, columns = np.indices(light.shape)
    found_row, found = ((light * index).sum() / light.sum() for index in (rows, columns))
    assert found == pytest.approx(column, abs=0.3)  # 0.03 mm; half a pixel would be 1.0 at the coarsest
    assert found_row == pytest.approx(row, abs=0.3)


def crossings(strip: Strip, low_mm: float, high_mm: float, rises: bool) -> Floats:
    """Axial place, row by row, of the steepest change of green between two places."""
    zone = (low_mm < ALONG) & (high_mm > ALONG)
    green = strip.pixels[..., 1].astype(float)
    slope = np.gradient(np.apply_along_axis(np.convolve, 1, green, np.ones(3) / 3, "same"), axis=1)[:, zone]
    top = (slope if rises else -slope).argmax(1)
    return ALONG[zone][top]


@pytest.mark.parametrize("tilt_deg", [3, 14, 25])
def test_mouth_and_mark_of_a_drawn_joint_stand_upright_at_their_places(tilt_deg):
    scene = replace(SCENE, tilt_deg=tilt_deg, gap_mm=5.0, line_width_mm=2.0)
    pixels, _ = scenes.draw(scene, Paint(noise=0.0, blur_px=0.5))
    strip = unwrap(Photo(pixels, LENS), scenes.pose(scene))
    for place, rises in ((0.0, True), (5.0, True), (7.0, False)):
        found = crossings(strip, place - 1.2, place + 1.2, rises)
        middle = found[20:-20]
        assert np.median(middle) == pytest.approx(place, abs=0.15)
        assert abs(np.polyfit(np.sin(strip.angles_rad[20:-20]), middle, 1)[0]) < 0.15
        assert np.abs(middle - np.median(middle)).max() < 0.3
