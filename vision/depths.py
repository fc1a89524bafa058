"""Photos of one marked pipe -> the mark's depth all round it, and with the gap all round how far the pipe is in where
it is in least: part of `views`.

The depth goes round the pipe as m + a cos + b sin: a mark is drawn askew, a cut is out of square.  A photo tells it
over the arc that it shows, and how mark and cut run against each other there: across the line of sight well, along it,
where it passes for a bow, badly.  Both lie on one axis, so that what is wrong with the axis takes nothing from this.
Of a side that no photo shows only what hands and saws do is known.

Insertion is depth less gap, and a mark drawn askew goes out of that difference: what is left is the cut and the seat.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vision.drawn import Before
from vision.insertion import MAY_DIFFER, Marked, by_pipe_mm
from vision.propagation import normal_quantile
from vision.records import Depth, Floats, Insertion, Interval, Placement, PremarkWord
from vision.redraw import FOCAL_LENGTH
from vision.ring import LEAST_SEEN, Fit, Wave, chi_square, draws_of, share_of
from vision.wave import HAND_RAD, SAW_RAD, TOLD_U_DEG

# How well edges on the strip tell by how much mark and cut lean against each other: of 1,062 photos of marked pipes
# (`studio.stories marked`, 200000 and 210000) the slant across the line of sight is off by 0.15 mm, whatever the pipe's
# size.  A bow, which is how a slant along it looks, is told as 0.66 of what it is, for a cut's course is held straight
# where few rows tell, give or take 0.0085 of the radius and 1.9 times what the mark's rows scatter by.  All of them are
# taken for half as much again: where a wrong word could come of it, one side of the pipe was never seen.
SLANT_U_MM, BOW_TOLD = 0.24, 0.65
BOW_U_RAD, BOW_BY_SCATTER = 0.0125, 2.8
# What hands and saws do is asked here of pipes whose least side decides: those are worse than pipes usually are.
_SUSPECTED = 2.0
_DISAGREE = 0.999
_ROUNDS = 3  # a side that was named wrong shifts a wave by how steep it is, which is known once it is fitted


@dataclass(frozen=True)
class Depths:
    """The mark's depth all round, angles as the photos' sides are counted; and what the photo that counts told.

    unseen: the same for sides that no photo shows.  Where less than half of the pipe was photographed it is what a
    photo from any side would leave open, since a bow that is read wrong makes a wave that nothing contradicts.
    used: the photos that may show one line with the one that counts, by their places.  sided: whether that one's side
    is known.
    """

    wave: Wave
    unseen: Wave
    counts: Marked
    used: tuple[int, ...] = (0,)
    sided: bool = True

    @classmethod
    def of(cls, befores: Sequence[Before], counts: int) -> Depths | None:
        """From photos of the pipe, `counts` being the one that counts; None where that told no depth.

        Of the others only those are used that may show the same line: one that was drawn anew lies elsewhere.
        """
        told = [_Told.of(before) for before in befores]
        best = told[counts]
        if best is None:
            return None
        used = {place: each for place, each in enumerate(told)
                if each and (each is best or _shows_its_line(each, best))}
        wave, agree = _fitted([*used.values()])
        if not agree:
            used = {counts: best}
            wave, _ = _fitted([best])
        enough = _seen_share([*used.values()]) >= LEAST_SEEN
        unseen = wave if enough else _fitted([replace(each, at_rad=None) for each in used.values()])[0]
        return cls(wave, unseen, Marked.of(best.placement), tuple(used), best.at_rad is not None)

    def on(self, angles_rad: Floats, confidence: float) -> Marked:
        """As if a photo had been taken of the marked pipe that shows these lines of it."""
        basis = np.array([1.0, float(np.cos(angles_rad).mean()), float(np.sin(angles_rad).mean())])
        value = float(basis @ [self.wave.mean_mm, self.wave.cos_mm, self.wave.sin_mm])
        u_mm = math.sqrt(float(basis @ self.wave.covariance @ basis))
        reach = normal_quantile((1 + confidence) / 2) * u_mm
        return replace(self.counts, depth=Interval(value, value - reach, value + reach, u_mm), same_side=True)


def least_insertion(gap: Fit, depths: Depths, confidence: float, least_mm: float | None, seed: int = 0) -> Insertion:
    """How far the pipe is in where it is in least, seen or not.

    Errors make a wave of any difference, and a wave has its bottom below its mean: of one that may as well be level
    the high end is that of a level one.  A gap that lies under the collar all round counts as none for the low end.
    """
    tail, depth = (1 - confidence) / 2, depths.unseen
    ways = {name: depth.less(wave) for name, wave in (("low", gap.high), ("middle", gap.middle), ("high", gap.low))}
    drawn = {name: _lowest(wave, seed) for name, wave in ways.items()}
    under = max(0.0, -(gap.high.mean_mm + gap.high.amplitude_mm))
    value = ways["middle"].mean_mm - ways["middle"].amplitude_mm
    high = float(np.quantile(drawn["high"], 1 - tail))
    if ways["high"].is_level:
        level = ways["high"]
        high = max(high, level.mean_mm + normal_quantile(1 - tail) * math.sqrt(float(level.covariance[0, 0])))
    low = float(np.quantile(drawn["low"], tail)) - under
    u_mm = math.hypot(float(drawn["middle"].std()), (gap.high.mean_mm - gap.middle.mean_mm) / math.sqrt(3))
    enough = None if least_mm is None else float((drawn["middle"] >= least_mm).mean())
    return Insertion(Interval(value, min(low, value), max(high, value), u_mm), enough,
                     lens_open=depths.counts.lens_open)


def _lowest(wave: Wave, seed: int) -> Floats:
    """Draws of a wave's lowest place."""
    drawn = draws_of(wave, seed)
    return np.asarray(drawn[:, 0] - np.hypot(drawn[:, 1], drawn[:, 2]))


