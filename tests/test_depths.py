"""The mark's depth all round, from photos of the marked pipe; and how far the pipe is in where it is in least."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from calibration.camera import Camera
from tests import pipes
from vision.depths import Depths, least_insertion
from vision.drawn import Before
from vision.records import PremarkVerdict
from vision.ring import Fit, Wave

RADIUS_MM = pipes.fitting().pipe_od_mm / 2


def seen(at_deg: float | None, wave_mm: tuple[float, float] = (0.0, 0.0), mean_mm: float = 28.6,
         seed: int | None = None) -> Before:
    """A photo from a side of a pipe whose depth goes round as mean + a cos + b sin."""
    turn = math.radians(at_deg or 0.0)
    level = wave_mm[0] * math.cos(turn) + wave_mm[1] * math.sin(turn)
    slope = wave_mm[1] * math.cos(turn) - wave_mm[0] * math.sin(turn)
    scene = pipes.marked(mean_mm, tilt_deg=4.0, distance_mm=320.0, limb_noise_px=0.3)
    scene = replace(scene, seat_deg=-math.degrees(math.atan(level / RADIUS_MM)),
                    askew_mm=2 * slope * math.sin(math.radians(60)))
    depth, limbs, pose = pipes.stages(scene, None if seed is None else np.random.default_rng(seed))
    found = pipes.verdict(scene)
    placed = replace(found.placement, depth=replace(found.placement.depth, value_mm=depth.value_mm))
    return Before(replace(found, placement=placed, depth=depth, limbs=limbs, pose=pose), at_deg)


def same(one: Depths | None, other: Depths | None) -> bool:
    """Whether both tell one and the same."""
    if one is None or other is None:
        return one is other
    alike = str(replace(one, used=())) == str(replace(other, used=()))
    return alike and np.array_equal(one.wave.covariance, other.wave.covariance)


@pytest.mark.parametrize("wave_mm", [(0.0, 0.0), (1.2, 0.0), (-0.8, 1.0)])
def test_two_photos_tell_the_wave(wave_mm: tuple[float, float]) -> None:
    found = Depths.of([seen(45.0, wave_mm), seen(135.0, wave_mm)], 0)
    assert found is not None
    told = np.array([found.wave.mean_mm, found.wave.cos_mm, found.wave.sin_mm])
    off = told - [28.6, *wave_mm]
    assert abs(off[0]) < 0.3
    assert off @ np.linalg.solve(found.wave.covariance, off) < stats.chi2.ppf(0.95, 3)


def test_one_photo_knows_the_slant_across_it_and_little_of_the_one_along_it() -> None:
    found = Depths.of([seen(0.0, (0.0, 1.0))], 0)
    assert found is not None
    assert found.wave.sin_mm == pytest.approx(1.0, abs=0.15)
    assert found.wave.covariance[1, 1] > 4 * found.wave.covariance[2, 2]


def test_a_side_that_nobody_named_tells_a_level_and_no_wave() -> None:
    known, unknown = Depths.of([seen(0.0)], 0), Depths.of([seen(None)], 0)
    assert known is not None
    assert unknown is not None
    assert unknown.wave.mean_mm == pytest.approx(28.6, abs=0.05)
    assert (unknown.wave.cos_mm, unknown.wave.sin_mm) == pytest.approx((0.0, 0.0), abs=1e-6)
    assert unknown.wave.covariance[0, 0] > 2 * known.wave.covariance[0, 0]


def test_a_mark_that_was_drawn_anew_counts_alone() -> None:
    befores = [seen(45.0, mean_mm=24.0), seen(135.0)]
    found = Depths.of(befores, 1)
    assert found is not None
    assert found.wave.mean_mm == pytest.approx(28.6, abs=0.1)
    assert same(Depths.of(befores[1:], 0), found)


def test_where_less_than_half_was_photographed_another_side_may_be_anything_that_hands_do() -> None:
    one, two = Depths.of([seen(45.0)], 0), Depths.of([seen(45.0), seen(135.0)], 0)
    nobody = Depths.of([seen(None)], 0)
    assert one is not None
    assert two is not None
    assert nobody is not None
    assert str(two.unseen) == str(two.wave)
    assert np.array_equal(one.unseen.covariance, nobody.unseen.covariance)
    assert np.trace(one.unseen.covariance) > 2 * np.trace(one.wave.covariance)
    gap = gap_of(0.3, 0.0, 0.0)
    reach = [least_insertion(gap, each, 0.95, None).length for each in (one, two)]
    assert reach[0].high_mm - reach[0].low_mm > 2 * (reach[1].high_mm - reach[1].low_mm)


def test_photos_that_agree_know_more_than_one() -> None:
    one, two = Depths.of([seen(45.0)], 0), Depths.of([seen(45.0), seen(135.0)], 0)
    assert one is not None
    assert two is not None
    assert np.trace(two.wave.covariance) < 0.7 * np.trace(one.wave.covariance)


def test_photos_by_one_unknown_lens_err_alike() -> None:
    def ranged(at_deg: float) -> Before:
        before = seen(at_deg)
        placed = before.verdict.placement
        assert placed is not None
        wide = replace(placed, depth=replace(placed.depth, low_mm=26.0, high_mm=31.2, u_mm=1.5), lens_open=True)
        return replace(before, verdict=replace(before.verdict, placement=wide))

    found = [Depths.of([ranged(at) for at in sides], 0) for sides in ([45.0], [45.0, 135.0], [45.0, 135.0] * 2)]
    u_mm = [each.on(np.radians(np.arange(-17.0, 108.0)), 0.95).depth.u_mm for each in found if each]
    assert u_mm[0] == pytest.approx(1.5, abs=0.03)
    assert min(u_mm) > 0.93 * u_mm[0]
    assert all(each.counts.lens_open for each in found if each)


def test_a_range_that_counts_is_not_narrowed_by_a_photo_of_an_older_mark() -> None:
    old, new = seen(45.0, mean_mm=29.2), seen(135.0)
    placed = new.verdict.placement
    assert placed is not None
    ranged = replace(placed, depth=replace(placed.depth, low_mm=26.8, high_mm=31.0, u_mm=1.1), lens_open=True)
    told = Depths.of([old, replace(new, verdict=replace(new.verdict, placement=ranged))], 1)
    assert told is not None
    assert told.used == (1,)


def test_photos_by_several_unknown_lenses_are_not_extrapolated() -> None:
    """A lens twice as long nearby and an ordinary one from afar: taken for one lens, whose error is larger nearby, they
    would say that it is far off, and the depth with it."""
    def through(times: float, at_deg: float, distance_mm: float) -> Before:
        known = Camera(1500.0, (1007.5, 755.5), u_focal_px=180.0, u_centre_px=30.0, source="assumed")
        scene = pipes.marked(tilt_deg=4.0, distance_mm=times * distance_mm, limb_noise_px=0.3, assumed=known,
                             camera=replace(known, focal_px=times * known.focal_px))
        depth, limbs, pose = pipes.stages(scene)
        return Before(replace(pipes.verdict(scene), placement=pipes.placement(scene), depth=depth, limbs=limbs,
                              pose=pose), at_deg)

    shots = [through(2.1, 0.0, 180.0), *(through(1.0, at, 600.0) for at in (90.0, 180.0, 270.0))]
    alone = [each.verdict.placement.depth.value_mm for each in shots]
    told = Depths.of(shots, 1)
    assert told is not None
    on = told.on(np.radians(np.arange(-60.0, 61.0)), 0.95).depth
    assert on.low_mm < pipes.DEPTH_MM < on.high_mm
    assert min(alone) - 0.1 < on.value_mm < max(alone) + 0.1


def test_a_photo_that_told_nothing_tells_nothing() -> None:
    blank = Before(PremarkVerdict("unproven", ()), 90.0)
    assert Depths.of([blank], 0) is None
    assert Depths.of([blank, seen(0.0)], 0) is None  # the one that counts is blank
    assert same(Depths.of([blank, seen(0.0)], 1), Depths.of([seen(0.0)], 0))


def test_on_a_side_it_tells_what_a_photo_from_there_would() -> None:
    """The mean of a wave over an arc of 124 degrees about 90, by hand: m + b sin(62 deg)/1.082."""
    wave = Wave(28.0, 0.3, 1.0, np.diag([0.1, 0.2, 0.2]) ** 2)
    counts = replace(Depths.of([seen(0.0)], 0), wave=wave)
    angles = np.radians(np.linspace(28.0, 152.0, 2001))
    marked = counts.on(angles, 0.95)
    share = math.sin(math.radians(62)) / math.radians(62)
    assert marked.depth.value_mm == pytest.approx(28.0 + share, abs=1e-3)
    assert marked.depth.u_mm == pytest.approx(math.hypot(0.1, 0.2 * share), abs=1e-3)
    assert marked.depth.high_mm - marked.depth.value_mm == pytest.approx(1.96 * marked.depth.u_mm, rel=1e-3)


# --- the least insertion -----------------------------------------------------------------------------


def gap_of(mean: float, cos: float, sin: float, opened: tuple[float, float] = (0.0, 0.0), u: float = 0.1) -> Fit:
    spread = np.eye(3) * u**2
    return Fit(Wave(mean, cos, sin, spread), Wave(mean + opened[0], cos, sin, spread),
               Wave(mean + opened[1], cos, sin, spread), (mean + opened[0], u), True, 0.0)


def depths_of(mean: float, cos: float, sin: float, u: float = 0.1) -> Depths:
    known = Depths.of([seen(0.0)], 0)
    assert known is not None
    return replace(known, unseen=Wave(mean, cos, sin, np.eye(3) * u**2))


def test_intervals_hold_the_least_insertion() -> None:
    """Waves drawn about a truth: 95 in 100 hold it, a little more where errors alone make a wave."""
    rng, inside, count = np.random.default_rng(3), 0, 400
    for _ in range(count):
        gap, depth = np.array([0.6, *rng.normal(0, 0.5, 2)]), np.array([28.6, *rng.normal(0, 0.5, 2)])
        true = (depth - gap)[0] - math.hypot(*(depth - gap)[1:])
        told = least_insertion(gap_of(*(gap + rng.normal(0, 0.1, 3))), depths_of(*(depth + rng.normal(0, 0.1, 3))),
                               0.95, None).length
        inside += told.low_mm <= true <= told.high_mm
    low, high = stats.binom.ppf([0.001, 0.999], count, 0.955) / count
    assert low <= inside / count <= max(high, 0.985)


def test_the_low_end_takes_the_gap_at_its_largest_and_none_for_less_than_none() -> None:
    plain = least_insertion(gap_of(0.5, 0, 0), depths_of(28.6, 0, 0), 0.95, 27.0)
    opened = least_insertion(gap_of(0.5, 0, 0, (-0.4, 0.4)), depths_of(28.6, 0, 0), 0.95, 27.0)
    assert opened.length.low_mm == pytest.approx(plain.length.low_mm - 0.4, abs=1e-6)
    assert opened.length.high_mm == pytest.approx(plain.length.high_mm + 0.4, abs=1e-6)
    under = least_insertion(gap_of(-2.0, 0, 0), depths_of(28.6, 0, 0), 0.95, 27.0)
    level = least_insertion(gap_of(0.0, 0, 0), depths_of(28.6, 0, 0), 0.95, 27.0)
    assert under.length.low_mm == pytest.approx(level.length.low_mm, abs=1e-6)
    assert under.length.value_mm == pytest.approx(30.6)
    assert plain.p_enough is not None
    assert plain.p_enough > 0.99
    assert least_insertion(gap_of(0.5, 0, 0), depths_of(28.6, 0, 0), 0.95, None).p_enough is None
