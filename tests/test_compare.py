"""Has the pipe moved since: on pairs of scenes of known truth (tests/benchmarks/compare.py runs thousands)."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from calibration.fittings import DEMO_SOURCE
from tests import scene as scenes
from tests.benchmarks.compare import Outcome, run, verdict_of
from vision.compare import (
    LEAST_WIDER_MM,
    MOST_WIDER_MM,
    SAME_SIDE_SHARE,
    Comparison,
    Seen,
    Turn,
    _Pair,
    compare,
)
from vision.records import Doubt, Verdict
from vision.redraw import SidesTooUncertain

SAME_SIDE = Turn(0.0, 10.0, "word")


@lru_cache
def outcomes(edges: str) -> tuple[Outcome, ...]:
    return tuple(run(40, (0.0, 2.0), seed=4, lens="exif", edges=edges))


def everything() -> list[Outcome]:
    return [*outcomes("clean"), *outcomes("rough")]


def photographed(gap_mm: float, tilt_deg: float = 8.0, seed: int = 1, **more: object) -> Verdict:
    scene = replace(scenes.Scene(distance_mm=320.0), gap_mm=gap_mm, tilt_deg=tilt_deg, limb_noise_px=0.3, **more)
    verdict = verdict_of(scene, np.random.default_rng(seed))
    assert verdict is not None
    return verdict


def said(old_mm: float, new_mm: float, **more: object) -> Comparison:
    return compare(photographed(old_mm), photographed(new_mm, -4.0, 2), scenes.fitting(), **{"turn": SAME_SIDE} | more)


def test_intervals_hold_the_movement():
    assert np.mean([each.covered for each in everything()]) >= 0.9  # 80 pairs: two standard errors under 0.95


def test_no_joint_that_moved_by_more_than_matters_is_still():
    assert not [each for each in everything() if each.truth_mm == 2.0 and each.said.word == "still"]
    assert sum(each.said.word == "moved" for each in everything() if each.truth_mm == 2.0) > 25


def test_a_joint_that_did_not_move_is_seldom_moved():
    still = [each.said.word for each in everything() if each.truth_mm == 0.0]
    assert still.count("moved") <= 4  # of some 40; one in twenty is what 95 % means
    assert still.count("still") > 25


def broader(verdict: Verdict, by_mm: float) -> Verdict:
    return replace(verdict, gap=replace(verdict.gap, line_width_mm=verdict.gap.line_width_mm + by_mm))


@pytest.mark.parametrize("share", [-1.1, -0.9, 0.9, 1.1])
@pytest.mark.parametrize(("turn", "most_mm"), [
    (Turn(0.0, 10.0, "word"), SAME_SIDE_SHARE * 2.3), (Turn(-30.0, 10.0, "word"), SAME_SIDE_SHARE * 2.3),
    (Turn(45.0, 10.0, "word"), MOST_WIDER_MM), (None, MOST_WIDER_MM)])
def test_a_line_that_changed_its_width_tells_no_movement(share, turn, most_mm):
    """A shadow on the line may end where its near edge seems to be; from one side it can't be wider at one scale."""
    old, new = photographed(3.0), photographed(3.0, -4.0, 2)
    width = 2.3 if share < 0 else 2.3 * (1 - SAME_SIDE_SHARE) if most_mm < MOST_WIDER_MM else 2.0
    old, new = (broader(each, by - each.gap.line_width_mm) for each, by in
                ((old, width), (new, width + share * most_mm)))
    found = compare(old, new, scenes.fitting(), turn=turn)
    if abs(share) < 1:
        assert found.movement is not None
    else:
        assert (found.word, found.movement, found.reasons[0].reason) == ("unproven", None, "mark-differs")


def test_a_hairline_may_seem_a_fifth_of_a_millimetre_wider():
    old, new = photographed(3.0), photographed(3.0, -4.0, 2)
    for by_mm, told in ((0.9 * LEAST_WIDER_MM, True), (1.1 * LEAST_WIDER_MM, False)):
        old, new = (broader(each, width - each.gap.line_width_mm) for each, width in ((old, 0.7), (new, 0.7 + by_mm)))
        assert (compare(old, new, scenes.fitting(), turn=SAME_SIDE).movement is not None) == told


def test_at_the_mouth_a_line_may_be_hidden_in_part():
    found = compare(photographed(0.2), broader(photographed(0.2, -4.0, 2), 2 * MOST_WIDER_MM), scenes.fitting(),
                    turn=SAME_SIDE)
    assert "mark-differs" not in [each.reason for each in found.reasons]


