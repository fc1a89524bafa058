"""Two verdicts on one joint -> Comparison: has the pipe moved since?

Both gaps are run through one Monte Carlo (JCGM 101).  What has one cause in both photos is drawn once: the
pipe's and the collar's diameter, the lip, the ink's own soft edge and, where the same camera took both, its
lens.  So it cancels from the difference, as far as the two views let it.

Where the mark comes out from under the lip in either photo its near edge can't be seen there, and where it lies
close to the mouth the seam's shadow may run into it; then the far edge of the same ink is compared in both.  Elsewhere
one line is as wide in both photos; where it isn't, no movement is told.

Another side of the joint may show another gap, as a pipe can be cocked and a mark askew.  Where it is known by
how much the photographer went round, only the arc that both photos show is compared; where it is not, what
another side may add stands in the budget.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from calibration.camera import Camera
from calibration.fittings import Fitting
from vision.propagation import (
    Draws,
    FirstOrder,
    Input,
    Normal,
    Rectangular,
    draw_all,
    e_n,
    first_order,
    normal_quantile,
    shared_inputs,
)
from vision.records import Contribution, Doubt, Floats, Gap, Interval, Limbs, Photo, Pose, Verdict
from vision.redraw import FOCAL_LENGTH, SidesTooUncertain
from vision.uncertainty import Chain, by_far_edge, wave_of
from vision.wave import apart_mm

Change = Literal["moved", "still", "unproven"]
EdgeName = Literal["near", "far"]

DRAWS = 4000
LEAST_COMMON_DEG = 25.0  # of an arc that both photos show; less is no mean
CLOSE_MM = 0.8  # a near edge nearer to the mouth than this may be one with the seam's shadow
# By so much the line's width may differ between two photos of it: of 287 pairs 98 in 100 differ by less than 0.5 mm,
# one by 0.85, and two, of whom a shadow's end had passed for the near edge, by 1.5 and 2.1 (DEVELOPERS.md).
MOST_WIDER_MM = 0.8
# From about the same side it is one stretch of the line: of 419 pairs half differ by less than 3 in 100 of its width,
# one in twenty by more than 11.  Where it seems wider, a side of the pipe, and so the scale, may be misread.
SAME_SIDE_DEG, SAME_SIDE_SHARE, LEAST_WIDER_MM = 30.0, 0.14, 0.2
# Inputs of a gap that all photos of one joint share, and those that they share where one camera took them.
SAME_JOINT = ("pipe diameter", "collar diameter", "lip radius")
SAME_LENS = ("focal length", "principal point", "lens distortion")
# Times the assumed focal length, of a gap: through a lens yet longer the pipe's sides contradict its mouth.
_ANY_LENS = (0.45, 2.1)
_LENS_OPEN = "a lens that nobody knows"
_INK = "ink's own edge"
_MOUTH = "this mouth"
# Share of a mouth's variance that two photos of one collar have in common.  In 904 rendered pairs, from other days,
# lights and cameras, the errors of both gaps correlate by 0.17 (standard error 0.03), and the mouth makes up half of a
# gap's variance; it was 0.1 until version 0.17, by 101 pairs.
SAME_MOUTH = 0.3
_SIDE = "seen from another side"


@dataclass(frozen=True)
class Turn:
    """By how much a photo was taken from further round the pipe than another, degrees, and who says so.

    Positive clockwise for someone who looks along the pipe, the collar at their back.
    by: "features" that both photos show, or the user's "word".
    """

    deg: float
    u_deg: float
    by: str


@dataclass(frozen=True)
class Comparison:
    """The answer.  movement: gap now less gap then, positive where the pipe came out; None: not measured.

    e_n: movement over its expanded uncertainty.  shown_mm: the smallest movement that would have been told
    from none.  least_mm: the movement that must be excluded before a joint is still.
    edge: of the mark that was compared.  correlation: of the two gaps' errors.
    """

    word: Change
    reasons: tuple[Doubt, ...]
    least_mm: float
    old: Verdict = field(repr=False)
    new: Verdict = field(repr=False)
    movement: Interval | None = None
    e_n: float | None = None
    shown_mm: float | None = None
    correlation: float | None = None
    edge: EdgeName | None = None
    turn: Turn | None = None
    common_deg: float | None = None
    budget: tuple[Contribution, ...] = ()
    confidence: float = 0.95


def compare(old: Verdict, new: Verdict, fitting: Fitting, *, turn: Turn | None = None, least_mm: float | None = None,
            confidence: float = 0.95, seed: int = 0) -> Comparison:
    """Whether the pipe moved between two photos of one joint.

    turn: of `new` against `old`, where it is known.  least_mm: the movement that matters; by default the
    fitting's largest gap.  `moved` where the interval of the movement leaves 0 out (|E_n| > 1), `still` where
    it holds 0 and all of it lies within `least_mm` both ways, else `unproven` with its reasons.
    """
    least = fitting.max_gap_mm if least_mm is None else least_mm
    blank = Comparison("unproven", (), least, old, new, turn=turn, confidence=confidence)
    missing = [*_missing(old, "first"), *_missing(new, "later")]
    if missing:
        return replace(blank, reasons=(*missing, *_of_fitting(fitting)))
    both = Seen.of(old), Seen.of(new)
    if doubts := _hidden(*both) or _unlike(*both, turn):
        return replace(blank, reasons=(*doubts, *_of_photos(old, new), *_of_fitting(fitting)))
    pair = _Pair.of(*both, turn, fitting)
    try:
        found = pair.measured(confidence, seed)
    except SidesTooUncertain:
        doubt = Doubt("edges-not-found", "too uncertain to measure from")
        return replace(blank, reasons=(doubt, *_of_photos(old, new), *_of_fitting(fitting)))
    movement, e = found.movement, found.e_n
    shown = (movement.high_mm - movement.low_mm) / 2
    word, reasons = _word(movement, least, turn)
    return replace(
        blank, word=word, reasons=(*reasons, *_of_photos(old, new), *_of_fitting(fitting)), movement=movement,
        e_n=e, shown_mm=shown, correlation=found.correlation, edge=pair.edge, common_deg=pair.common_deg,
        budget=found.budget)


def _missing(verdict: Verdict, which: str) -> list[Doubt]:
    """Why a photo has nothing to compare: its own reasons."""
    if verdict.gap is not None and verdict.measurement is not None:
        return []
    return [Doubt(each.reason, f"{which} photo{': ' if each.detail else ''}{each.detail}")
            for each in verdict.reasons if each.reason != "demo-fitting"]


def _hidden(old: Seen, new: Seen) -> list[Doubt]:
    """Why two marks can't be compared by their far edges, where they have to be: a hand placed only the near one."""
    if not (old.is_at_the_mouth or new.is_at_the_mouth):
        return []
    return [Doubt("mark-hidden", f"{which} photo: only the mark's near edge was placed")
            for which, seen in (("first", old), ("later", new)) if seen.gap.far is None]