@dataclass(frozen=True)
class _Told:
    """What one photo told: the depth over its arc, how mark and cut lean against each other, all in its own angles.

    word: for the photo.  angles_rad: of the mark's rows.  scatter_mm: of these rows.  at_rad: the side it was taken
    from, or None where nobody knows.
    """

    word: PremarkWord
    placement: Placement
    angles_rad: Floats
    lean_mm: Floats
    scatter_mm: float
    radius_mm: float
    at_rad: float | None

    @classmethod
    def of(cls, before: Before) -> _Told | None:
        said = before.verdict
        if said.placement is None or said.depth is None or said.pose is None:
            return None
        angles = said.depth.near.angles_rad
        basis = np.column_stack([np.ones(len(angles)), np.cos(angles), np.sin(angles)])
        lean = np.linalg.lstsq(basis, _apart_mm(said.depth), rcond=None)[0][1:]
        at = None if before.at_deg is None else math.radians(before.at_deg)
        return cls(said.word, said.placement, angles, lean, said.depth.near.sigma_mm, said.pose.pipe.radius_mm, at)

    @property
    def seen(self) -> Floats:
        """Mean of 1, cos and sin over the arc."""
        return np.array([1.0, np.cos(self.angles_rad).mean(), np.sin(self.angles_rad).mean()])

    @property
    def u_mm(self) -> float:
        """Standard uncertainty of the depth; of a range, as if its ends were those of a normal law."""
        depth = self.placement.depth
        k = normal_quantile((1 + self.placement.confidence) / 2)
        return max(depth.u_mm, (depth.high_mm - depth.low_mm) / 2 / k)

    @property
    def common_mm(self) -> tuple[float, float]:
        """What of that comes from the pipe's diameter and from the lens; of a range all that nothing else explains."""
        budget = self.placement.budget
        pipe, lens = by_pipe_mm(budget), sum(part.u_mm for part in budget if part.name == FOCAL_LENGTH)
        if self.placement.lens_open:
            others = sum(part.u_mm**2 for part in budget if part.name != FOCAL_LENGTH)
            lens = math.sqrt(max(0.0, self.u_mm**2 - others))
        return pipe, lens

    @property
    def wave_u_mm(self) -> float:
        """Standard deviation of a and of b before anything is read, or more where the cut was seen to lean by more."""
        usual = _SUSPECTED * math.hypot(HAND_RAD, SAW_RAD) * self.radius_mm
        return max(usual, self.placement.wave_mm, self.placement.cut.across.high_mm / 4)

    def rows(self, wave: Floats, wave_u_mm: float) -> tuple[Floats, Floats, Floats]:
        """What it says of (m, a, b): its rows, what they come to, and their covariance, the wave being about `wave`.

        A photo whose side nobody knows says what the depth is on a side that may be any.
        """
        if self.at_rad is None:
            variance = self.u_mm**2 + (wave_u_mm * float(np.hypot(*self.seen[1:]))) ** 2
            return np.array([[1.0, 0, 0]]), np.array([self.placement.depth.value_mm]), np.array([[variance]])
        turned = _turned(self.at_rad)
        rows = np.vstack([self.seen, [0, BOW_TOLD, 0], [0, 0, 1]]) @ turned
        found = np.array([self.placement.depth.value_mm, *self.lean_mm])
        a, b = (turned @ wave)[1:]
        beside = np.array([self.seen[1] * b - self.seen[2] * a, BOW_TOLD * b, -a]) * math.radians(TOLD_U_DEG)
        bow_u_mm = math.hypot(BOW_U_RAD * self.radius_mm, BOW_BY_SCATTER * self.scatter_mm)
        own = np.diag([self.u_mm, bow_u_mm, SLANT_U_MM]) ** 2
        return rows, found, own + np.outer(beside, beside)


