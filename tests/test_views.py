"""Several photos of one joint: on scenes of known truth (tests/benchmarks/views.py runs hundreds)."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from scipy import stats

from tests import scene as scenes
from tests.benchmarks.compare import verdict_of
from tests.benchmarks.views import Outcome, run
from vision.compare import Turn
from vision.depths import Depths
from vision.insertion import Marked
from vision.records import Doubt, Interval, PremarkWord, Verdict, Word
from vision.ring import Fit, Placed, Wave, chi_square
from vision.views import ByPipe, JointVerdict, join, seen_share

THREE = (0.0, 120.0, 240.0)


@lru_cache
def outcomes() -> tuple[Outcome, ...]:
    return tuple(run(25, THREE, seed=7) + run(15, (0.0, 65.0, 130.0), seed=8))


def view(gap_mm: float, seed: int = 1, tilt_deg: float = 8.0, **more: object) -> Verdict:
    scene = replace(scenes.Scene(distance_mm=320.0), gap_mm=gap_mm, tilt_deg=tilt_deg, limb_noise_px=0.3, **more)
    verdict = verdict_of(scene, np.random.default_rng(seed))
    assert verdict is not None
    return verdict


def cocked(mean_mm: float, amplitude_mm: float, top_deg: float, sides: tuple[float, ...]) -> list[Verdict]:
    """A ring whose gap goes round as a wave, seen from these sides."""
    found = []
    for number, side in enumerate(np.radians(sides)):
        away = side - math.radians(top_deg)
        level, slope = amplitude_mm * math.cos(away), -amplitude_mm * math.sin(away)
        radius = scenes.fitting().pipe_od_mm / 2
        found.append(view(mean_mm, number, seat_deg=-math.degrees(math.atan(level / radius)),
                          askew_mm=2 * slope * math.sin(math.radians(60))))
    return found


def joined(verdicts: list[Verdict], at: tuple[float, ...] | None = THREE) -> JointVerdict:
    return join(verdicts, scenes.fitting(), at_deg=at)


def test_intervals_hold_the_worst_gap():
    assert np.mean([each.covered for each in outcomes()]) >= 0.88  # 40 joints: two standard errors under 0.95


def test_no_joint_is_full_whose_worst_gap_is_beyond_the_limit():
    assert not [each for each in outcomes() if each.worst_mm > each.limit_mm and each.said.word == "full"]
    assert sum(each.said.word == "full" for each in outcomes()) >= 3


def test_a_level_joint_seen_all_round_is_full():
    found = joined([view(0.4, 1), view(0.4, 2, 3.0), view(0.4, 3, -2.0)])
    assert found.word == "full"
    assert found.seen == pytest.approx(1.0, abs=0.01)
    assert found.worst.high_mm <= scenes.fitting().max_gap_mm
    assert found.p_full > 0.95


def test_one_photo_is_too_little_for_full():
    found = joined([view(0.2)], (0.0,))
    assert found.word == "unproven"
    assert found.seen == pytest.approx(1 / 3, abs=0.02)
    assert "too-little-seen" in [each.reason for each in found.reasons]


def test_the_wave_of_a_cocked_pipe_is_found():
    found = joined(cocked(4.0, 1.2, 80.0, THREE))
    assert found.ring.mean_mm == pytest.approx(4.0, abs=0.3)
    assert found.ring.amplitude_mm == pytest.approx(1.2, abs=0.35)
    assert found.worst_deg == pytest.approx(80, abs=20)
    assert found.worst.low_mm <= 5.2 <= found.worst.high_mm
    assert found.word == "short"
    assert "cocked-or-askew" in [each.reason for each in found.reasons]
    assert found.seat is None  # without a photo before insertion nobody can tell


def test_the_worst_side_counts_though_the_mean_is_within_the_limit():
    found = joined(cocked(1.0, 1.3, 0.0, THREE))
    assert found.ring.mean_mm < scenes.fitting().max_gap_mm < found.worst.value_mm
    assert found.word != "full"


def test_a_mark_known_to_be_straight_makes_the_pipe_the_cocked_one():
    straight = Wave(0.0, 0.0, 0.0, 0.0025 * np.eye(3))
    found = join(cocked(4.0, 1.2, 80.0, THREE), scenes.fitting(), at_deg=THREE, mark_askew=straight)
    assert found.seat.amplitude_mm == pytest.approx(1.2, abs=0.35)
    assert not found.seat.is_level
    assert "pipe-cocked" in [each.reason for each in found.reasons]


def test_a_gap_that_slants_as_the_mark_does_is_the_marks_doing():
    askew = Wave(0.0, 1.2 * math.cos(math.radians(80)), 1.2 * math.sin(math.radians(80)), 0.0025 * np.eye(3))
    found = join(cocked(4.0, 1.2, 80.0, THREE), scenes.fitting(), at_deg=THREE, mark_askew=askew)
    assert found.seat.is_level
    assert "drawn-askew" in [each.reason for each in found.reasons]
    assert found.word == "short"  # the worst gap counts all the same


def test_angles_are_the_users():
    found = joined(cocked(4.0, 1.2, 80.0, THREE), (90.0, 210.0, 330.0))
    assert found.worst_deg == pytest.approx(170, abs=20)


def test_views_that_can_not_be_placed_are_named():
    found = joined([view(0.4, 1), view(0.4, 2, 3.0)], None)
    assert found.word == "unproven"
    assert found.reasons == (Doubt("sides-unknown", "photo 2 of 2"),)
    assert found.ring is None


def test_short_from_every_side_is_short_wherever_they_were_taken():
    assert joined([view(6.0, 1), view(6.1, 2, 3.0)], None).word == "short"


def test_views_that_contradict_one_another_prove_nothing():
    found = joined([view(0.3, 1), view(6.0, 2), view(0.3, 3)])
    assert found.word == "unproven"
    assert found.reasons[0].reason == "views-disagree"


def test_a_side_without_a_reading_is_not_seen_and_bars_nothing():
    nothing = Verdict("unproven", (Doubt("blurred"),))
    found = joined([view(0.4, 1), nothing, view(0.4, 3, 2.0)])
    assert found.seen == pytest.approx(2 / 3, abs=0.02)
    assert "blurred" not in [each.reason for each in found.reasons]


def test_two_lines_on_one_side_are_a_matter_for_a_person():
    found = joined([view(0.4, 1), view(0.4, 2), Verdict("unproven", (Doubt("two-lines", "at 0.2, 9.0"),))])
    assert found.word == "unproven"
    assert Doubt("two-lines", "photo 3: at 0.2, 9.0") in found.reasons


def test_no_photo_with_a_reading_says_why():
    found = joined([Verdict("unproven", (Doubt("too-dark"),))], (0.0,))
    assert found.reasons == (Doubt("too-dark", "photo 1"),)
    assert found.seen is None


def test_marks_under_the_collar_all_round_are_full():
    """No near edge is seen anywhere; the far edges say that none is further out than at the mouth."""
    found = joined([view(-0.5, 1), view(-0.5, 2, 5.0), view(-0.5, 3, 3.0)])
    assert found.word == "full"


def test_arcs_that_overlap_count_once():
    one = view(1.0)
    placed = [Placed(one, Turn(deg, 0, "word")) for deg in (0.0, 60.0)]
    assert seen_share(placed) == pytest.approx(180 / 360, abs=0.01)
    assert seen_share([Placed(one, None)]) == 0


# NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4, upper critical values: from memory, and as scipy has them.
CHI_SQUARE = {
    1: (2.706, 3.841, 5.024, 6.635, 10.828), 2: (4.605, 5.991, 7.378, 9.210, 13.816),
    3: (6.251, 7.815, 9.348, 11.345, 16.266), 4: (7.779, 9.488, 11.143, 13.277, 18.467),
    6: (10.645, 12.592, 14.449, 16.812, 22.458), 10: (15.987, 18.307, 20.483, 23.209, 29.588),
}


@pytest.mark.parametrize("dof", CHI_SQUARE)
def test_chi_square_quantiles_are_as_good_as_they_say(dof):
    """Exact, to the printed digits, for one and two degrees of freedom; within 2 % beyond."""
    near = {"abs": 0.0005} if dof <= 2 else {"rel": 0.02}
    found = [chi_square(probability, dof) for probability in (0.90, 0.95, 0.975, 0.99, 0.999)]
    assert found == pytest.approx(CHI_SQUARE[dof], **near)
    assert CHI_SQUARE[dof] == pytest.approx(stats.chi2.ppf((0.90, 0.95, 0.975, 0.99, 0.999), dof), abs=0.0005)


def test_errors_alone_do_not_lift_the_low_end_of_a_level_ring():
    """Of level rings whose three numbers err as their covariance says, the worst gap is the level itself."""
    rng, truth_mm = np.random.default_rng(3), 2.0
    covariance = np.diag([0.01, 0.05, 0.05])
    level_u_mm = 0.1
    above = 0
    for mean, cos, sin in rng.multivariate_normal([truth_mm, 0, 0], covariance, 400):
        wave = Wave(mean, cos, sin, covariance)
        span, _ = Fit(wave, wave, wave, (mean, level_u_mm), True, 0.0).worst(0.95, 1.6, 0)
        above += span.low_mm > truth_mm
        assert span.high_mm >= span.value_mm >= span.low_mm
    # 2.5 % by the mean, and the 5 % of rings that seem not to be level
    assert above <= 0.09 * 400


# --- with the marked pipe ----------------------------------------------------------------------------


def by_pipe(depth_mm: float, word: PremarkWord = "placed", words: tuple[Word, ...] = ("full",) * 3) -> ByPipe:
    depth = Interval(depth_mm, depth_mm - 0.3, depth_mm + 0.3, 0.15)
    wave = Wave(depth_mm, 0.0, 0.0, np.diag([0.15, 0.2, 0.2]) ** 2)
    return ByPipe(Depths(wave, wave, Marked(depth, 2.0, 0.2, 0.03)), word, words)


def level_views() -> list[Verdict]:
    return [view(0.4, 1), view(0.4, 2, 3.0), view(0.4, 3, -2.0)]


@pytest.mark.parametrize(("depth_mm", "least_mm", "words", "word"), [
    (28.6, 25.0, ("full",) * 3, "full"),
    (24.0, 25.0, ("short",) * 3, "short"),  # the gap is small, for the mark lies where it should not
    (25.6, 25.0, ("unproven",) * 3, "unproven"),
    (28.6, 25.0, ("full", "short", "full"), "short"),  # on that side at least
])
def test_a_least_insertion_stands_in_for_the_gap(depth_mm, least_mm, words, word):
    row = scenes.fitting(min_insertion=least_mm)
    found = join(level_views(), row, at_deg=THREE, pipe=by_pipe(depth_mm, "misplaced", words))
    assert found.word == word
    lowest = depth_mm - found.ring.mean_mm - found.ring.amplitude_mm
    assert found.insertion.length.value_mm == pytest.approx(lowest)
    assert found.insertion.length.low_mm < lowest - 0.3  # the cut may lie further back
    assert (found.insertion.p_enough > 0.97) == (depth_mm > 28)
    assert [each.reason for each in found.reasons] == (["interval-spans-insertion"] if word == "unproven" else [])
    alone = join(level_views(), row, at_deg=THREE)
    assert (alone.word, alone.insertion) == ("full", None)


def test_a_gap_beyond_the_limit_does_not_count_where_the_insertion_decides():
    row, views = scenes.fitting(min_insertion=20.0), [view(3.0, 1), view(3.0, 2), view(3.0, 3)]
    assert join(views, row, at_deg=THREE).word == "short"
    assert join(views, row, at_deg=THREE, pipe=by_pipe(28.6)).word == "full"


def test_a_misplaced_mark_proves_nothing_all_round_either():
    found = join(level_views(), scenes.fitting(), at_deg=THREE, pipe=by_pipe(24.0, "misplaced"))
    assert found.word == "unproven"
    assert [each.reason for each in found.reasons] == ["mark-misplaced"]
    assert join(level_views(), scenes.fitting(), at_deg=THREE, pipe=by_pipe(28.6)).word == "full"


def test_a_cut_that_leans_has_the_pipe_in_less_on_some_side():
    row, pipe = scenes.fitting(min_insertion=26.5), by_pipe(28.6)
    assert join(level_views(), row, at_deg=THREE, pipe=pipe).word == "full"
    for wave in (replace(pipe.depths.wave, cos_mm=-2.6), replace(pipe.depths.wave, covariance=np.eye(3) * 1.5)):
        leaning = replace(pipe, depths=replace(pipe.depths, unseen=wave))
        found = join(level_views(), row, at_deg=THREE, pipe=leaning)
        assert found.word != "full"
        assert found.insertion.length.low_mm < 26.5


def test_a_mark_drawn_askew_goes_out_of_the_insertion():
    """The pipe is in alike all round; the gap goes round as the mark does, and so did its depth."""
    views, row = cocked(1.0, 1.5, 30.0, THREE), scenes.fitting(min_insertion=26.0)
    straight, askew = by_pipe(28.6), by_pipe(28.6)
    wave = Wave(28.6, 1.5 * math.cos(math.radians(30)), 1.5 * math.sin(math.radians(30)), np.diag([0.15] * 3) ** 2)
    askew = replace(askew, depths=replace(askew.depths, unseen=wave))
    assert join(views, row, at_deg=THREE, pipe=askew).insertion.length.value_mm == pytest.approx(27.6, abs=0.15)
    assert join(views, row, at_deg=THREE, pipe=straight).insertion.length.value_mm == pytest.approx(26.1, abs=0.15)
    assert join(views, row, at_deg=THREE, pipe=askew).word == "full"


@pytest.mark.parametrize("least_mm", [None, 25.0, 30.0])
def test_a_line_that_is_not_the_marked_pipes_proves_nothing(least_mm):
    found = join(level_views(), scenes.fitting(min_insertion=least_mm), at_deg=THREE,
                 pipe=replace(by_pipe(28.6), differs=(2,)))
    assert found.word == "unproven"
    assert Doubt("mark-differs", "photo 2") in found.reasons


def test_too_little_seen_bars_full_by_the_insertion_too():
    row = scenes.fitting(min_insertion=25.0)
    found = join([view(0.2)], row, at_deg=(0.0,), pipe=by_pipe(28.6, words=("full",)))
    assert found.word == "unproven"
    assert "too-little-seen" in [each.reason for each in found.reasons]


def test_a_slant_is_told_with_what_it_may_be_off():
    doubt = next(each for each in joined(cocked(4.0, 1.2, 80.0, THREE)).reasons if each.reason == "cocked-or-askew")
    told, reach = (float(number) for number in re.findall(r"([\d.]+) mm", doubt.detail))
    assert abs(told - 2.4) < reach < 1.6