def _unlike(old: Seen, new: Seen, turn: Turn | None) -> list[Doubt]:
    """Why the two photos can't show the same two edges of one line at one scale, where both lie free of the mouth.

    The collar's shadow on a broad line hides its near edge, and leaves one where it ends.  A board that hides a side of
    pipe and collar alike makes all that is measured there too large.
    """
    widths = old.gap.line_width_mm, new.gap.line_width_mm
    if old.is_at_the_mouth or new.is_at_the_mouth or widths[0] is None or widths[1] is None:
        return []
    most = MOST_WIDER_MM
    if turn is not None and abs(turn.deg) <= SAME_SIDE_DEG:
        most = min(most, max(LEAST_WIDER_MM, SAME_SIDE_SHARE * max(widths[0], widths[1])))
    if abs(widths[0] - widths[1]) < most:
        return []
    return [Doubt("mark-differs", f"{widths[0]:.1f} mm wide on the first photo, {widths[1]:.1f} mm on the later one")]


def _of_fitting(fitting: Fitting) -> list[Doubt]:
    return [Doubt("demo-fitting")] if fitting.is_demo else []


def _of_photos(old: Verdict, new: Verdict) -> list[Doubt]:
    """Doubts about a photo that bear on the difference too."""
    return [Doubt(each.reason, f"{which} photo") for which, verdict in (("first", old), ("later", new))
            for each in verdict.reasons if each.reason in ("focal-assumed", "assisted")]


def _word(movement: Interval, least: float, turn: Turn | None) -> tuple[Change, list[Doubt]]:
    side = [] if turn else [Doubt("side-unknown")]
    if movement.low_mm > 0 or movement.high_mm < 0:
        return "moved", side
    if -least <= movement.low_mm and movement.high_mm <= least:
        return "still", side
    shown = (movement.high_mm - movement.low_mm) / 2
    return "unproven", [Doubt("movement-too-small", f"less than {shown:.1f} mm could not have been told; "
                                                    f"{least:.1f} mm has to be excluded"), *side]