def _turned(at_rad: float) -> Floats:
    """(m, a, b) in the angles of a photo that was taken from this side."""
    cos, sin = math.cos(at_rad), math.sin(at_rad)
    return np.array([[1.0, 0, 0], [0, cos, sin], [0, -sin, cos]])


def _shows_its_line(one: _Told, best: _Told) -> bool:
    """Whether a photo may show the line of the one that counts.

    Where that tells but a range, nearly any mark lies within it, an older one that was wiped off too: then a photo that
    knows the depth well says nothing of this line.
    """
    return best.placement.lens_open <= one.placement.lens_open and _may_be_one(one, best)


def _may_be_one(one: _Told, other: _Told) -> bool:
    """Whether two photos may show one line: as deep as the other, but for what their slants and hands make of the way
    round from one side to the other."""
    if {one.word, other.word} == {"placed", "misplaced"}:
        return False
    apart = one.placement.depth.value_mm - other.placement.depth.value_mm
    variance = one.u_mm**2 + other.u_mm**2
    if one.at_rad is not None and other.at_rad is not None:
        first, second = _turned(one.at_rad), _turned(other.at_rad)
        slants = np.array([first[2, 1:], second[2, 1:]])
        weight = np.eye(2) / (math.hypot(HAND_RAD, SAW_RAD) * one.radius_mm) ** 2 + slants.T @ slants / SLANT_U_MM**2
        spread = np.linalg.inv(weight)
        leans = spread @ slants.T @ [one.lean_mm[1], other.lean_mm[1]] / SLANT_U_MM**2
        way = (one.seen @ first - other.seen @ second)[1:]
        apart, variance = apart - float(way @ leans), variance + float(way @ spread @ way)
    return abs(apart) <= MAY_DIFFER * math.sqrt(variance)


def _seen_share(told: Sequence[_Told]) -> float:
    """Share of the circumference on which photos from known sides show the mark."""
    return share_of([np.degrees(each.angles_rad + each.at_rad) for each in told if each.at_rad is not None])


def _fitted(told: Sequence[_Told]) -> tuple[Wave, bool]:
    """The wave that all photos and what hands and saws do make likeliest, and whether they may show one line."""
    wave_u_mm = max(each.wave_u_mm for each in told)
    prior = np.diag([0.0, 1 / wave_u_mm**2, 1 / wave_u_mm**2])
    theta = np.zeros(3)
    for _ in range(_ROUNDS):
        parts = [each.rows(theta, wave_u_mm) for each in told]
        rows, found = np.vstack([part[0] for part in parts]), np.concatenate([part[1] for part in parts])
        errors = _errors(told, [part[2] for part in parts])
        weighed = np.linalg.solve(errors, rows)
        spread = np.linalg.inv(rows.T @ weighed + prior)
        theta = spread @ weighed.T @ found
    rest = found - rows @ theta
    score, free = float(rest @ np.linalg.solve(errors, rest)), len(found) - len(theta)
    wave = Wave(float(theta[0]), float(theta[1]), float(theta[2]), np.asarray(spread))
    return wave, len(told) < 2 or score <= chi_square(_DISAGREE, max(free, 1))


def _errors(told: Sequence[_Told], parts: Sequence[Floats]) -> Floats:
    """Covariance of what all photos say; the pipe is the same in all of them, and so is a lens that is known."""
    starts = np.cumsum([0, *(len(part) for part in parts)])
    errors = np.zeros((starts[-1], starts[-1]))
    common = np.zeros((starts[-1], 2))
    for each, part, start in zip(told, parts, starts[:-1], strict=True):
        errors[start:start + len(part), start:start + len(part)] = part
        common[start] = each.common_mm
    pipe, lens = common.T
    shared = np.outer(pipe, pipe) + (_of_any_lens(lens) if any(each.placement.lens_open for each in told)
                                     else np.outer(lens, lens))
    return np.asarray(errors + shared - np.diag(np.diag(shared)))


def _of_any_lens(lens_mm: Floats) -> Floats:
    """Covariance of what lenses that nobody knows leave open: they may be one or several.

    Of errors that were one, weights would be extrapolated to where no photo's own depth lies; so no more counts for
    common than the photo that needs the lens less has of it.
    """
    return np.asarray(np.minimum.outer(np.abs(lens_mm), np.abs(lens_mm)) ** 2)


def _apart_mm(depth: Depth) -> Floats:
    """How far mark and cut lie apart on the mark's rows."""
    order = np.argsort(depth.cut.angles_rad)
    return depth.near.at_mm - np.interp(depth.near.angles_rad, depth.cut.angles_rad[order], depth.cut.at_mm[order])
