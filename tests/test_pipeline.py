"""Several looks at one photo: which verdict counts when the finder sees it differently each time."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from calibration.camera import Camera
from tests import scene as scenes
from tests.scene import Scene
from vision import pipeline
from vision.records import Doubt, Photo, Refusal, Sighting, Strip, Verdict
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