@dataclass(frozen=True)
class Seen:
    """The records of a measured photo, none of them missing."""

    photo: Photo
    limbs: Limbs
    pose: Pose
    gap: Gap

    @classmethod
    def of(cls, verdict: Verdict) -> Seen:
        """Of a verdict with a gap.  Raises ValueError for one without."""
        photo, limbs, pose, gap = verdict.photo, verdict.limbs, verdict.pose, verdict.gap
        if photo is None or limbs is None or pose is None or gap is None:
            raise ValueError("a verdict without a gap can't be compared")
        return cls(photo, limbs, pose, gap)

    @property
    def is_at_the_mouth(self) -> bool:
        """Whether the mark's near edge is hidden, or too near the mouth to be told from its shadow."""
        return self.gap.touches or self.gap.value_mm < CLOSE_MM

    def by_far_edge(self) -> Seen:
        """The same photo with the mark's far edge in place of the near one."""
        gap = by_far_edge(self.gap)
        if gap is None:
            raise ValueError("the far edge of this mark was not read")
        return replace(self, gap=gap)

    def within(self, low_rad: float, high_rad: float) -> Seen:
        """The mark on this arc alone; the mouth is a plane's cut, and stays whole."""
        near = self.gap.near
        kept = (near.angles_rad >= low_rad) & (near.angles_rad <= high_rad)
        part = replace(near, angles_rad=near.angles_rad[kept], at_mm=near.at_mm[kept], points_px=near.points_px[kept])
        return replace(self, gap=replace(self.gap, near=part))

    @property
    def arc_rad(self) -> tuple[float, float]:
        """From the first to the last row of the mark."""
        angles = self.gap.near.angles_rad
        return float(angles.min()), float(angles.max())


def same_lens(cameras: Sequence[Camera]) -> bool:
    """Whether photos were taken through one lens, known to be: of two unknown ones nobody knows that they are one."""
    return all(camera == cameras[0] and camera.source != "assumed" for camera in cameras)


def _lens_open(chain: Chain) -> tuple[Rectangular, ...]:
    """What a gap may be off for a lens that nobody knows: one gap hardly needs it, the difference of two does."""
    camera = chain.pipe.camera
    if camera.source != "assumed" or camera.u_focal_px == 0:
        return ()
    known = chain.estimates()
    lenses = (known | {FOCAL_LENGTH: np.array([times * camera.focal_px])} for times in (1, *_ANY_LENS))
    as_read, *others = (float(chain.gap_mm(each)[0]) for each in lenses)
    off = max(abs(other - as_read) for other in others)
    return (Rectangular(_LENS_OPEN, -off, off),)


@dataclass(frozen=True)
class _Found:
    movement: Interval
    e_n: float
    correlation: float
    budget: tuple[Contribution, ...]


