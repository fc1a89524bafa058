"""Insertion from two photos: what they share is counted once."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests import pipes
from tests import scene as scenes
from tests.answers import in_doubt, known_fitting
from tests.scene import Scene
from vision import uncertainty
from vision.both import Limits, judge_both
from vision.depths import Depths
from vision.drawn import Before
from vision.insertion import Made, Marked, difference, gap_of, insert, least_high_mm, p_within, unlike
from vision.pipeline import with_premark
from vision.placing import Chain
from vision.pose import solve_pose
from vision.propagation import Input, normal_quantile
from vision.records import Doubt, Interval, Measurement, Pose, PremarkVerdict, Verdict, Word
from vision.redraw import PIPE_DIAMETER
from vision.verdict import judge

K = normal_quantile(0.975)


def normal(value: float, u: float) -> Interval:
    return Interval(value, value - K * u, value + K * u, u)


def test_with_nothing_shared_variances_add() -> None:
    length = difference(normal(28.0, 0.3), normal(2.0, 0.4), (0.0, 0.0), 0.95)
    assert length.value_mm == 26.0
    assert length.u_mm == pytest.approx(0.5)
    assert length.high_mm - length.value_mm == pytest.approx(K * 0.5)


def test_the_analytic_case_of_one_wrong_diameter() -> None:
    """depth = D s, gap = G s with a common factor s of relative uncertainty r: depth - gap = (D - G) s exactly,
    so u = (D - G) r; adding the two in quadrature would say hypot(D, G) r, ignoring the sign (D + G) r.
    """
    depth_mm, gap_mm, relative = 28.0, 6.0, 0.01
    shared = depth_mm * relative, gap_mm * relative
    length = difference(normal(depth_mm, shared[0]), normal(gap_mm, shared[1]), shared, 0.95)
    assert length.u_mm == pytest.approx((depth_mm - gap_mm) * relative)
    assert length.high_mm - length.value_mm == pytest.approx(K * (depth_mm - gap_mm) * relative)


def test_a_gap_that_reaches_further_one_way_makes_the_insertion_do_so_the_other_way() -> None:
    length = difference(normal(28.0, 0.1), Interval(0.0, 0.0, 0.9, 0.3), (0.0, 0.0), 0.95)
    assert length.value_mm - length.low_mm == pytest.approx(math.hypot(K * 0.1, 0.9))
    assert length.high_mm - length.value_mm == pytest.approx(K * 0.1)


# --- both chains, drawn with one pipe ----------------------------------------------------------------


def joint(scene: Scene) -> tuple[uncertainty.Chain, Measurement]:
    rng = np.random.default_rng(4)
    limbs, gap = scenes.limbs(scene, rng), scenes.gap(scene, rng)
    pose = solve_pose(limbs, scene.known, scene.catalog, scenes.mouth_px(scene), scenes.axis_px(scene))
    assert isinstance(pose, Pose)
    measured = uncertainty.measure(gap, limbs, pose, scene.known, scene.catalog)
    assert isinstance(measured, Measurement)
    return uncertainty.Chain.of(gap, limbs, pose, scene.known, scene.catalog), measured


def drawn(inputs: list[Input], rng: np.random.Generator, count: int) -> dict[str, np.ndarray]:
    return {name: row for item in inputs for name, row in zip(item.names, item.draw(rng, count), strict=True)}


def test_draws_of_both_chains_with_one_pipe_say_the_same() -> None:
    """JCGM 101: draw everything, the pipe's diameter once; no law, no covariance, no interval in between."""
    row = scenes.fitting(pipe_od_tolerance=1.2)  # wide, so that what is shared weighs
    before, after = pipes.marked(28.6, fitting=row), Scene(fitting=row, gap_mm=9.0, tilt_deg=12.0)
    depth, limbs, pose = pipes.stages(before)
    marked = Chain.of(depth, limbs, pose, before.known, row)
    made, measured = joint(after)
    count, rng = 40_000, np.random.default_rng(8)
    first, second = drawn(marked.inputs(), rng, count), drawn(made.inputs(), rng, count)
    apart = marked.depth_mm(first) - made.gap_mm(second)
    together = marked.depth_mm(first) - made.gap_mm(second | {PIPE_DIAMETER: first[PIPE_DIAMETER]})
    told = insert(replace(Marked.of(pipes.placement(before)), wave_mm=0.0), replace(Made.of(measured), wave_mm=0.0))
    assert told.length.value_mm == pytest.approx(together.mean(), abs=0.03)
    assert told.length.u_mm == pytest.approx(together.std(), rel=0.04)
    assert told.length.u_mm < 0.93 * apart.std()  # counted twice it would be this much: the check can fail


