"""The mark's own wave, from photos of the marked pipe: on scenes of known truth."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests import pipes
from vision.drawn import Before, mark_wave
from vision.records import PremarkVerdict

R_MM = pipes.fitting().pipe_od_mm / 2


def before(at_deg: float, lean_deg: float, top_deg: float, seed: int = 0) -> Before:
    """The pipe seen from a side, its cut square, its mark leaning by so much, furthest from the cut at `top_deg`."""
    away = math.radians(at_deg - top_deg)
    height = R_MM * math.tan(math.radians(lean_deg))
    level, slope = height * math.cos(away), -height * math.sin(away)
    scene = pipes.marked(askew_mm=2 * slope * math.sin(math.radians(60)), tilt_deg=5.0)
    depth, limbs, pose = pipes.stages(scene, np.random.default_rng(seed))
    near = replace(depth.near, at_mm=depth.near.at_mm + level * np.cos(depth.near.angles_rad))
    depth = replace(depth, near=near)
    return Before(PremarkVerdict("unproven", (), limbs=limbs, pose=pose, depth=depth), at_deg)


def test_a_square_mark_makes_no_wave() -> None:
    found = mark_wave([before(0, 0, 0), before(120, 0, 0, 1), before(240, 0, 0, 2)])
    assert found is not None
    assert found.is_level
    assert found.mean_mm == 0


@pytest.mark.parametrize("top", [0.0, 75.0, 200.0])
def test_a_mark_drawn_askew_is_found_where_it_leans(top: float) -> None:
    found = mark_wave([before(side, 3.0, top, number) for number, side in enumerate((0, 90, 180, 270))])
    assert found is not None
    assert not found.is_level
    assert found.amplitude_mm == pytest.approx(R_MM * math.tan(math.radians(3.0)), abs=0.35)
    assert abs((found.top_deg - top + 180) % 360 - 180) < 15


def test_one_photo_knows_the_slant_across_it_and_little_of_the_one_towards_it() -> None:
    found = mark_wave([before(90, 3.0, 180.0)])
    assert found is not None
    across, towards = found.covariance[1, 1], found.covariance[2, 2]
    assert across < towards / 2
    assert found.cos_mm == pytest.approx(-R_MM * math.tan(math.radians(3.0)), abs=4 * math.sqrt(across))


def test_where_a_leaning_mark_is_highest_is_known_no_better_than_the_sides_were_told() -> None:
    """Four photos, each told to 10 degrees: the place of the top, seen from the middle, to about half of that."""
    found = mark_wave([before(side, 5.0, 30.0, number) for number, side in enumerate((0, 90, 180, 270))])
    assert found is not None
    aside = np.array([-found.sin_mm, found.cos_mm]) / found.amplitude_mm
    top_u_rad = math.sqrt(float(aside @ found.covariance[1:, 1:] @ aside)) / found.amplitude_mm
    assert math.radians(4) < top_u_rad < math.radians(10)


def test_a_photo_that_shows_no_mark_knows_nothing() -> None:
    assert mark_wave([Before(PremarkVerdict("unproven", ()), 0.0)]) is None
    assert mark_wave([]) is None
