"""Where views were taken from, on strips of a made-up pipe of which every side is known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.answers import known_verdict
from vision import turn_between
from vision.records import Verdict
from vision.unwrap import COLUMNS, ROWS


def pipe_skin(seed: int) -> np.ndarray:
    """Grey values (360, COLUMNS) of a whole pipe: specks and scuffs, as large as print."""
    rng = np.random.default_rng(seed)
    skin = cv2.GaussianBlur(rng.standard_normal((360, COLUMNS)), (0, 0), sigmaX=5, sigmaY=2)
    return 120 + 25 * skin / skin.std()


def seen_from(skin: np.ndarray, deg: float, template: Verdict, noise: float = 3.0, seed: int = 0) -> Verdict:
    """The verdict of a photo taken from there, its strip painted with the skin and with light that stays put."""
    from dataclasses import replace

    strip = template.strip
    rows = (deg + np.degrees(strip.angles_rad)) % 360
    low = np.floor(rows).astype(int) % 360
    part = (rows - np.floor(rows))[:, None]
    grey = skin[low] * (1 - part) + skin[(low + 1) % 360] * part
    light = 60 * np.exp(-((strip.angles_rad - 0.3) / 0.15) ** 2)[:, None]
    grey = grey + light + noise * np.random.default_rng(seed).standard_normal(grey.shape)
    pixels = np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, -1)
    return replace(template, strip=replace(strip, pixels=pixels, seen=np.ones((ROWS, COLUMNS), bool)))


@pytest.fixture(scope="module")
def template() -> Verdict:
    return known_verdict(3.0)


@pytest.mark.parametrize("turn", [0.0, 40.0, -65.0])
def test_a_turn_is_found_from_what_both_show(template, turn):
    skin = pipe_skin(1)
    found = turn_between.match(seen_from(skin, 100, template, seed=1), seen_from(skin, 100 + turn, template, seed=2))
    assert found.sure
    assert found.turn_deg == pytest.approx(turn, abs=2)


def test_sides_that_do_not_overlap_are_not_placed(template):
    skin = pipe_skin(2)
    found = turn_between.match(seen_from(skin, 0, template, seed=1), seen_from(skin, 150, template, seed=2))
    assert not found.sure


def test_two_pipes_are_not_placed_and_light_is_no_feature(template):
    one, other = (seen_from(pipe_skin(pipe), 0, template, seed=seed) for pipe, seed in ((3, 1), (4, 2)))
    found = turn_between.match(one, other)
    assert not found.sure


def test_a_pipe_without_any_feature_is_not_placed(template):
    blank = np.full((360, COLUMNS), 120.0)
    found = turn_between.match(seen_from(blank, 0, template, seed=1), seen_from(blank, 30, template, seed=2))
    assert found is None or not found.sure


def test_without_a_strip_there_is_nothing_to_match(template):
    assert turn_between.match(template, Verdict("unproven", ())) is None
