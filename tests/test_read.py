"""What mouth and lines mean together: gaps as painted, and a named refusal wherever ink is not proved."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TypeGuard

import numpy as np
import pytest

from tests import scene as scenes
from tests.scene import Scene, fitting
from tests.strips import ALONG, ANGLES, Painted, Stroke, make
from vision import networks
from vision.alike import CLEAR_SHARE
from vision.read import FAINT_SHARE, LEAST_SHARE, RIVAL_SHARE, SURE_INK, SURELY_NONE, read
from vision.records import FirstInk, Gap, Refusal, Survey
from vision.resample import STEP_MM
from vision.unwrap import COLUMNS, ROWS

STAIN = 0.17  # ink probability of a stretch that may be a mark, hardly told from the pipe
FROM_PIPE, FROM_COLLAR = scenes.pose(Scene(tilt_deg=12)), scenes.pose(Scene(tilt_deg=-20))
Reader = Callable[..., Gap | Refusal]


@pytest.fixture
def reader(monkeypatch: pytest.MonkeyPatch) -> Reader:
    """The stage, with a network that sees a painted strip as it was painted, and a witness, so sure of its ink."""
    def run(painted: Painted, pose=FROM_PIPE, survey: Survey | None = None, witness: float = 0.9) -> Gap | Refusal:
        strip, reading = make(painted)
        monkeypatch.setattr(networks, "read", lambda _: reading)
        monkeypatch.setattr(networks, "witness", witnessing(painted, witness))
        return read(strip, pose, fitting(), survey)
    return run


def witnessing(painted: Painted, chance: float) -> Callable[..., np.ndarray]:
    """A witness who says, so surely, that ink begins where the first stroke comes out of the mouth."""
    places = [max(stroke.at_mm, float(np.median(painted.border))) for stroke in painted.strokes]

    def look(_: np.ndarray, first: int) -> np.ndarray:
        share = np.zeros(networks.WITNESSED, np.float32)
        for place in places[:1]:
            share[np.clip(round((place - ALONG[0]) / STEP_MM) - first, 0, len(share) - 1)] = chance
        return share
    return look


def gap_told(result: Gap | Refusal) -> TypeGuard[Gap]:
    """Whether a gap is told, of a line that is held to be the mark."""
    return isinstance(result, Gap) and not result.unsure


def reason(result: Gap | Refusal) -> str:
    """Why none is told."""
    if isinstance(result, Gap):
        assert result.unsure
        return "mark-unclear"
    assert result.stage == "read"
    return result.reason


@pytest.mark.parametrize("gap_mm", [0.8, 3.0, 12.5])
@pytest.mark.parametrize("mouth_mm", [-2.0, 0.0, 1.3])
def test_a_free_line_gives_its_gap(reader, gap_mm, mouth_mm):
    gap = reader(Painted(mouth_mm, strokes=(Stroke(mouth_mm + gap_mm, 2.0),)))
    assert gap_told(gap)
    assert gap.value_mm == pytest.approx(gap_mm, abs=0.06)
    assert gap.least_mm == gap.value_mm == gap.most_mm
    assert gap.line_width_mm == pytest.approx(2.0, abs=0.08)
    assert gap.arc_deg == pytest.approx(125, abs=2)
    assert gap.askew_mm < 0.1
    assert not gap.touches
    assert gap.doubts == ()


def test_a_line_that_touches_the_mouth_is_a_gap_of_nothing(reader):
    gap = reader(Painted(0.0, strokes=(Stroke(-1.0, 3.0, uneven_mm=0.3),)))
    assert gap_told(gap)
    assert gap.touches
    assert gap.value_mm < 0.1
    assert gap.least_mm == 0


@pytest.mark.parametrize(("chance", "proved"), [(0.97, True), (0.2, False)])
def test_a_ring_at_the_mouth_is_ink_where_all_looks_take_it_for_ink(reader, chance, proved):
    """Some hands, and any guide, draw evenly; a ring that the strip alone is sure of may be grease or a gasket."""
    ring = Painted(0.0, strokes=(Stroke(-1.0, 3.0, share=0.85),))
    result = reader(ring, survey=inked({0.0: chance}, chance), witness=chance)
    assert gap_told(result) == proved
    assert proved or reason(result) == "mark-unclear"


def test_a_gasket_beside_ink_is_not_one_line_of_ink(reader):
    """A dark ring at the mouth and a white dash that meets it: whatever is ink there, the ring is not proved to be."""
    dark, white = Stroke(-1.0, 3.0, uneven_mm=0.3), Stroke(-1.0, 3.2, arc_deg=(-60, -20), color=(245.0, 245.0, 245.0))
    assert gap_told(reader(Painted(0.0, strokes=(dark,))))
    assert reason(reader(Painted(0.0, strokes=(dark, white)))) == "mark-unclear"


def test_from_the_collars_side_ink_may_end_anywhere_under_the_lip(reader):
    scene = Scene(tilt_deg=-20, lip_mm=0.95)
    border = np.interp(ANGLES, scenes.ROWS, scene.border_mm) - scene.mouth_mm
    gap = reader(Painted(border, strokes=(Stroke(0.5, 5.0, uneven_mm=0.3),)), FROM_COLLAR)
    assert gap_told(gap)
    assert gap.touches
    assert gap.hidden_mm == pytest.approx(border[np.abs(ANGLES) <= np.median(np.abs(ANGLES))].mean(), abs=0.1)
    assert gap.hidden_mm < 0.9 * border.mean()  # sixty degrees aside the lip hides half as much again
    assert (gap.least_mm, gap.most_mm) == (0.0, gap.hidden_mm)
    assert gap.value_mm == gap.hidden_mm / 2


def test_without_ink_nothing_is_measured(reader):
    """The seam of a joint that was never marked is no mark."""
    assert reason(reader(Painted(0.0))) == "mark-not-found"


def test_without_ink_the_lip_may_hide_it(reader):
    border = np.full(ROWS, 3.0)
    assert reason(reader(Painted(border), FROM_COLLAR)) == "mark-hidden"


def test_a_hand_over_the_pipe_is_said(reader):
    assert reason(reader(Painted(0.0, zones=(("over", 1.0, 12.0),)))) == "covered"
    assert reason(reader(Painted(0.0, zones=(("over", -8.0, 12.0),)))) == "covered"


def test_no_mouth(reader):
    assert reason(reader(Painted(60.0))) == "mouth-not-found"


@pytest.mark.parametrize(("light", "code"), [(0.08, "too-dark"), (3.0, "glare")])
def test_without_ink_bad_light_is_said(reader, light, code):
    assert reason(reader(Painted(0.0, light=light))) == code


def test_two_lines_are_for_a_person_to_decide(reader):
    result = reader(Painted(0.0, strokes=(Stroke(0.8), Stroke(6.0))))
    assert reason(result) == "two-lines"
    assert "1.8" in result.detail
    assert "7.0" in result.detail


def test_a_faint_second_line_is_no_rival(reader):
    result = reader(Painted(0.0, strokes=(Stroke(3.0), Stroke(9.0, share=RIVAL_SHARE - 0.03))))
    assert gap_told(result)
    assert result.value_mm == pytest.approx(3.0, abs=0.06)


def test_a_stretch_before_the_line_that_may_be_inked_leaves_it_open_which_is_the_mark(reader):
    """The joint's own mark, hardly told from the pipe, and another line: by that one the joint would be short."""
    hidden = reader(Painted(0.0, strokes=(Stroke(1.0, share=STAIN), Stroke(8.0))))
    assert reason(hidden) == "two-lines"
    assert "before the line" in hidden.detail
    for harmless in (Stroke(1.0, share=0.02), Stroke(6.8, 0.5, share=0.3), Stroke(12.0, share=0.3)):
        assert gap_told(reader(Painted(0.0, strokes=(harmless, Stroke(8.0)))))


