"""What somebody drew on a picture is no ink on the pipe.  Rendered photos; the strokes are drawn here."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw

from calibration.fittings import demo_catalog, find_fitting
from vision.overdrawn import _of_one_colour
from vision.pipeline import inspect
from vision.records import Verdict

JOB = Path(__file__).parent.parent / "sample_images" / "job"


def judged(data: bytes) -> Verdict:
    return inspect(data, find_fitting(demo_catalog(), "demo-2"))


def drawn(name: str, colour: str, beyond_mm: float) -> bytes:
    """A sample's photo with a stroke of a colour drawn across the pipe, so far beyond the mouth, as an app does it."""
    said = judged((JOB / name).read_bytes())
    strip = said.strip
    assert said.photo is not None
    assert strip is not None
    assert said.pose is not None
    column = int(np.argmin(np.abs(strip.along_mm - beyond_mm)))
    first, last = (strip.at_px[row, column].astype(float) for row in (8, -9))
    out = 0.2 * (last - first)  # a finger goes on beyond the pipe
    picture = Image.fromarray(said.photo.pixels)
    wide = max(4, round(1.5 * said.pose.px_per_mm))
    ImageDraw.Draw(picture).line([tuple(first - out), tuple(last + out)], fill=colour, width=wide)
    data = io.BytesIO()
    picture.save(data, "JPEG", quality=90)
    return data.getvalue()


@pytest.mark.parametrize("colour", ["red", "yellow", "white", "#0060ff", "#141414"])
def test_a_stroke_drawn_on_a_picture_is_no_mark(colour: str) -> None:
    said = judged(drawn("J-08.jpg", colour, 9.0))  # never marked
    assert said.word == "unproven"
    assert said.reasons[0].reason in {"drawn-over", "mark-unclear", "two-lines"}


def test_it_is_named_where_it_would_have_been_measured() -> None:
    assert judged(drawn("J-08.jpg", "red", 9.0)).reasons[0].reason == "drawn-over"


@pytest.mark.parametrize("name", ["J-01.jpg", "J-02.jpg", "J-04.jpg", "J-06.jpg", "J-12.jpg"])
def test_ink_is_not_taken_for_it(name: str) -> None:
    assert all(doubt.reason != "drawn-over" for doubt in judged((JOB / name).read_bytes()).reasons)


@pytest.mark.parametrize(("colour", "even", "rows", "lit", "drawn_on"), [
    ((250, 3, 3), 0.9, 60, True, True),
    ((250, 3, 3), 0.3, 60, True, False),  # burnt out: a bright yellow or red paint may be as pure in the sun
    ((15, 199, 17), 0.3, 60, True, True),
    ((120, 90, 60), 0.8, 60, True, True),
    ((120, 90, 60), 0.8, 12, True, False),  # a short dab is of one light
    ((254, 254, 254), 1.0, 60, True, False),  # white paint in the sun
    ((14, 12, 15), 0.9, 60, False, False),  # black ink in the dark
    ((14, 12, 15), 0.9, 60, True, True),
    ((120, 90, 60), 0.4, 60, True, False),
])
def test_what_is_too_even_or_too_pure_for_ink(colour: tuple[int, int, int], even: float, rows: int, lit: bool,
                                               drawn_on: bool) -> None:
    assert _of_one_colour(np.array(colour, float), even, rows, lit) is drawn_on
