"""Silhouettes to sub-pixel: as good as noise allows, never better, without bias; sigma equals scatter."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from calibration.camera import Camera
from tests import scene as scenes
from tests.scene import Paint, Scene
from vision import networks, refine, sides
from vision.records import Floats, Limbs, Photo, Refusal, Sighting
from vision.sides import Course

LENS = Camera(1000.0, (671.5, 503.5))
DARK = Paint(ground=(35, 45, 30))  # a ground that no shading of collar or pipe comes near
SPACING = 7.5  # px between stations: their seven lanes then lie one pixel apart
LANES = 7
CONTRAST = 120.0


def step_picture(at: float, blur_px: float, noise: float = 0.0, seed: int = 0, slope: float = 0.0) -> Photo:
    """A blurred step at x = at (+ slope y), grey: an edge under a Gaussian blur."""
    rows = np.arange(760)[:, None]
    x = (np.arange(64)[None] - at - slope * rows) / (math.sqrt(2) * blur_px)
    grey = 60 + CONTRAST * 0.5 * (1 + np.vectorize(math.erf)(x))
    grey = grey + noise * np.random.default_rng(seed).standard_normal(grey.shape)
    pixels = np.repeat(np.round(grey)[..., None], 3, axis=-1).astype(np.uint8)
    return Photo(pixels, Camera(1000.0, (31.5, 379.5)))


def course(guess: float) -> Course:
    """Stations down the picture, looking for the edge to the right."""
    along = SPACING * np.arange(96)
    return Course(np.array([0.0, 20.0]), np.array([0.0, 1.0]), np.array([1.0, 0.0]), along,
                   np.full(96, guess), 5.0, 0.6, 0.0)


def places(photo: Photo, guess: float = 31.0) -> Floats:
    """Where the stage's own profiles and peaks put the edge, at every second station: no pixel is shared."""
    line = course(guess)
    offsets, strength = sides._profiles(photo, line)
    found, beside = sides.peaks(line.along_px, offsets, strength, (0.0, 0.0))
    assert found.all()
    return (guess + beside)[::2]


def bound_px(blur_px: float, noise: float) -> float:
    """Cramer-Rao bound of a blurred step sampled at 1 px, over independent lines (Gatherer 1993)."""
    return 1.8828 * noise / CONTRAST * math.sqrt(blur_px) / math.sqrt(LANES)


def scatter_of(blur_px: float, noise: float = 4.0) -> tuple[float, float, float]:
    """Scatter of the estimate, its bound, and three standard errors of a scatter relative to it."""
    found = np.concatenate([places(step_picture(31.3, blur_px, noise, seed)) for seed in range(15)])
    bound = bound_px(blur_px, math.hypot(noise, 1 / math.sqrt(12)))
    return float(found.std()), bound, 3 / math.sqrt(2 * len(found))


@pytest.mark.parametrize("blur_px", [0.7, 0.8, 1.0])
def test_on_a_sharp_photo_no_estimate_beats_the_cramer_rao_bound_nor_misses_it_by_half(blur_px):
    scatter, bound, slack = scatter_of(blur_px)
    assert bound * (1 - slack) < scatter < 1.5 * bound


@pytest.mark.parametrize("blur_px", [1.5, 2.0])
def test_on_a_soft_photo_the_estimate_loses_what_its_kernel_must(blur_px):
    """The inflection of a blurred step under a Gaussian of k px scatters by sqrt(3/8 (k2 + s2)^3 / (k^5 s))
    of the bound (second derivative's noise over its slope): more where the photo is softer than that."""
    kernel = sides._EDGE_SIGMA_PX
    factor = math.sqrt(0.375 * (kernel**2 + blur_px**2) ** 3 / (kernel**5 * blur_px))
    scatter, bound, slack = scatter_of(blur_px)
    assert bound * (1 - slack) < scatter < 1.1 * max(factor, 1.3) * bound


@pytest.mark.parametrize("blur_px", [0.6, 1.0, 2.0])
def test_where_the_edge_falls_between_pixels_makes_no_difference(blur_px):
    """Bias by phase, with a little noise to break the steps of eight bits."""
    error = [places(step_picture(30.6 + phase, blur_px, 1.0)).mean() - 30.6 - phase
             for phase in np.arange(0, 1, 0.1)]
    assert np.abs(error).max() < 0.02