WHITE, SHADOW = (245.0, 245.0, 245.0), (95.0, 75.0, 20.0)  # lighter than the pipe, and the pipe in the mouth's shade


@pytest.mark.parametrize("shade", [Stroke(0.2, 0.8, share=RIVAL_SHARE + 0.04, color=SHADOW),
                                   Stroke(1.0, share=STAIN, color=SHADOW)])
def test_the_mouths_shadow_is_no_line_of_a_clear_ones_ink(reader, shade):
    """A clear line that is lighter than the pipe was drawn with no ink that is darker than it; a dark one may be."""
    gap = reader(Painted(0.0, strokes=(Stroke(8.0, color=WHITE), shade)))
    assert gap_told(gap)
    assert gap.value_mm == pytest.approx(8.0, abs=0.1)
    assert reason(reader(Painted(0.0, strokes=(Stroke(8.0), shade)))) == "two-lines"
    doubtful = Stroke(8.0, color=WHITE, share=CLEAR_SHARE - 0.03)
    assert reason(reader(Painted(0.0, strokes=(doubtful, shade)))) == "two-lines"


def test_a_line_that_might_pass_for_a_mark_stays_a_rival_whatever_its_colour(reader):
    dark = Stroke(1.0, share=FAINT_SHARE + 0.02, color=SHADOW)
    assert reason(reader(Painted(0.0, strokes=(Stroke(8.0, color=WHITE), dark)))) == "two-lines"