# --- the verdict -------------------------------------------------------------------------------------


def said(gap_mm: float, least: float | None = None) -> tuple[Verdict, Scene]:
    scene = Scene(fitting=scenes.fitting(min_insertion=least), gap_mm=gap_mm, tilt_deg=12.0)
    _, measured = joint(scene)
    word, reasons = judge(measured, [], scene.fitting)
    return Verdict(word, reasons, measured, gap=scenes.gap(scene, np.random.default_rng(4))), scene


def of_one(before: PremarkVerdict) -> Depths | None:
    return Depths.of([Before(before, 0.0)], 0)


@pytest.mark.parametrize(("gap", "depth", "word"), [
    (4.0, 32.5, "full"),  # a mark drawn too deep: the gap alone says short
    (4.0, 28.6, "short"),
    (0.5, 25.0, "short"),  # a mark drawn too shallow: the gap alone says full
    (0.5, 28.6, "full"),
    (3.0, 30.0, "unproven"),
])
def test_the_least_insertion_decides_where_there_is_one(gap: float, depth: float, word: str) -> None:
    verdict, scene = said(gap, least=27.0)
    before = pipes.verdict(pipes.marked(depth, fitting=replace_tolerance(scene, 1.0)))
    both = with_premark(verdict, before, scene.fitting, of_one(before), 0.0)
    assert both.word == word
    assert both.insertion is not None
    assert both.measurement is not None
    assert both.measurement.insertion == both.insertion.length
    assert ("interval-spans-insertion" in {d.reason for d in both.reasons}) == (word == "unproven")
    assert both.insertion.p_enough is not None
    assert (both.insertion.p_enough > 0.97) == (word == "full")


def test_where_nobody_knows_the_sides_the_insertion_may_differ_by_what_hand_and_saw_allow() -> None:
    verdict, scene = said(0.5, least=27.0)
    before = pipes.verdict(pipes.marked(28.6, fitting=scene.fitting))
    turned = (with_premark(verdict, before, scene.fitting, of_one(before), turn) for turn in (0.0, 90.0, 180.0))
    same, beside, behind = (each.insertion.length.u_mm for each in turned if each.insertion)
    assert same < beside < behind
    unknown = with_premark(verdict, before, scene.fitting).insertion
    assert unknown is not None
    wave_mm = math.hypot(math.radians(0.7), math.radians(0.7)) * scene.fitting.pipe_od_mm / 2
    assert unknown.length.u_mm**2 - same**2 == pytest.approx(2 * wave_mm**2, rel=0.05)
    assert with_premark(verdict, before, scene.fitting).word == "unproven"  # 28.1 give or take 1.6, and 27 is the least


def test_on_another_side_the_depth_is_that_of_the_side_which_the_joint_shows() -> None:
    """A mark drawn askew lies deeper round the corner, by what its slope on the photo says."""
    verdict, scene = said(0.5, least=27.0)
    before = pipes.verdict(pipes.marked(28.6, fitting=scene.fitting, askew_mm=2.0))
    turned = (with_premark(verdict, before, scene.fitting, of_one(before), turn) for turn in (60.0, -60.0))
    ahead, back = (each.insertion for each in turned)
    assert ahead is not None
    assert back is not None
    over = 2.0 / math.sin(math.radians(60)) / 2 * math.sin(math.radians(62)) / math.radians(62)  # mean over the arc
    assert ahead.length.value_mm - back.length.value_mm == pytest.approx(2 * over * math.sin(math.radians(60)), rel=0.1)


# --- the line's width --------------------------------------------------------------------------------

MARKED = Marked(normal(28.6, 0.2), 2.0, 0.5, 0.0)


def made(far: Interval | None, most: float = 1.5, width: float | None = 1.2) -> Made:
    return Made(Interval(most / 2, 0.0, most, 0.4), far, width, 0.5, 0.0, 0.95)


def test_a_hidden_near_edge_lies_as_far_before_the_far_one_as_the_line_is_wide() -> None:
    near = insert(MARKED, made(normal(2.6, 0.1))).near
    assert near is not None
    assert near.value_mm == pytest.approx(0.6)
    assert near.u_mm == pytest.approx(math.hypot(0.1, 2.0 * math.hypot(0.08, 0.2 / 28.6)))
    assert gap_of(near, 1.5) == near
    assert p_within(near, 1.5875) > 0.99


