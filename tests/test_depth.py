"""Cut and mark on the flat strip of a bare pipe, and what is refused there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.strips import ALONG, ANGLES, Painted, Stroke, make
from vision import depth, mouth, networks
from vision.records import Depth, Ends, Refusal, Strip, Survey

MARK = Stroke(25.0, 2.0)


@pytest.fixture
def reader(monkeypatch: pytest.MonkeyPatch):
    """A reader without fault of painted strips; what lies before the cut is ground to it, as collar or as off."""
    def run(painted: Painted) -> tuple[Ends | Refusal, Strip]:
        strip, reading = make(painted)
        monkeypatch.setattr(networks, "read", lambda _: reading)
        monkeypatch.setattr(networks, "read_bare", lambda _: reading)
        return depth.find_ends(strip), strip

    return run


def found(reader, painted: Painted) -> Depth | Refusal:
    ends, strip = reader(painted)
    assert isinstance(ends, Ends), ends
    return depth.read_depth(ends, strip)


@pytest.mark.parametrize("at", [-4.0, 0.0, 1.37, 6.0])
def test_the_depth_runs_from_the_cut_to_the_near_edge(reader, at: float) -> None:
    told = found(reader, Painted(mouth_mm=at, strokes=(replace(MARK, at_mm=at + 25.0),)))
    assert isinstance(told, Depth), told
    assert told.value_mm == pytest.approx(25.0, abs=0.08)
    assert told.line_width_mm == pytest.approx(2.0, abs=0.15)
    assert not told.doubts


def test_a_slanted_cut_is_followed(reader) -> None:
    slant = 1.4 * np.sin(ANGLES) + 0.9 * np.cos(ANGLES)
    told = found(reader, Painted(mouth_mm=slant, strokes=(MARK,)))
    assert isinstance(told, Depth), told
    assert np.abs(told.cut.at_mm - slant).max() < 0.2
    assert told.value_mm == pytest.approx(25.0 - slant.mean(), abs=0.1)
    assert "mark-askew-cut" in {doubt.reason for doubt in told.doubts}


def test_strip_and_survey_of_the_end_are_weighed(reader) -> None:
    """The weighted mean of two independent readings; Birge's ratio where they differ (see `mouth.weighed`)."""
    ends, strip = reader(Painted(mouth_mm=1.0, strokes=(replace(MARK, at_mm=26.0),)))
    assert isinstance(ends, Ends)
    alone = ends.cut.bias_mm
    near = depth.with_end(ends, strip, Survey(1.05, 0.07)).cut
    both = alone * 0.07 / np.hypot(alone, 0.07)
    share = alone**2 / (alone**2 + 0.07**2)
    assert depth.cut_near(ends) == pytest.approx(1.0, abs=0.05)
    moved = near.at_mm - ends.cut.at_mm
    assert moved == pytest.approx(share * (1.05 - depth.cut_near(ends)), abs=1e-9)
    assert near.bias_mm == pytest.approx(mouth.SURVEY_WIDER * both)
    column = (near.at_mm - strip.first_mm) / strip.step_mm
    rows = np.searchsorted(strip.angles_rad, near.angles_rad)
    for row, at, point in list(zip(rows, column, near.points_px, strict=True))[::20]:
        left = int(at)
        exact = strip.at_px[row, left] * (left + 1 - at) + strip.at_px[row, left + 1] * (at - left)
        assert point == pytest.approx(exact, abs=0.02)
    far = depth.with_end(ends, strip, Survey(4.0, 0.07)).cut
    assert far.bias_mm == pytest.approx(near.bias_mm * abs(4.0 - depth.cut_near(ends)) / np.hypot(alone, 0.07))
    sure = depth.with_end(ends, strip, Survey(1.05, 0.001)).cut
    assert sure.bias_mm > 0.05, "no survey is believed to a hundredth of a millimetre"


def test_a_mark_on_part_of_the_arc_is_compared_with_the_cut_there(reader) -> None:
    slant = 2.0 * np.sin(ANGLES)
    told = found(reader, Painted(mouth_mm=slant, strokes=(replace(MARK, arc_deg=(20, 60)),)))
    assert isinstance(told, Depth), told
    there = (np.radians(20) <= ANGLES) & (np.radians(60) >= ANGLES)
    assert told.value_mm == pytest.approx(25.0 - slant[there].mean(), abs=0.12)


