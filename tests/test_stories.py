"""The story of a marked pipe and its joint: that its truth fits together, by numbers and by geometry; nothing rendered.

A plane that leans by an angle t cuts a cylinder of radius R along a wave of amplitude R tan t: the ellipse that the
cylinder is cut in, laid flat.  This holds for the mouth against a cocked pipe, for a line drawn askew, for a cut.
"""

from __future__ import annotations

import math
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import numpy as np
import pytest

SAMPLES = Path(__file__).parent.parent / "sample_images"
SEEDS = {"neither": 40, "cocked": 41, "askew": 42, "both": 43}
NEAR_MM = 1e-6


@pytest.fixture
def studio(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """The parts of the studio that tell a story; it is no part of the package."""
    monkeypatch.syspath_prepend(SAMPLES)
    from studio import cut, marked, pipe, stage, stories, surface, truth

    return SimpleNamespace(cut=cut, marked=marked, pipe=pipe, stage=stage, stories=stories, surface=surface,
                           truth=truth)


class Told:
    """A story's shots, each on a stage with nothing on it but the painted pipe."""

    def __init__(self, studio: SimpleNamespace, seed: int) -> None:
        self.shots = {shot.ending: shot for shot in studio.stories.marked_story(seed, [])}
        self.stages: dict[str, Any] = {}
        for ending in ("p", "a"):  # q is p's pipe again, b and c are a's joint
            recipe = self.shots[ending].recipe
            axis = studio.pipe.pipe_axis(recipe.pipe)
            line = studio.surface.paint(recipe, axis, 0.4, recipe.scenario == "joint").line
            self.stages[ending] = studio.stage.Stage([], np.zeros(1), studio.stage.camera_of(recipe), axis, line, 0.4)
        self.bare, self.joint = self.shots["p"].recipe, self.shots["a"].recipe
        self.depth = studio.marked.depth_truth(self.bare, self.stages["p"])
        self.gap = studio.stories.ring_truth(self.joint, self.stages["a"])
        self.facts = self.shots["a"].facts


@pytest.fixture(params=SEEDS.values(), ids=SEEDS.keys())
def told(studio: SimpleNamespace, request: pytest.FixtureRequest) -> Told:
    return Told(studio, request.param)


def vector(facts: dict[str, float], name: str) -> np.ndarray:
    return np.array([facts[f"{name}_cos_mm"], facts[f"{name}_sin_mm"]])


def test_gap_is_depth_less_what_lies_in_the_collar(told: Told) -> None:
    """By the truth's own numbers: level by level, wave by wave."""
    assert told.gap["ring_mean_mm"] == pytest.approx(told.depth["depth_mean_mm"] - told.facts["insertion_mm"],
                                                     abs=NEAR_MM)
    less_inside = vector(told.depth, "cut") + vector(told.gap, "seat")  # where they lean so, less lies inside
    assert vector(told.gap, "ring") == pytest.approx(vector(told.depth, "depth") + less_inside, abs=NEAR_MM)


def test_the_mark_goes_round_the_pipe_alike_before_and_after(told: Told) -> None:
    before, after = told.stages["p"].line, told.stages["a"].line
    assert before.near - after.near == pytest.approx(np.full(before.near.shape, told.facts["insertion_mm"]),
                                                     abs=NEAR_MM)
    assert before.far - after.far == pytest.approx(np.full(before.far.shape, told.facts["insertion_mm"]), abs=NEAR_MM)
    assert vector(told.depth, "askew") == pytest.approx(vector(told.gap, "askew"), abs=NEAR_MM)


def test_gap_and_depth_are_distances_in_space(studio: SimpleNamespace, told: Told) -> None:
    """From points of mark, mouth and cut: along the pipe from the plane x = 0, and from the cut's plane."""
    phi = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    joint, bare = told.stages["a"], told.stages["p"]
    columns = ((phi - joint.phi0) % (2 * np.pi) / (2 * np.pi) * joint.line.near.size).astype(int)
    on_column = joint.phi0 + (columns + 0.5) / joint.line.near.size * 2 * np.pi
    marks = joint.axis.at(joint.line.near[columns], on_column)
    gap = joint.line.near[columns] - joint.axis.mouth_s(on_column)
    assert marks[:, 0] == pytest.approx(gap * math.cos(math.radians(told.joint.pipe.tilt_deg)), abs=NEAR_MM)
    ends = bare.axis.at(studio.cut.cut_s(told.bare.cut, bare.axis.radius_mm, on_column), on_column)
    depth = np.linalg.norm(bare.axis.at(bare.line.near[columns], on_column) - ends, axis=1)
    inserted = told.facts["insertion_mm"] + joint.axis.mouth_s(on_column) - ends[:, 0]
    assert gap == pytest.approx(depth - inserted, abs=NEAR_MM)


def test_a_marked_pipes_truth_is_of_the_side_that_its_own_camera_sees(studio: SimpleNamespace, told: Told) -> None:
    """Both photos of a pipe share its skin, painted about the line that faced the first; until 0.11 its truth too."""
    for shot in (told.shots["p"], told.shots["q"]):
        camera = studio.stage.camera_of(shot.recipe)
        seen = studio.stage.Stage([], np.zeros(1), camera, told.stages["p"].axis, told.stages["p"].line, 0.4)
        facts = studio.truth.premark_truth(shot.recipe, seen)
        facing = seen.axis.facing_rad(camera.centre_mm)
        lean = shot.recipe.cut.angle_deg * np.cos(np.radians(shot.recipe.cut.dir_deg) - facing)
        assert math.cos(math.radians(facts["cut_dir_deg"])) * shot.recipe.cut.angle_deg == pytest.approx(lean, abs=1e-6)
        middle = facts["cut_at_mm"][len(facts["cut_at_mm"]) // 2]
        assert middle == pytest.approx(float(studio.cut.cut_s(shot.recipe.cut, seen.axis.radius_mm, facing)), abs=0.05)


def test_a_leaning_plane_makes_a_wave_of_radius_times_tangent(told: Told) -> None:
    radius = told.joint.pipe.od_mm / 2
    seat, cut = vector(told.gap, "seat"), vector(told.depth, "cut")
    assert math.hypot(*seat) == pytest.approx(radius * math.tan(math.radians(told.joint.pipe.tilt_deg)), abs=NEAR_MM)
    assert math.hypot(*cut) == pytest.approx(radius * math.tan(math.radians(told.bare.cut.angle_deg)), abs=NEAR_MM)
    drawn = radius * math.tan(math.radians(told.joint.mark.askew_deg))
    way = math.radians(told.joint.mark.askew_dir_deg)
    hand = vector(told.gap, "askew") - drawn * np.array([math.cos(way), math.sin(way)])
    assert math.hypot(*hand) < told.joint.mark.ragged_mm  # what a hand's wander adds to the lean


def test_what_is_said_to_slant_does_and_the_rest_does_not(told: Told) -> None:
    assert (told.joint.pipe.tilt_deg > 0) == told.facts["cocked"]
    assert (told.joint.mark.askew_deg > 0) == told.facts["askew"]
    assert told.bare.pipe.tilt_deg == 0


def test_one_pipe_one_print_one_line(told: Told) -> None:
    """The recipes differ in seat, place and surroundings, not in what the pipe is and bears."""
    same = ("od_mm", "wall_mm", "color", "roughness", "seed", "stripes")
    assert [getattr(told.bare.pipe, key) for key in same] == [getattr(told.joint.pipe, key) for key in same]
    assert told.bare.mark == told.joint.mark
    assert (told.bare.prints, told.bare.decoys) == (told.joint.prints, told.joint.decoys)
    assert told.joint.cut is None
    assert told.bare.cut is not None


def test_four_seeds_in_a_row_have_every_case(studio: SimpleNamespace) -> None:
    stories: ModuleType = studio.stories
    cases = [stories.marked_story(seed, [])[0].facts for seed in range(8, 12)]
    assert {(facts["cocked"], facts["askew"]) for facts in cases} == {(a, b) for a in (True, False)
                                                                       for b in (True, False)}