def test_where_the_survey_is_sure_that_ink_begins_no_colour_speaks_against_it(reader):
    """The joint's own mark may be the faint dark one, and the clear light one somebody else's line."""
    dark = Stroke(1.0, share=RIVAL_SHARE + 0.04, color=SHADOW)
    painted = Painted(0.0, strokes=(Stroke(8.0, color=WHITE), dark))
    assert gap_told(reader(painted))
    assert reason(reader(painted, FROM_PIPE, inked({1.0: 0.98}))) == "two-lines"


def test_what_shows_between_collar_and_tape_is_not_proved_to_be_ink(reader):
    """Bare pipe there has another colour than the tape, and may pass for a line."""
    dash = Stroke(0.0, 2.0, arc_deg=(-40, 20), uneven_mm=0.3)
    assert gap_told(reader(Painted(0.0, strokes=(dash,))))
    for taped in (2.8, 5.0):
        assert reason(reader(Painted(0.0, strokes=(dash,), zones=(("decoy", taped, 20.0),)))) == "mark-unclear"
    assert gap_told(reader(Painted(0.0, strokes=(dash,), zones=(("decoy", 12.0, 20.0),))))


def test_ink_that_the_reader_doubts_is_unclear(reader):
    for share in (RIVAL_SHARE - 0.03, LEAST_SHARE - 0.03):
        assert reason(reader(Painted(0.0, strokes=(Stroke(3.0, share=share),)))) == "mark-unclear"


def test_more_is_asked_of_ink_that_touches_the_mouth(reader):
    """No bare pipe before it proves that it is ink and no seam, shadow or grease."""
    touching = Stroke(0.0, 2.0, arc_deg=(-30, 30), share=LEAST_SHARE - 0.03)
    assert reason(reader(Painted(0.0, strokes=(touching,)))) == "mark-unclear"
    thin = {"width_mm": 0.7, "arc_deg": (-30, 30)}  # as much as a seam or a shaded end face can show
    assert reason(reader(Painted(0.0, strokes=(Stroke(3.0, width_mm=0.4),)))) == "mark-unclear"  # a scratch
    assert reason(reader(Painted(0.0, strokes=(Stroke(0.0, **thin),)))) == "mark-unclear"
    assert gap_told(reader(Painted(0.0, strokes=(Stroke(3.0, **thin),))))


def test_an_end_face_is_ruled_out_by_a_survey_that_has_the_mouth_where_it_was_read(reader):
    """As much as the face would show, were the mouth taken at its rim: then it lay beyond by the whole face."""
    steep, fit = scenes.pose(Scene(tilt_deg=25)), fitting()
    face = (fit.collar_od_mm - fit.pipe_od_mm) / 2 * np.tan(np.radians(25))
    painted = Painted(0.0, strokes=(Stroke(0.0, face, arc_deg=(-40, 30), uneven_mm=0.3),))
    for doubtful in (None, Survey(0.0, face)):
        assert reason(reader(painted, steep, doubtful)) == "mark-unclear"
    assert gap_told(reader(painted, steep, Survey(0.0, 0.35)))


