"""Lines of ink on the flat strip: known edges to 0.05 mm, whole or a dash, straight or askew, one or two."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from skimage.color import rgb2xyz
from skimage.filters import gaussian

from tests.strips import ALONG, ANGLES, Painted, Stroke, make
from vision import mark
from vision.mark import Line
from vision.networks import STRIP_CLASSES
from vision.unwrap import ROWS


def lines_of(painted: Painted) -> list[Line]:
    strip, reading = make(painted)
    return mark.find_lines(strip, reading.shares, painted.border)


def only(stroke: Stroke) -> Line:
    lines = lines_of(Painted(strokes=(stroke,)))
    assert len(lines) == 1
    return lines[0]


@pytest.mark.parametrize("at_mm", [1.0, 3.04, 7.55, 18.0])
@pytest.mark.parametrize("width_mm", [1.0, 2.13, 3.5])
def test_a_known_line_is_read_to_a_twentieth_of_a_millimetre(at_mm, width_mm):
    line = only(Stroke(at_mm, width_mm))
    assert line.rows.all()
    assert np.median(line.near_mm) == pytest.approx(at_mm, abs=0.05)
    assert np.median(line.far_mm) == pytest.approx(at_mm + width_mm, abs=0.05)
    assert line.width_mm == pytest.approx(width_mm, abs=0.08)
    assert line.share > 0.9


@pytest.mark.parametrize("slant_mm", [-2.0, -0.7, 1.5])
def test_an_askew_line_keeps_its_slant(slant_mm):
    line = only(Stroke(5.0, 2.0, slant_mm))
    inner = slice(3, -3)
    np.testing.assert_allclose(line.near_mm[inner], (5.0 + slant_mm * np.sin(ANGLES))[inner], atol=0.08)


@pytest.mark.parametrize("arc_deg", [(-60, -30), (-5, 10), (20, 62)])
def test_a_dash_is_a_line_on_its_own_rows(arc_deg):
    line = only(Stroke(4.0, 2.0, arc_deg=arc_deg))
    inked = Stroke(4.0, arc_deg=arc_deg).rows
    assert (line.rows != inked).sum() <= 6
    assert np.nanmedian(line.near_mm) == pytest.approx(4.0, abs=0.05)


def test_two_lines_are_two():
    lines = lines_of(Painted(strokes=(Stroke(2.0), Stroke(8.0, 1.5))))
    assert sorted(round(float(np.nanmedian(line.near_mm)), 1) for line in lines) == [2.0, 8.0]


def test_no_ink_no_line():
    assert lines_of(Painted()) == []
    assert lines_of(Painted(strokes=(Stroke(4.0, arc_deg=(0.0, 4.0)),))) == []


def test_ink_behind_the_mouth_is_no_line_on_the_pipe():
    """Ink on the collar is not looked at; a line that comes out from under it starts at the border."""
    painted = Painted(2.0, strokes=(Stroke(0.5, 3.0),))
    line = lines_of(painted)[0]
    assert np.median(line.near_mm) == pytest.approx(2.0, abs=0.2)
    strip, reading = make(Painted(0.0, strokes=(Stroke(4.0),)))
    assert mark.find_lines(strip, reading.shares, np.full(ROWS, 9.0)) == []


def test_faint_ink_keeps_the_readers_own_edges():
    """Where the colours do not show the line, its edges stay where the reader saw them."""
    _, reading = make(Painted(strokes=(Stroke(4.0),)))
    bare, _ = make(Painted())
    line = mark.find_lines(bare, reading.shares, np.zeros(ROWS))[0]
    assert np.median(line.near_mm) == pytest.approx(4.0, abs=0.1)


def test_a_stroke_that_is_taken_for_a_look_alike_in_part_keeps_its_edges():
    """Half of a line's width is called something else: its edges are the stroke's, and its share says the doubt."""
    strip, reading = make(Painted(strokes=(Stroke(4.0, 3.0),)))
    shares = reading.shares.copy()
    ink, decoy = (STRIP_CLASSES.index(name) for name in ("ink", "decoy"))
    nearer = ALONG < 5.5
    shares[decoy][:, nearer] = shares[ink][:, nearer]
    shares[ink][:, nearer] = 0.1 * shares[decoy][:, nearer]
    line = mark.find_lines(strip, shares, np.zeros(ROWS))[0]
    assert np.median(line.near_mm) == pytest.approx(4.0, abs=0.1)
    assert np.median(line.far_mm) == pytest.approx(7.0, abs=0.1)
    assert line.share < 0.7


WHITE, BLACK = (235.0, 235.0, 235.0), (20.0, 20.0, 20.0)


@pytest.mark.parametrize(("ink", "pipe"), [(WHITE, BLACK), (BLACK, WHITE)])
def test_a_lens_that_blurs_makes_no_line_wider_or_narrower(ink, pipe):
    """Light is blurred, by a third of a millimetre here; half of the photo's own numbers lie elsewhere."""
    strip, reading = make(Painted(strokes=(Stroke(4.0, 2.0),), noise=0.0))
    codes = np.where(((ALONG > 4.0) & (ALONG < 6.0))[None, :, None], ink, pipe) * np.ones((len(ANGLES), 1, 1))
    blurred = gaussian(light_of(codes), (0, 3.3, 0))
    seen = replace(strip, pixels=np.interp(blurred, light_of(np.arange(256.0)), np.arange(256)).astype(np.uint8))
    (line,) = mark.find_lines(seen, reading.shares, Painted().border)
    assert line.width_mm == pytest.approx(2.0, abs=0.06)
    assert np.median(line.near_mm) == pytest.approx(4.0, abs=0.04)
    coded = seen.pixels[64, :, 0].astype(float)
    by_numbers = (np.abs(coded - ink[0]) < np.abs(coded - pipe[0])).sum() * 0.1
    assert abs(by_numbers - 2.0) > 0.15


def light_of(codes):
    """Light of grey sRGB codes, by scikit-image: what Y of CIE XYZ is of them."""
    grey = np.asarray(codes, float)[..., :1] if np.ndim(codes) == 3 else np.asarray(codes, float)[:, None]
    y = rgb2xyz(np.repeat(grey / 255, 3, axis=-1))[..., 1]
    return np.repeat(y[..., None], 3, axis=-1) if np.ndim(codes) == 3 else y


def test_light_is_what_scikit_image_takes_it_for():
    np.testing.assert_allclose(mark._LIGHT, light_of(np.arange(256.0)), atol=2e-3)
