"""The samples of several photos of one joint are answered as their truths demand."""

from __future__ import annotations

import hashlib
import json
import math
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from calibration.fittings import demo_catalog, find_fitting
from cli.main import app
from vision.compare import Turn, compare
from vision.pipeline import inspect
from vision.records import Verdict
from vision.views import join

FOLDER = Path(__file__).parent.parent / "sample_images" / "several"
FITTING = find_fitting(demo_catalog(), "demo-2")
SHA256 = {
    "S-01_1.jpg": "5db1dbccf244636672d2c1004e735de469fd5421e8b4dfcfde4053271349ec6d",
    "S-01_2.jpg": "ab54140401afae2fcac4dc65ab7ff2bf73086a1df53097954f8bdeb1c5687849",
    "S-01_3.jpg": "ff3bd43069642ac96be00fe2f01de30f2e598f9b69bf131e81ae35cf3e5c3aa6",
    "S-01_before.jpg": "d96dbb59b4ef862a86863b1e594aecd1c9b9c9a79d424d7045c985f7c8554085",
    "S-02_1.jpg": "12f1e9eec54b5f5ba0b08d95e71b4419b6251f2768eb68e13fa531481b54ff4a",
    "S-02_2.jpg": "8dd45fd5eb4f70946936637ef42201523eb383d545656859b01810e738d2cab9",
}  # fmt: skip
SIDES = ("S-01_1", "S-01_2", "S-01_3")
THEN, NOW = "S-02_1", "S-02_2"


def truth_of(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((FOLDER / f"{name}.json").read_text())
    return found


@cache
def verdict_of(name: str) -> Verdict:
    return inspect((FOLDER / f"{name}.jpg").read_bytes(), FITTING)


def test_photos_are_those_recorded() -> None:
    assert {path.name for path in FOLDER.glob("*.jpg")} == SHA256.keys()
    for name, sha256 in SHA256.items():
        assert hashlib.sha256((FOLDER / name).read_bytes()).hexdigest() == sha256


def test_a_joint_seen_from_three_sides_is_full_all_round() -> None:
    truth = truth_of(SIDES[0])
    said = join([verdict_of(name) for name in SIDES], FITTING, at_deg=(90, 210, 330))
    wave = truth["ring_mean_mm"] + math.hypot(truth["ring_cos_mm"], truth["ring_sin_mm"])
    assert said.word == "full"
    assert said.seen > 0.97
    assert said.worst.low_mm <= wave <= said.worst.high_mm


def test_with_its_marked_pipe_the_insertion_is_told_at_the_worst_place() -> None:
    photos = [str(FOLDER / f"{name}.jpg") for name in SIDES]
    said = json.loads(CliRunner().invoke(app, [
        "joint", *photos, "--fitting", "demo-2", "--unit", "mm", "--at", "90,210,330", "--json",
        "--premark", str(FOLDER / "S-01_before.jpg"), "--premark-at", "90"]).stdout)
    pipe, ring = truth_of("S-01_before"), truth_of(SIDES[0])
    assert said["verdict"] == "full"
    depth = said["premark"][0]["photo"]["depth"]
    assert depth["low"] <= pipe["premark"]["depth_mm"] <= depth["high"]
    at = math.radians(said["worst_at_deg"])
    true = sum(sign * (truth[f"{what}_mean_mm"] + truth[f"{what}_cos_mm"] * math.cos(at)
                       + truth[f"{what}_sin_mm"] * math.sin(at))
               for sign, what, truth in ((1, "depth", pipe), (-1, "ring", ring)))
    assert said["insertion"]["low"] <= true <= said["insertion"]["high"]
    assert all(view["photo"]["insertion_from"] == "premark" for view in said["views"])


def test_one_of_its_sides_is_not_enough() -> None:
    said = join([verdict_of(SIDES[0])], FITTING, at_deg=(90,))
    assert said.word == "unproven"
    assert "too-little-seen" in [doubt.reason for doubt in said.reasons]


def test_sides_without_a_feature_in_common_are_not_guessed() -> None:
    said = join([verdict_of(name) for name in SIDES], FITTING)
    assert "sides-unknown" in [doubt.reason for doubt in said.reasons]


@pytest.mark.parametrize(("old", "new"), [(THEN, NOW), (NOW, THEN)])
def test_a_pipe_that_came_out_has_moved(old: str, new: str) -> None:
    moved = truth_of(new)["pulled_mm"] - truth_of(old)["pulled_mm"]
    said = compare(verdict_of(old), verdict_of(new), FITTING, turn=Turn(0, 10, "word"))
    assert abs(moved) == 2.0
    assert said.word == "moved"
    assert said.movement.low_mm <= moved <= said.movement.high_mm


def test_without_its_side_it_is_at_least_not_still() -> None:
    assert compare(verdict_of(THEN), verdict_of(NOW), FITTING).word != "still"