def test_a_spot_of_ink_is_no_mark(reader):
    assert reason(reader(Painted(0.0, strokes=(Stroke(3.0, arc_deg=(0.0, 6.0)),)))) == "mark-not-found"


def test_an_askew_mark_is_measured_and_said(reader):
    gap = reader(Painted(0.0, strokes=(Stroke(5.0, 2.0, slant_mm=1.5),)))
    assert gap_told(gap)
    assert [doubt.reason for doubt in gap.doubts] == ["mark-askew"]
    assert gap.askew_mm == pytest.approx(2 * 1.5 * np.sin(np.radians(62)), rel=0.1)
    assert gap.value_mm == pytest.approx(5.0, abs=0.1)


def test_a_survey_moves_the_gap_and_one_that_contradicts_widens_its_doubt(reader):
    painted = Painted(0.0, strokes=(Stroke(5.0),))
    alone, agreeing, against = (reader(painted, FROM_PIPE, survey) for survey in
                                (None, Survey(0.0, 0.15), Survey(0.8, 0.15)))
    assert agreeing.value_mm == pytest.approx(alone.value_mm, abs=0.03)
    assert against.value_mm < alone.value_mm
    assert against.mouth.bias_mm > 2 * agreeing.mouth.bias_mm


def test_a_line_at_the_seam_stays_one_wherever_a_survey_has_the_mouth(reader):
    """A seam must not become a free line, of which less is asked, because a second look moved the mouth back."""
    thin = Stroke(0.0, width_mm=0.7, arc_deg=(-30, 30))
    assert reason(reader(Painted(0.0, strokes=(thin,)), FROM_PIPE, Survey(-0.6, 0.05))) == "mark-unclear"


@pytest.mark.parametrize(("rows", "share", "refused"), [
    (slice(0, 10), 0.5, True), (slice(-10, None), 0.5, True), (slice(0, 10), 0.05, False), (slice(50, 60), 0.9, False)])
def test_ground_along_a_side_of_the_strip_means_that_the_side_is_elsewhere(monkeypatch, rows, share, refused):
    """A pipe's shadow passed for its side: then the pipe seems wider and nearer, and the gap smaller, than they are."""
    strip, reading = make(Painted(0.0, strokes=(Stroke(4.0),)))
    shares = reading.shares.copy()
    shares[:, rows] *= 1 - share
    shares[networks.STRIP_CLASSES.index("off"), rows] += share
    monkeypatch.setattr(networks, "read", lambda _: replace(reading, shares=shares))
    said = read(strip, FROM_PIPE, fitting())
    if refused:
        assert reason(said) == "edges-not-found"
    else:
        assert gap_told(said)


def inked(places: dict[float, float], closely: float | None = None) -> Survey:
    """A survey that has the mouth at 0 and the first ink at these places, by their probabilities; a close look that has
    it at the first of them, by another."""
    at = np.arange(-11.0, 14.6, 0.1)
    share = np.zeros(len(at))
    for place, chance in places.items():
        share[np.abs(at - place).argmin()] += chance
    close = None if closely is None else FirstInk(np.array([next(iter(places))]), np.array([closely]))
    return Survey(0.0, 0.15, FirstInk(at, share), close)


PALE = Stroke(3.0, share=LEAST_SHARE - 0.05)  # taken for ink by half
FAR, STRAY, SMUDGE = Stroke(6.0), Stroke(1.5, width_mm=1.0, share=0.6), Stroke(1.5, share=STAIN)


@pytest.mark.parametrize(("strokes", "place_mm", "code"), [
    ((PALE,), 3.0, "mark-unclear"), ((FAR, STRAY), 6.0, "two-lines"), ((FAR, SMUDGE), 6.0, "two-lines"),
])
def test_a_survey_that_is_sure_where_ink_begins_settles_what_the_strip_leaves_open(reader, strokes, place_mm, code):
    painted = Painted(0.0, strokes=strokes)
    assert reason(reader(painted, FROM_PIPE, Survey(0.0, 0.15))) == code
    gap = reader(painted, FROM_PIPE, inked({place_mm: 0.98}))
    assert gap_told(gap)
    assert gap.value_mm == pytest.approx(place_mm, abs=0.1)
    for unsure in (inked({place_mm: SURE_INK - 0.02}), inked({place_mm: 0.96, place_mm - 1.0: 2 * SURELY_NONE}),
                   inked({place_mm + 2.0: 0.98})):
        assert reason(reader(painted, FROM_PIPE, unsure)) == code


