"""Several looks at one photo: which verdict counts when the finder sees it differently each time."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from calibration.camera import Camera
from tests import pipes
from tests import scene as scenes
from tests.scene import Scene
from vision import pipeline
from vision.records import Doubt, Edge, Ends, Photo, PremarkVerdict, Refusal, Sighting, Strip, Verdict
from vision.unwrap import unwrap

SCENE = Scene(size_px=(640, 480), camera=Camera(500.0, (319.5, 239.5)))
PHOTO = Photo(np.zeros((480, 640, 3), np.uint8), SCENE.camera)
MISLED = ("size-mismatch", "edges-not-found", "too-oblique")
HONEST = ("mark-not-found", "mark-hidden", "two-lines", "covered", "too-far", "mouth-not-found")


@pytest.fixture
def strip() -> Strip:
    return unwrap(PHOTO, scenes.pose(SCENE))


@pytest.fixture
def inspect(monkeypatch: pytest.MonkeyPatch, strip: Strip):
    """`inspect` of a photo whose looks end one after the other for these reasons ("": with a verdict)."""

    def run(*ends: str) -> tuple[Verdict, int]:
        looked: list[str] = []
        seen = scenes.sighting(SCENE)

        def locate(_: Photo) -> Iterator[Sighting | Refusal]:
            for end in ends:
                looked.append(end)
                yield Refusal("locate", end) if end == "no-joint" else seen

        def judged(_photo: Photo, found: Sighting | Refusal, *_: object) -> Verdict:
            end = looked[-1]
            if not found:
                return Verdict("unproven", (Doubt(end),))
            word = "unproven" if end else "full"
            return Verdict(word, (Doubt(end),) if end else (), sighting=seen, strip=strip)

        monkeypatch.setattr(pipeline, "decode", lambda *_: PHOTO)
        monkeypatch.setattr(pipeline, "locate", locate)
        monkeypatch.setattr(pipeline, "_judged", judged)
        return pipeline.inspect(b"", scenes.fitting()), len(looked)

    return run


@pytest.mark.parametrize("end", [*MISLED, "no-joint"])
def test_what_misled_one_look_need_not_mislead_the_next(inspect, end):
    verdict, looks = inspect(end, end, "", "size-mismatch")
    assert (verdict.word, looks) == ("full", 3)


@pytest.mark.parametrize("end", HONEST)
def test_what_was_seen_rightly_and_proves_nothing_is_not_looked_at_until_it_does(inspect, end):
    """More looks at an unmarked joint would be more chances to take something for its mark."""
    verdict, looks = inspect(end, "", "", "")
    assert (verdict.word, verdict.reasons[0].reason, looks) == ("unproven", end, 1)


def test_where_no_look_leads_to_a_verdict_the_first_that_saw_something_is_told(inspect):
    verdict, looks = inspect("no-joint", "too-oblique", "size-mismatch", "no-joint")
    assert (verdict.reasons[0].reason, looks) == ("too-oblique", 4)
    nothing, looks = inspect("no-joint", "no-joint")
    assert (nothing.reasons[0].reason, nothing.sighting, looks) == ("no-joint", None, 2)


@pytest.mark.parametrize(("source", "first", "right", "tried"), [
    ("assumed", "edges-not-found", 1.9, [1.0, 1.4, 1.9]),
    ("assumed", "edges-not-found", 9.0, [1.0, 1.4, 1.9, 0.87]),  # no phone's
    ("assumed", "line-unclear", 1.9, [1.0]),
    ("exif", "edges-not-found", 1.9, [1.0]),
])
def test_a_pipe_that_contradicts_the_assumed_lens_is_judged_through_others(
        monkeypatch: pytest.MonkeyPatch, source: Any, first: str, right: float, tried: list[float]) -> None:
    """Until one makes its sides and its cut agree; the verdict says which."""
    seen_through = []

    def judged(photo: Photo, *_: Any) -> PremarkVerdict:
        times = photo.camera.focal_px / 1000.0
        seen_through.append(times)
        assert photo.camera.u_focal_px == pytest.approx(120.0 * times)
        if times == pytest.approx(right):
            return PremarkVerdict("misplaced", photo.doubts, placement=pipes.placement(pipes.marked()))
        return PremarkVerdict("unproven", (Doubt(first), *photo.doubts), ends=Ends(*[()] * 4, 0.0))

    monkeypatch.setattr(pipeline, "_judged_bare", judged)
    photo = Photo(np.zeros((2, 2, 3), np.uint8), Camera(1000.0, (0.5, 0.5), u_focal_px=120.0, source=source),
                  doubts=(Doubt("focal-assumed", "26 mm was taken"),))
    said = pipeline._judged_premark(photo, Refusal("end", "no-pipe"), scenes.fitting(), 0.95)
    assert seen_through == pytest.approx(tried)
    assert said.word == ("misplaced" if right in tried else "unproven")
    details = [doubt.detail for doubt in said.reasons if doubt.reason == "focal-assumed"]
    assert details == ["the cut contradicts an ordinary phone's, and one 1.9 times as long was taken"
                       if right in tried else "26 mm was taken"]


RAGGED = Ends(Edge(*(np.zeros(n) for n in (1, 1, 2)), 0.9, 0.1), (), (), (), 0.75, (Doubt("cut-ragged", "by 0.9 mm"),))


@pytest.mark.parametrize(("anew", "said"), [
    (replace(RAGGED, burr_mm=0.0, doubts=()), []),
    (replace(RAGGED, doubts=(Doubt("cut-ragged", "by 0.4 mm"),)), [Doubt("cut-ragged", "by 0.4 mm")]),
    (Refusal("depth", "covered"), []),
])
def test_doubts_of_a_strip_that_was_laid_anew_are_not_said(
        monkeypatch: pytest.MonkeyPatch, strip: Strip, anew: Ends | Refusal, said: list[Doubt]) -> None:
    """The cut seemed ragged until the axis was turned square to it."""
    limbs, pose = scenes.limbs(SCENE, np.random.default_rng(0)), scenes.pose(SCENE)
    found, turns = iter((RAGGED, anew)), iter((True, False))
    for name, answer in {
        "solve_pose": pose, "_closer": (limbs, pose), "settle": None, "unwrap": strip, "in_view": pose,
        "straighten": None, "gauge": None,
    }.items():
        monkeypatch.setattr(pipeline, name, lambda *_, answer=answer, **__: answer)
    monkeypatch.setattr(pipeline, "find_ends", lambda _: next(found))
    monkeypatch.setattr(pipeline, "level", lambda *_: (limbs, pose) if next(turns) else None)
    road = pipeline._Road(PHOTO)
    road.to(scenes.sighting(SCENE))
    with suppress(pipeline._RoadEnds):
        pipeline._laid_bare(road, PHOTO, limbs, scenes.fitting())
    assert road.doubts == said
    assert road.records.get("ends") is (anew or None)
