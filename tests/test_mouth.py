"""The mouth on the flat strip: known borders are read to 0.05 mm, doubt is said, nothing is invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests import scene as scenes
from tests.scene import Scene
from tests.strips import ANGLES, Painted, make
from vision import mouth
from vision.mouth import Mouth
from vision.networks import Reading
from vision.records import Strip, Survey
from vision.unwrap import ROWS

FROM_PIPE, FROM_COLLAR = scenes.pose(Scene(tilt_deg=12)), scenes.pose(Scene(tilt_deg=-12))
COLLAR_MM = 36.5


def found(painted: Painted) -> Mouth:
    result = mouth.find_mouth(*make(painted), FROM_PIPE, COLLAR_MM)
    assert result is not None
    return result


@pytest.mark.parametrize("at_mm", [-3.0, -0.52, 0.0, 0.03, 1.26, 3.5])
@pytest.mark.parametrize("soft_mm", [0.0, 0.05, 0.2])
def test_a_known_border_is_read_to_a_twentieth_of_a_millimetre(at_mm, soft_mm):
    """At any place between two cells, however gradually the reader changes its mind."""
    read = found(Painted(at_mm, soft_mm))
    assert read.rows.all()
    np.testing.assert_allclose(read.border_mm, at_mm, atol=0.05)
    np.testing.assert_allclose(read.at_mm, at_mm, atol=0.05)
    assert not read.hidden_mm.max() > 0.05


def test_a_slanted_mouth_keeps_its_slant():
    course = 0.4 + 0.8 * np.sin(ANGLES)
    np.testing.assert_allclose(found(Painted(course)).at_mm, course, atol=0.06)


def test_rows_that_stray_do_not_move_the_course():
    """A ring of grease over a quarter of the arc: those rows show, the course stays."""
    border = np.where(np.abs(ANGLES) < np.radians(15), 1.2, 0.0)
    read = found(Painted(border))
    assert np.abs(read.at_mm).max() < 0.3
    assert read.border_mm[ROWS // 2] == pytest.approx(1.2, abs=0.05)


def test_rows_outside_the_picture_or_under_a_hand_are_not_read():
    seen = np.ones((ROWS, 512), bool)
    seen[:40] = False
    assert not found(Painted(0.5, seen=seen)).rows[:40].any()
    assert mouth.find_mouth(*make(Painted(0.0, zones=(("over", -4.0, 4.0),))), FROM_PIPE, COLLAR_MM) is None


def test_where_no_mouth_is_seen_none_is_read():
    """All collar, all pipe, or a change too gradual to be a mouth."""
    for painted in (Painted(60.0), Painted(-40.0), Painted(0.0, soft_mm=2.0)):
        assert mouth.find_mouth(*make(painted), FROM_PIPE, COLLAR_MM) is None


def test_from_the_collars_side_the_lip_is_taken_off():
    """Painted where the lip's contour would be: the mouth comes out behind it, the rest is called hidden."""
    scene = Scene(tilt_deg=-12, lip_mm=mouth.MIDDLE_LIP_MM)
    border = np.interp(ANGLES, scenes.ROWS, scene.border_mm) - scene.mouth_mm
    assert border.min() > 0.5
    read = mouth.find_mouth(*make(Painted(border)), FROM_COLLAR, COLLAR_MM)
    assert read is not None
    inner = np.abs(ANGLES) < np.radians(58)
    np.testing.assert_allclose(read.at_mm[inner], 0.0, atol=0.06)
    np.testing.assert_allclose(read.hidden_mm[inner], border[inner], atol=0.06)


def test_hesitation_becomes_doubt():
    """A softer split or views that disagree raise the shared uncertainty; a crisp one keeps its floor."""
    crisp, soft = found(Painted(0.0, 0.02)), found(Painted(0.0, 0.25))
    assert crisp.bias_mm == pytest.approx(0.05, abs=0.02)
    assert soft.bias_mm > crisp.bias_mm + 0.1
    strip, reading = make(Painted(0.0))
    views = np.stack([make(Painted(at))[1].beyond for at in (-0.4, 0.4, -0.4, 0.4)])
    split: Mouth | None = mouth.find_mouth(strip, replace(reading, views=views), FROM_PIPE, COLLAR_MM)
    assert split is not None
    assert split.bias_mm == pytest.approx(crisp.bias_mm + 0.25 * 0.4, abs=0.02)


def test_points_in_the_photo_follow_the_strips_own_map():
    strip: Strip
    _reading: Reading
    strip, _reading = make(Painted())
    points = mouth.points_px(strip, np.full(ROWS, 1.25))
    np.testing.assert_allclose(points[:, 0], 100 + (1.25 + 11.0) / 0.1, atol=1e-3)
    np.testing.assert_allclose(points[:, 1], 50 + 2 * np.arange(ROWS))


def test_with_a_survey_the_surer_of_two_readings_counts_more():
    alone = found(Painted(0.4))
    for u_mm, part in ((alone.bias_mm, 0.5), (3 * alone.bias_mm, 0.1), (alone.bias_mm / 3, 0.9)):
        both = alone.with_survey(Survey(float(np.median(alone.at_mm)) + 0.04, u_mm))
        np.testing.assert_allclose(both.at_mm - alone.at_mm, part * 0.04, atol=0.001)
        assert both.bias_mm < mouth.SURVEY_WIDER * min(alone.bias_mm, u_mm)


def test_the_doubt_of_two_readings_that_differ_grows_by_the_birge_ratio():
    """R. T. Birge, Physical Review 40 (1932) 207, cited from memory: u times sqrt(chi square over n - 1)."""
    alone = found(Painted(0.0))
    u_mm = 0.2
    agreeing, against = (alone.with_survey(Survey(at_mm, u_mm)) for at_mm in (0.0, 2.0))
    weights = 1 / np.array([alone.bias_mm, u_mm]) ** 2
    mean = (weights * [float(np.median(alone.at_mm)), 2.0]).sum() / weights.sum()
    chi_square = float((weights * (np.array([float(np.median(alone.at_mm)), 2.0]) - mean) ** 2).sum())
    assert against.bias_mm / agreeing.bias_mm == pytest.approx(np.sqrt(chi_square), rel=1e-6)


def test_a_survey_moves_the_mouth_but_not_where_pipe_is_seen_to_begin():
    alone = found(Painted(0.0))
    both = alone.with_survey(Survey(0.5, 0.1))
    np.testing.assert_allclose(both.seen_mm, alone.border_mm)
    np.testing.assert_allclose(both.hidden_mm, alone.hidden_mm, atol=1e-9)