def test_a_line_that_lies_under_the_collar_makes_the_insertion_deeper_than_the_mark() -> None:
    found = insert(MARKED, made(normal(1.2, 0.1)))
    assert found.near is not None
    assert found.near.value_mm == pytest.approx(-0.8)
    assert found.length.value_mm == pytest.approx(28.6 + 0.8)
    assert gap_of(found.near, 1.5).value_mm == 0


def test_a_line_far_under_the_collar_makes_the_gap_no_surer_than_one_at_the_mouth() -> None:
    """As wide as it is the line would begin 1.7 under the collar: the gap is 0, and its interval never 0 wide."""
    at_mouth, under = (insert(MARKED, made(normal(far, 0.1), most=9.0)).near for far in (2.0, 0.3))
    assert at_mouth is not None
    assert under is not None
    assert under.high_mm < 0
    told = gap_of(under, 9.0)
    assert (told.value_mm, told.low_mm) == (0.0, 0.0)
    assert told.high_mm == pytest.approx(gap_of(at_mouth, 9.0).high_mm)
    assert gap_of(under, 0.2).high_mm == 0.2  # the gap alone left no more open


def test_what_the_lip_can_hide_at_most_holds_whatever_the_width_says() -> None:
    near = insert(MARKED, made(normal(3.6, 0.1), most=1.4)).near
    assert near is not None
    assert (near.value_mm, near.high_mm) == (1.4, 1.4)


def test_a_width_that_asks_for_more_than_the_lip_hides_makes_nothing_surer() -> None:
    free, held = (insert(MARKED, made(normal(3.6, 0.1), most=most)).near for most in (9.0, 1.4))
    assert free is not None
    assert held is not None
    assert held.high_mm - held.low_mm == pytest.approx(free.value_mm - free.low_mm)


def test_a_line_at_the_mouth_without_a_far_edge_may_lie_under_the_collar() -> None:
    """Depth 24, the mark 2.2 mm wide and all but its far edge under the collar: the pipe may be in by 26."""
    before = Marked(normal(24.0, 0.2), 2.2, 0.0, 0.0, same_side=True)
    after = Made(Interval(0.1, 0.0, 0.7, 0.2), None, None, 0.0, 0.0, 0.95)
    assert insert(before, after).length.high_mm > 26.0
    free = Made(Interval(3.0, 2.6, 3.4, 0.2), None, None, 0.0, 0.0, 0.95)
    assert insert(before, free).length.high_mm < 22.0


@pytest.mark.parametrize(("gap", "word"), [(normal(0.3, 0.2), "full"), (normal(6.0, 0.2), "short")])
def test_a_depth_through_any_lens_decides_nothing(gap: Interval, word: Word) -> None:
    """Its insertion is told, and the gap decides: a range of 20 mm settles no joint, and unsettles none."""
    before = Marked(Interval(30.0, 20.0, 41.0, 5.0), 2.0, 0.0, 0.0, lens_open=True, same_side=True)
    after = Made(gap, None, 2.0, 0.0, 0.0, 0.95)
    both = judge_both(before, after, (word, ()), "unproven", Limits(1.5875, 25.4))
    assert both.word == word
    assert [doubt.reason for doubt in both.reasons] == ["insertion-open"]
    assert both.insertion is not None
    assert both.insertion.length.low_mm < 20.0


def test_the_least_of_many_high_ends_is_as_sure_as_one() -> None:
    """Of n lengths that err independently by as much, each of them true, the least high end lies below the truth as
    often as a single one: Bonferroni's bound, reached but for n squared over four of the tail."""
    rng, true = np.random.default_rng(2), 26.0
    for count in (1, 3, 6):
        below = [least_high_mm([normal(true + off, 0.3) for off in 0.3 * rng.standard_normal(count)], 0.95) < true
                 for _ in range(4000)]
        assert np.mean(below) == pytest.approx(0.025, abs=0.006)


def test_lines_that_are_not_equally_wide_are_not_one_line() -> None:
    for before, after, alike in ((2.0, 2.55, True), (2.0, 2.65, False), (2.0, 1.35, False), (0.6, 0.85, True),
                                 (0.6, 0.95, False), (4.0, 4.75, True), (4.0, 4.85, False)):
        assert (unlike(replace(MARKED, width_mm=before), made(None, width=after)) is None) == alike
    assert unlike(MARKED, made(None, width=None)) is None
    assert unlike(MARKED, made(normal(3.6, 0.1))) is None
    doubt = unlike(MARKED, made(normal(5.0, 0.1)))  # 3 mm would have to lie behind a lip that hides 1.5
    assert doubt is not None
    assert doubt.reason == "mark-differs"