@pytest.mark.parametrize(("new_mm", "word"), [(3.0, "still"), (5.0, "moved"), (1.0, "moved")])
def test_the_word_goes_by_the_interval(new_mm, word):
    found = said(3.0, new_mm)
    assert found.word == word
    assert found.movement.value_mm == pytest.approx(new_mm - 3.0, abs=0.4)
    assert (abs(found.e_n) > 1) == (word == "moved")


def test_still_needs_photos_that_could_have_shown_what_matters():
    found = said(3.0, 3.0, least_mm=0.2)
    assert found.word == "unproven"
    assert "movement-too-small" in [each.reason for each in found.reasons]
    assert found.shown_mm > 0.2


def test_the_side_that_is_not_known_stands_in_the_budget():
    known, unknown = said(3.0, 3.0), said(3.0, 3.0, turn=None)
    assert unknown.shown_mm > 1.5 * known.shown_mm
    assert unknown.budget[0].name == "seen from another side"
    assert "side-unknown" in [each.reason for each in unknown.reasons]


def test_only_what_both_photos_show_is_compared():
    assert said(3.0, 3.0).common_deg == pytest.approx(120, abs=2)
    assert said(3.0, 3.0, turn=Turn(70.0, 5.0, "word")).common_deg == pytest.approx(50, abs=2)
    assert said(3.0, 3.0, turn=Turn(180.0, 5.0, "word")).common_deg is None


def test_a_mark_under_the_lip_is_compared_by_its_far_edge():
    found = said(-1.0, 1.0)
    assert found.edge == "far"
    assert found.movement.value_mm == pytest.approx(2.0, abs=0.5)
    assert said(3.0, 5.0).edge == "near"


def test_two_photos_that_both_read_zero_can_still_show_a_movement():
    """Gap 0 before and after, and yet the pipe came out by a millimetre: the far edge tells."""
    assert said(-1.5, -0.2).movement.value_mm == pytest.approx(1.3, abs=0.5)


def test_diameters_cancel():
    loose = scenes.fitting(pipe_od_tolerance=1.0, collar_od_tolerance=1.0)
    old, new = photographed(3.0), photographed(3.0, 7.0, 2)
    apart = compare(old, new, loose, turn=SAME_SIDE)
    assert apart.correlation > 0.05
    share = {part.name: part.u_mm for part in apart.budget}
    alone = {part.name: part.u_mm for part in _budget_alone(old, loose)}
    assert share["pipe diameter"] < 0.3 * alone["pipe diameter"]


def _budget_alone(verdict, fitting):
    from vision import uncertainty

    return uncertainty.measure(verdict.gap, verdict.limbs, verdict.pose, verdict.photo.camera, fitting).budget


def test_draws_and_the_law_of_propagation_agree():
    old, new = Seen.of(photographed(3.0)), Seen.of(photographed(3.5, -3.0, 2))
    pair = _Pair.of(old, new, SAME_SIDE, scenes.fitting(pipe_od_tolerance=0.1))
    law, drawn = pair.first_order(), pair.measured(0.95, 0)
    assert drawn.movement.u_mm == pytest.approx(law.u, rel=0.06)
    assert drawn.movement.value_mm == pytest.approx(law.value, abs=0.03)


def test_a_photo_without_a_gap_leaves_it_unproven_and_says_which():
    found = compare(photographed(3.0), Verdict("unproven", (Doubt("blurred", "blur 0.6"),)), scenes.fitting())
    assert found.word == "unproven"
    assert found.movement is None
    assert found.reasons == (Doubt("blurred", "later photo: blur 0.6"),)


def test_sides_too_uncertain_to_draw_from_leave_it_unproven_with_all_that_is_to_be_said(monkeypatch):
    """Also that the catalog's row is a demonstration, and that a lens was assumed."""
    def refused(*_):
        raise SidesTooUncertain

    monkeypatch.setattr(_Pair, "measured", refused)
    old, new = photographed(3.0), photographed(3.0, -4.0, 2)
    new = replace(new, reasons=(Doubt("focal-assumed", "26 mm was taken"),))
    demo = scenes.fitting().model_copy(update={"source": DEMO_SOURCE})
    found = compare(old, new, demo, turn=SAME_SIDE)
    assert (found.word, found.movement) == ("unproven", None)
    assert [each.reason for each in found.reasons] == ["edges-not-found", "focal-assumed", "demo-fitting"]