def test_no_survey_settles_that_a_thin_line_at_the_mouth_is_ink(reader):
    """It may be the seam: no joint is called full for it."""
    painted = Painted(0.0, strokes=(Stroke(0.0, width_mm=0.6, arc_deg=(-30, 30)),))
    assert reason(reader(painted, FROM_PIPE, inked({0.0: 0.99}))) == "mark-unclear"


@pytest.mark.parametrize(("at_mm", "share", "looks", "believed"), [
    (-1.0, 0.95, (0.5, 0.5, 0.5), True), (-1.0, 0.95, (0.01, 0.01, 0.01), False),  # the strip alone is not enough
    (-1.0, 0.95, (0.01, 0.7, 0.5), True), (-1.0, 0.97, (0.7, 0.01, 0.7), True), (-1.0, 0.85, (0.7, 0.01, 0.7), False),
    (-1.0, 0.9, (0.2, 0.2, 0.2), True), (1.5, 0.9, (0.2, 0.2, 0.2), False), (1.5, 0.9, (0.2, 0.2, 0.9), True),
    (1.5, 0.87, (0.6, 0.6, 0.6), True),
    (3.0, 0.95, (0.01, 0.01, 0.01), True),  # no pipe lies bare before most look-alikes; of others less is asked
])
def test_at_the_mouth_four_looks_are_heard_together(reader, at_mm, share, looks, believed):
    """Both readers of the strip may take a gasket for ink, and any look may miss a mark: none decides alone."""
    survey, closely, witness = looks
    painted = Painted(0.0, strokes=(Stroke(at_mm, 3.0, uneven_mm=0.3, share=share),))
    said = reader(painted, FROM_PIPE, inked({max(at_mm, 0.0): survey}, closely), witness)
    if believed:
        assert gap_told(said)
    else:
        assert reason(said) == "mark-unclear"


@pytest.mark.parametrize(("chance", "kept"), [(0.2, True), (0.01, False)])
def test_what_a_line_in_doubt_would_tell_is_kept_unless_it_is_hardly_ink(reader, chance, kept):
    """Where another photo shows that the pipe was marked, it counts."""
    painted = Painted(0.0, strokes=(Stroke(1.5, 3.0, uneven_mm=0.3, share=0.9),))
    said = reader(painted, FROM_PIPE, inked({1.5: chance}, chance), chance)
    assert reason(said) == "mark-unclear"
    assert isinstance(said, Gap) == kept
    assert not isinstance(said, Gap) or said.value_mm == pytest.approx(1.5, abs=0.1)


def test_ink_that_begins_elsewhere_speaks_for_no_line_at_the_mouth(reader):
    touching = Painted(0.0, strokes=(Stroke(-1.0, 3.0, uneven_mm=0.3),))
    assert reason(reader(touching, FROM_PIPE, inked({5.0: 0.9}, 0.9))) == "mark-unclear"


@pytest.mark.parametrize(("sceptic", "survey", "believed"), [
    ("ink", 0.1, True), ("decoy", 0.9, True), ("ink", 0.9, True), ("decoy", 0.1, False)])
def test_two_of_three_have_to_take_a_free_line_for_ink(monkeypatch, sceptic, survey, believed):
    """The reader takes a cable tie of a plausible colour for ink: then the others are heard."""
    strip, reading = make(Painted(0.0, strokes=(Stroke(3.0),)))
    second = np.zeros_like(reading.shares)
    second[networks.STRIP_CLASSES.index(sceptic)] = 0.9
    monkeypatch.setattr(networks, "read", lambda _: replace(reading, sceptic=second))
    said = read(strip, FROM_PIPE, fitting(), inked({3.0: survey}))
    if believed:
        assert gap_told(said)
    else:
        assert reason(said) == "mark-unclear"