@dataclass(frozen=True)
class _Pair:
    """Both photos, reduced to what can be compared.  u_side_mm: what different sides may add."""

    chains: tuple[Chain, Chain]
    cameras: tuple[Camera, Camera]
    edge: EdgeName
    ink_mm: float
    u_side_mm: float
    common_deg: float | None

    @classmethod
    def of(cls, old: Seen, new: Seen, turn: Turn | None, fitting: Fitting) -> _Pair:
        edge: EdgeName = "far" if any(each.is_at_the_mouth for each in (old, new)) else "near"
        if edge == "far":
            old, new = old.by_far_edge(), new.by_far_edge()
        ink = min(old.gap.near.bias_mm, new.gap.near.bias_mm)
        common = _common(old, new, turn)
        if common is not None:
            shift = math.radians(turn.deg if turn else 0.0)
            old, new = old.within(*common), new.within(common[0] - shift, common[1] - shift)
        old, new = _without(old, ink), _without(new, ink)
        chains = [Chain.of(each.gap, each.limbs, each.pose, each.photo.camera, fitting) for each in (old, new)]
        return cls((chains[0], chains[1]), (chains[0].pipe.camera, chains[1].pipe.camera), edge, ink,
                   _side_u(old, new, turn, common is not None, fitting),
                   math.degrees(common[1] - common[0]) if common else None)

    def measured(self, confidence: float, seed: int) -> _Found:
        """The movement by Monte Carlo, its budget by the first-order law."""
        inputs, own = self._inputs()
        drawn = draw_all(inputs, DRAWS, seed)
        gaps = [self._gap(k, own, drawn) for k in (0, 1)]
        draws = Draws.of(gaps[1] - gaps[0] + drawn[_SIDE])
        return _Found(*self._interval(draws, confidence), _correlation(gaps), _budget(self.first_order()))

    def first_order(self) -> FirstOrder:
        """The same difference by the law of propagation."""
        inputs, own = self._inputs()
        return first_order(lambda q: self._difference(own, q), inputs)

    def _inputs(self) -> tuple[list[Input], tuple[Mapping[str, str], ...]]:
        both = Normal(_INK, 0.0, self.ink_mm), Normal(_MOUTH, 0.0, self.mouth_mm)
        lists = [[*(self._own(item) for item in chain.inputs()), *both, *_lens_open(chain)] for chain in self.chains]
        lens = SAME_LENS if same_lens(self.cameras) else ()
        shared = shared_inputs(lists, {*SAME_JOINT, *lens, _INK, _MOUTH})
        return [*shared.inputs, Normal(_SIDE, 0.0, self.u_side_mm)], shared.own

    @property
    def mouth_mm(self) -> float:
        """Standard uncertainty of the mouth that both photos share."""
        return math.sqrt(SAME_MOUTH) * min(chain.u_mm["mouth edge"] for chain in self.chains)

    def _own(self, item: Input) -> Input:
        """An input without the part that both photos share."""
        if isinstance(item, Normal) and item.name == "mouth edge":
            return replace(item, u=math.sqrt(max(0.0, item.u**2 - self.mouth_mm**2)))
        return item

    def _gap(self, k: int, own: tuple[Mapping[str, str], ...], drawn: Mapping[str, Floats]) -> Floats:
        values = {name: drawn[key] for name, key in own[k].items()}
        return self.chains[k].gap_mm(values) + values[_INK] - values[_MOUTH] + values.get(_LENS_OPEN, 0.0)

    def _difference(self, own: tuple[Mapping[str, str], ...], q: Mapping[str, Floats]) -> Floats:
        return np.asarray(self._gap(1, own, q) - self._gap(0, own, q) + q[_SIDE])

    def _interval(self, draws: Draws, confidence: float) -> tuple[Interval, float]:
        """Interval and E_n.

        A stretch that a view leaves open is no chance as long as there is one view.  In two views of one collar it
        has one cause, and mostly cancels; so its whole length counts once a view, in quadrature.
        """
        opened = [chain.open_mm for chain in self.chains]
        stretch = sum((high - low) ** 2 for low, high in opened)
        rest = math.sqrt(max(0.0, draws.u**2 - stretch / 12))
        value = draws.mean - sum(opened[1]) / 2 + sum(opened[0]) / 2
        reach = normal_quantile((1 + confidence) / 2) * rest
        low = value - math.hypot(opened[1][0], opened[0][1], reach)
        high = value + math.hypot(opened[1][1], opened[0][0], reach)
        return Interval(value, low, high, draws.u), e_n(value, low, high)


def _common(old: Seen, new: Seen, turn: Turn | None) -> tuple[float, float] | None:
    """The arc that both marks were read on, in the first photo's angles; None where unknown or too short."""
    if turn is None:
        return None
    shift = math.radians(turn.deg)
    low = max(old.arc_rad[0], new.arc_rad[0] + shift)
    high = min(old.arc_rad[1], new.arc_rad[1] + shift)
    rows = min(_count(old, low, high), _count(new, low - shift, high - shift))
    return (low, high) if high - low >= math.radians(LEAST_COMMON_DEG) and rows >= 5 else None


def _count(seen: Seen, low: float, high: float) -> int:
    angles = seen.gap.near.angles_rad
    return int(((angles >= low) & (angles <= high)).sum())


def _without(seen: Seen, ink_mm: float) -> Seen:
    """The mark's edge without the part of its uncertainty that is the ink's own, the same in both photos."""
    near = seen.gap.near
    rest = math.sqrt(max(0.0, near.bias_mm**2 - ink_mm**2))
    return replace(seen, gap=replace(seen.gap, near=replace(near, bias_mm=rest)))


def _side_u(old: Seen, new: Seen, turn: Turn | None, common: bool, fitting: Fitting) -> float:
    """What the sides photographed may add to the difference, mm.

    The gap goes round the pipe as g0 + a cos + b sin; each of a and b is known no better than seat and hand
    allow, or than the slant that was read says.  On a common arc only the doubt about the turn is left.
    """
    wave = max(wave_of(seen.gap, fitting) for seen in (old, new))
    if turn is None:
        return apart_mm(wave, None)
    return apart_mm(wave, 0.0 if common else turn.deg, turn.u_deg)


def _correlation(gaps: list[Floats]) -> float:
    return float(np.corrcoef(gaps[0], gaps[1])[0, 1])


def _budget(linear: FirstOrder) -> tuple[Contribution, ...]:
    return tuple(Contribution(part.name, part.u, part.share) for part in linear.budget)