def test_with_the_width_a_joint_is_judged_that_the_lip_left_open() -> None:
    row = scenes.fitting()
    open_gap, far = Interval(1.0, 0.0, 2.2, 0.6), normal(2.4, 0.15)
    alone = Measurement(open_gap, open_gap, 1.4, (), 0.8, 0.95, wave_mm=0.5, far=far)
    said_alone = Verdict("unproven", (Doubt("interval-spans-limit"),), alone)
    before = pipes.verdict(pipes.marked(28.6, fitting=row))
    assert before.placement is not None
    before = replace(before, placement=replace(before.placement, line_width_mm=2.0))
    both = with_premark(said_alone, before, row)
    assert both.word == "full"
    assert {doubt.reason for doubt in both.reasons} == {"told-by-width"}
    assert both.measurement is not None
    assert both.measurement.gap.value_mm == pytest.approx(0.4)
    narrow = replace(before, placement=replace(before.placement, line_width_mm=0.4))
    assert with_premark(said_alone, narrow, row).word == "short"  # 2.0, behind a lip that hides 2.2


def test_a_line_in_doubt_is_the_mark_where_the_pipe_was_seen_marked() -> None:
    row, before = known_fitting(), pipes.verdict(pipes.marked(28.6, fitting=known_fitting()))
    for gap_mm, word in ((0.5, "full"), (4.0, "short")):
        alone = in_doubt(gap_mm)
        both = with_premark(alone, before, row)
        assert (alone.word, both.word) == ("unproven", word)
        assert {doubt.reason for doubt in both.reasons} == {"marked-before"}
        assert both.measurement is not None
        assert both.measurement.gap.value_mm == pytest.approx(gap_mm, abs=0.3)
        assert both.gap is not None


def test_a_line_in_doubt_stays_so_beside_a_photo_that_shows_no_mark_or_another() -> None:
    row, before = known_fitting(), pipes.verdict(pipes.marked(28.6, fitting=known_fitting()))
    assert before.placement is not None
    wide = replace(before, placement=replace(before.placement, line_width_mm=6.0))
    silent = PremarkVerdict("unproven", (Doubt("no-mark"),))
    for pipe, said in ((silent, "premark-unread"), (wide, "mark-differs")):
        both = with_premark(in_doubt(), pipe, row)
        assert both.word == "unproven"
        assert both.measurement is None
        assert {doubt.reason for doubt in both.reasons} == {"mark-unclear", said}


def replace_tolerance(scene: Scene, tolerance: float):
    return scene.fitting.model_copy(update={"mark_tolerance": tolerance})


def test_without_a_least_insertion_the_gap_decides_but_not_by_a_misplaced_mark() -> None:
    verdict, scene = said(0.5)
    assert verdict.word == "full"
    row = replace_tolerance(scene, 1.0)
    good, wrong = (pipes.verdict(pipes.marked(depth, fitting=row)) for depth in (28.6, 24.0))
    assert (good.word, wrong.word) == ("placed", "misplaced")
    assert with_premark(verdict, good, row).word == "full"
    judged = with_premark(verdict, wrong, row)
    assert judged.word == "unproven"
    assert "mark-misplaced" in {doubt.reason for doubt in judged.reasons}


def test_a_photo_of_the_pipe_that_tells_nothing_changes_nothing() -> None:
    verdict, scene = said(0.5)
    silent = PremarkVerdict("unproven", (Doubt("no-pipe"),))
    both = with_premark(verdict, silent, scene.fitting)
    assert both.word == verdict.word
    assert both.insertion is None
    assert both.measurement == verdict.measurement
    assert "premark-unread" in {doubt.reason for doubt in both.reasons}


def test_a_reason_that_bars_the_gap_bars_the_insertion() -> None:
    verdict, scene = said(0.5, least=20.0)
    barred = replace(verdict, word="unproven", reasons=(Doubt("several-joints"),))
    before = pipes.verdict(pipes.marked(28.6, fitting=replace_tolerance(scene, 1.0)))
    assert with_premark(barred, before, scene.fitting).word == "unproven"