@pytest.mark.parametrize(("arc_deg", "told"), [((20, 36), False), ((20, 45), True)])
def test_what_is_seen_over_a_few_degrees_is_no_mark(reader, arc_deg, told) -> None:
    """A scratch may be as white as paint, and as straight."""
    said = found(reader, Painted(mouth_mm=0.0, strokes=(replace(MARK, arc_deg=arc_deg),)))
    assert bool(said) == told
    if isinstance(said, Refusal):
        assert said.reason == "line-unclear"
        assert "degrees" in said.detail


def test_rows_that_are_torn_do_not_move_the_cut(reader) -> None:
    torn = np.where(np.arange(len(ANGLES)) % 9 == 0, 1.2, 0.0)
    told = found(reader, Painted(mouth_mm=torn, strokes=(MARK,)))
    assert isinstance(told, Depth), told
    assert told.value_mm == pytest.approx(25.0, abs=0.12)


def test_a_ragged_cut_is_said_and_measured(reader) -> None:
    rough = 0.5 * np.random.default_rng(2).standard_normal(len(ANGLES))
    ends, _ = reader(Painted(mouth_mm=rough, strokes=(MARK,)))
    assert isinstance(ends, Ends), ends
    assert ends.burr_mm > 0.05
    assert "cut-ragged" in {doubt.reason for doubt in ends.doubts}


def test_no_line_no_depth(reader) -> None:
    refusal = found(reader, Painted())
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "mark-not-found"


def test_a_line_that_may_be_something_else(reader) -> None:
    for share, reason in ((0.57, "line-unclear"), (0.68, "line-unclear")):
        refusal = found(reader, Painted(strokes=(replace(MARK, share=share),)))
        assert isinstance(refusal, Refusal), share
        assert refusal.reason == reason


def test_two_lines_need_a_person(reader) -> None:
    refusal = found(reader, Painted(strokes=(MARK, replace(MARK, at_mm=14.0))))
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "two-lines"
    assert "14.0" in refusal.detail
    assert "25.0" in refusal.detail


def test_ink_at_the_cut_itself_is_the_bore_or_a_shadow(reader) -> None:
    refusal = found(reader, Painted(strokes=(Stroke(0.2, 1.5),)))
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "mark-not-found"


def test_no_cut_in_sight(reader) -> None:
    refusal, _ = reader(Painted(mouth_mm=-20.0, strokes=(MARK,)))
    assert refusal == Refusal("depth", "cut-not-found")
    covered, _ = reader(Painted(zones=(("over", -11.0, 9.0),), strokes=(MARK,)))
    assert covered == Refusal("depth", "covered")


def test_a_dark_pipe_shows_no_line(reader) -> None:
    refusal = found(reader, Painted(light=0.08))
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "too-dark"


def test_long_strips_are_read_in_windows_that_overlap(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every cell is a mean of what the windows say, weighed towards their middles."""
    strip, reading = make(Painted(strokes=(MARK,)))
    columns = depth.WINDOW + 256
    long = replace(strip, pixels=np.zeros((len(ANGLES), columns, 3), np.uint8))
    answers = iter((np.full_like(reading.shares, 0.25), np.full_like(reading.shares, 0.75)))
    monkeypatch.setattr(networks, "read_bare", lambda _: replace(reading, shares=next(answers)))
    shares = depth._read(long)[0, 0]
    assert shares[:256] == pytest.approx(0.25)
    assert shares[512:] == pytest.approx(0.75)
    assert np.all(np.diff(shares[256:512]) > 0)


def test_the_strip_is_long_enough_for_the_catalogs_mark() -> None:
    for told in (10.0, 28.6, 34.9, 80.0):
        columns = depth.columns_for(told, -11.0, 0.1)
        assert -11.0 + 0.1 * columns > 1.4 * told
        assert (columns - depth.WINDOW) % 256 == 0


def test_the_cut_is_looked_for_at_the_strips_beginning_alone() -> None:
    assert ALONG[0] < 0 < ALONG[0] + depth.LOOKED_MM