def test_stated_sigma_is_the_scatter_of_edge_points():
    noise, ratios, pulls = 6.0, [], []
    for seed in range(20):
        limb = sides.find_limb(step_picture(29.4, 1.0, noise, seed, slope=0.004), course(31.0))
        assert limb is not None
        beside = limb.points_px[:, 0] - 29.4 - 0.004 * limb.points_px[:, 1]
        ratios.append(limb.sigma_px / np.sqrt(np.mean(beside**2)))
        at_centre = limb.centre_px[0] - 29.4 - 0.004 * limb.centre_px[1]
        pulls.append(at_centre / math.sqrt(limb.covariance[1, 1]))
    assert np.mean(ratios) == pytest.approx(1, abs=0.05)
    assert np.std(pulls) < 1.3
    assert abs(np.mean(pulls)) < 1.0


def test_an_even_picture_has_no_edge():
    grey = Photo(np.full((760, 64, 3), 128, np.uint8), LENS)
    assert sides.find_limb(grey, course(31.0)) is None


def drawn(scene: Scene, paint: Paint = DARK) -> tuple[Limbs | Refusal, Photo, scenes.Truth]:
    pixels, truth = scenes.draw(scene, paint)
    photo = Photo(pixels, scene.known)
    return refine.find_limbs(photo, scenes.sighting(scene)), photo, truth


@pytest.mark.parametrize(("roll_deg", "tilt_deg"), [(35, 12), (200, -10)])
def test_limbs_of_a_drawn_joint_lie_on_its_true_silhouettes(roll_deg, tilt_deg):
    """Also through a lens that bends them: limbs are undistorted lines."""
    lens = replace(LENS, distortion=(0.03, 0.0, 0.0, 0.0, 0.0))
    limbs, _, truth = drawn(Scene(size_px=(1344, 1008), camera=lens, roll_deg=roll_deg, tilt_deg=tilt_deg))
    assert isinstance(limbs, Limbs)
    assert limbs.collar is not None
    both = (limbs.pipe, truth.pipe_lines, 0.35), (limbs.collar, truth.collar_lines, 0.6)
    for pair, lines, nearest in both:
        for limb in pair:
            line = lines[np.argmax(lines[:, :2] @ limb.line[:2])]
            assert limb.line[:2] @ line[:2] > math.cos(0.004)
            assert abs(limb.centre_px @ line[:2] + line[2]) < nearest


def test_a_side_that_is_not_seen_is_taken_from_the_other_with_the_doubt_it_deserves():
    scene = Scene(size_px=(1344, 1008), camera=LENS, roll_deg=0, tilt_deg=5)
    pixels, _ = scenes.draw(scene, DARK)
    sighting = hand_over(scenes.sighting(scene), side=1)
    limbs = refine.find_limbs(Photo(pixels, LENS), sighting)
    assert isinstance(limbs, Limbs)
    clear, rough = sorted(limbs.pipe, key=lambda limb: limb.covariance[0, 0])
    assert rough.covariance[0, 0] > 20 * clear.covariance[0, 0]
    assert rough.line[:2] @ clear.line[:2] == pytest.approx(-1)


def test_no_side_at_all_is_refused():
    scene = Scene(size_px=(1344, 1008), camera=LENS, roll_deg=0, tilt_deg=5)
    sighting = hand_over(hand_over(scenes.sighting(scene), side=1), side=-1)
    refusal = refine.find_limbs(Photo(np.zeros((1008, 1344, 3), np.uint8), LENS), sighting)
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "edges-not-found"


def hand_over(sighting: Sighting, side: int) -> Sighting:
    """A hand along one side of the joint in the close look: above (-1) or below (1) the axis."""
    shares = sighting.close.shares.copy()
    rows = slice(285, 420) if side > 0 else slice(60, 195)
    shares[:, rows] = 0
    shares[networks.FINDER_CLASSES.index("over"), rows] = 1
    look = replace(sighting.close, shares=shares, classes=shares.argmax(0).astype(np.uint8))
    return replace(sighting, close=look)


@pytest.mark.parametrize("slope", [-0.04, 0.0, 0.04])
def test_a_line_is_voted_for_also_where_most_stations_lie_at_one_end(slope):
    along = np.concatenate([np.linspace(0, 30, 40), [200.0, 300.0, 400.0]])
    offsets = np.arange(-15, 15 + sides.STEP_PX / 2, sides.STEP_PX)
    line = slope * along + 1.5
    strength = 20 * np.exp(-0.5 * ((offsets[None] - line[:, None]) / 1.0) ** 2)
    found, offset = sides.vote(along, offsets, strength, 1.0)
    assert abs(found - slope) < 15 / 12 / 200  # half a step of what is tried
    assert abs(offset - 1.5) < 0.5