def test_a_pipe_that_leaves_the_picture_right_behind_the_line_shows_no_tape(reader):
    ends = np.ones((ROWS, COLUMNS), bool)
    ends[:, ALONG > 4.0] = False
    assert isinstance(reader(Painted(0.0, strokes=(Stroke(0.0, 2.0, arc_deg=(-40, 30)),), seen=ends)), Gap)


@pytest.mark.parametrize(("doubt", "believed"), [(0.0, True), (0.7, True), (0.97, False)])
def test_what_the_sceptic_is_sure_is_a_look_alike_is_no_ink_at_the_mouth(monkeypatch, doubt, believed):
    """It knows a cable tie sooner than the reader does, and takes a clean line for one too, but seldom surely."""
    strip, reading = make(Painted(0.0, strokes=(Stroke(-1.0, 3.0, uneven_mm=0.3),)))
    second, ink, decoy = reading.shares.copy(), *(networks.STRIP_CLASSES.index(name) for name in ("ink", "decoy"))
    second[decoy] = doubt * second[ink]
    second[ink] *= 1 - doubt
    monkeypatch.setattr(networks, "read", lambda _: replace(reading, sceptic=second))
    assert gap_told(read(strip, FROM_PIPE, fitting(), inked({0.0: 0.9}, 0.9))) == believed


@pytest.mark.parametrize(("closely", "told"), [(0.9, False), (0.02, True)])
def test_a_faint_stretch_before_the_line_is_a_mark_where_other_looks_see_one_there(reader, closely, told):
    """Of a stain that the strip takes for ink by a tenth, survey and close look tell what it is."""
    painted = Painted(0.0, strokes=(Stroke(1.0, share=0.12), Stroke(8.0)))
    said = reader(painted, FROM_PIPE, inked({1.0: closely}, closely))
    if told:
        assert gap_told(said)
    else:
        assert reason(said) == "two-lines"


def test_ink_that_looks_see_where_the_line_begins_is_no_other_one_before_it(reader):
    stain = Stroke(0.4, width_mm=1.0, share=0.06)
    assert gap_told(reader(Painted(0.0, strokes=(stain, Stroke(3.0))), FROM_PIPE, inked({2.7: 0.9}, 0.9)))


@pytest.mark.parametrize(("tape", "beyond", "believed"), [
    ((200.0, 60.0, 150.0), None, False),  # violet tape on a yellow pipe, known for tape towards its far end alone
    (None, None, True), ((200.0, 60.0, 150.0), (200.0, 60.0, 150.0), True)])  # a pipe of that colour is no tape
def test_tape_that_begins_right_behind_a_line_is_known_by_its_colour(monkeypatch, tape, beyond, believed):
    """Then the line may be what shows of the pipe between tape and collar."""
    strip, reading = make(Painted(0.0, strokes=(Stroke(0.0, 2.0, arc_deg=(-40, 30), uneven_mm=0.3),)))
    along, pixels, shares = strip.along_mm, strip.pixels.copy(), reading.shares.copy()
    if tape:
        pixels[:, (along > 2.2) & (along < 18.0)] = tape
    if beyond:
        pixels[:, along >= 18.0] = beyond
    end = (along > 11.0) & (along < 18.0)
    shares[:, :, end] = 0.0
    shares[networks.STRIP_CLASSES.index("decoy")][:, end] = 1.0
    monkeypatch.setattr(networks, "read", lambda _: replace(reading, shares=shares, sceptic=shares))
    said = read(replace(strip, pixels=pixels), FROM_PIPE, fitting())
    if believed:
        assert gap_told(said)
    else:
        assert "tape" in said.detail


def test_a_second_line_beyond_the_first_is_still_one_to_rule_out(reader):
    """Which of two lines is the joint's own no picture tells: that ink begins at the nearer one is no proof."""
    painted = Painted(0.0, strokes=(Stroke(2.0), Stroke(7.0)))
    assert reason(reader(painted, FROM_PIPE, inked({2.0: 0.99}))) == "two-lines"


def test_a_mouth_that_two_readings_place_far_apart_is_none(reader):
    result = reader(Painted(0.0, (0.3), strokes=(Stroke(5.0),)), FROM_PIPE, Survey(3.0, 0.4))
    assert reason(result) == "mouth-not-found"
