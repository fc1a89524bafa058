"""The gap all round the pipe as one wave: part of `views`.

The gap goes round as g0 + a cos + b sin: a pipe cocked in its collar and a mark drawn askew both make such a wave.
Its three numbers are fitted to every block of rows of every view by generalised least squares.  The covariance of
those readings comes from draws in which the fitting's diameters, the lip, the seat of the pipe and part of what the
reader makes of this mouth are the same for all views (JCGM 101); a and b are held by what seat and hand allow (a
prior), so that the side that nobody saw is known as well as that, and no better.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain

import numpy as np

from calibration.fittings import Fitting
from vision.compare import SAME_JOINT, SAME_LENS, Seen, Turn, same_lens
from vision.propagation import (
    Even,
    Input,
    Normal,
    Rectangular,
    draw_all,
    normal_quantile,
    shared_inputs,
    symmetric_root,
)
from vision.records import Floats, Interval, Verdict
from vision.redraw import SidesTooUncertain
from vision.uncertainty import HAND, Chain
from vision.usual import OFF_CENTRE_MM
from vision.wave import HAND_RAD, SEAT_RAD

DRAWS = 4000
LEAST_SEEN = 0.5  # of the circumference, for `full`: this program's own rule, of no standard
SAME_MOUTH = 0.5  # share of a mouth's variance that all views of one collar have in common
WIDTH_U_MM = 0.15  # how evenly wide a hand-drawn ring is from one side to another
UNDER_MM = 3.0  # how far under the collar a mark may begin of which no view shows the width
# By which a mouth may slant or bow besides; a survey tells its level alone, so that less of this than of the level is
# known since there is one.
SHAPE_U_MM = 0.17
WAVE_U_MM = 0.08  # by which blocks of a hand-drawn ring lie off its wave
_PUT_BY_HERE = {"pipe off centre", "mark askew", "hidden by the lip", "mark ragged"}
_DISAGREE = 0.999


@dataclass(frozen=True)
class Wave:
    """Something that goes round the pipe: mean + cos cos(angle) + sin sin(angle), mm.  covariance: (3, 3)."""

    mean_mm: float
    cos_mm: float
    sin_mm: float
    covariance: Floats = field(repr=False)

    @property
    def amplitude_mm(self) -> float:
        """Half of what it is higher on one side than on the other."""
        return math.hypot(self.cos_mm, self.sin_mm)

    @property
    def top_deg(self) -> float:
        """Where it is highest, 0 to 360."""
        return math.degrees(math.atan2(self.sin_mm, self.cos_mm)) % 360

    @property
    def amplitude_u_mm(self) -> float:
        """Standard uncertainty of the amplitude."""
        way = np.array([self.cos_mm, self.sin_mm]) / max(self.amplitude_mm, 1e-9)
        return math.sqrt(float(way @ self.covariance[1:, 1:] @ way))

    @property
    def is_level(self) -> bool:
        """Whether it may as well be the same all round (95 %)."""
        both = np.array([self.cos_mm, self.sin_mm])
        return float(both @ np.linalg.solve(self.covariance[1:, 1:], both)) < chi_square(0.95, 2)

    def less(self, other: Wave) -> Wave:
        """The difference of two waves that are independent."""
        return Wave(self.mean_mm - other.mean_mm, self.cos_mm - other.cos_mm, self.sin_mm - other.sin_mm,
                    self.covariance + other.covariance)

    def at(self, angle_rad: Floats) -> Floats:
        """Its height at angles."""
        return np.asarray(_basis(angle_rad) @ np.array([self.mean_mm, self.cos_mm, self.sin_mm]))


@dataclass(frozen=True)
class Placed:
    """A view and where it was taken from; turn: from where the user counts, else from the first view; or not known."""

    verdict: Verdict
    turn: Turn | None

    @property
    def read_deg(self) -> tuple[float, ...]:
        """Angles round the pipe at which the mark was read."""
        if self.turn is None or self.verdict.gap is None:
            return ()
        return tuple(float(v) for v in np.degrees(self.verdict.gap.near.angles_rad) + self.turn.deg)


def _basis(angles_rad: Floats) -> Floats:
    return np.stack([np.ones_like(angles_rad), np.cos(angles_rad), np.sin(angles_rad)], -1)


@dataclass(frozen=True)
class _Reading:
    """One view: its chain, what is to be taken off what the chain reads, and what it leaves open.

    by_width: the ring's width, as other views show it, is taken off the far edge.
    """

    chain: Chain
    turn: Turn
    open_mm: tuple[float, float]
    less_mm: float = 0.0
    by_width: bool = False

    @property
    def angles_rad(self) -> Floats:
        """Of its blocks, round the pipe."""
        return self.chain.angles_rad + math.radians(self.turn.deg)

    def rows_mm(self, values: Mapping[str, Floats]) -> Floats:
        """Gaps (draws, blocks) for values of the chain's inputs."""
        return _filled(self.chain.rows_mm(values)) - self.less_mm

    def own_errors(self) -> Floats:
        """Covariance of the blocks from what the chain has no input for.

        Ragged blocks err alone.  A mouth that is read off as a whole may be read off here more than there: its
        slant and its bow are trusted less than its place.
        """
        angles, u = self.chain.angles_rad, self.chain.u_mm
        slant, bow = np.sin(angles), 2 * (1 - np.cos(angles))
        alone = u["mark ragged"] ** 2 * len(angles) + WAVE_U_MM**2
        shape = (u["mouth edge"] ** 2 + SHAPE_U_MM**2) * (np.outer(slant, slant) + np.outer(bow, bow))
        return np.asarray(shape + alone * np.eye(len(angles)))


@dataclass(frozen=True)
class Ring:
    """All views, ready to be fitted.  wave_u_mm: standard deviation of a and of b before anything is read."""

    readings: tuple[_Reading, ...]
    wave_u_mm: float
    same_lens: bool

    @classmethod
    def of(cls, views: Sequence[Placed], fitting: Fitting) -> Ring:
        """From measured views that have a place.

        Where the mark touches the mouth its near edge is hidden: its far edge is read, less the width that other
        views show; where none shows it, the view that shows most of the mark is held to have its near edge at
        the mouth or under the lip.  Where a person placed the near edge alone, it is read with what it leaves open.
        """
        seen = [(Seen.of(view.verdict), view.turn or Turn(0, 0, "first")) for view in views]
        free = [each.gap.line_width_mm for each, _ in seen
                if not each.gap.touches and each.gap.line_width_mm is not None]
        at_mouth, width = _at_the_mouth([each for each, _ in seen], fitting)
        readings = []
        for each, turn in seen:
            if not each.gap.touches or each.gap.far is None:
                chain = _chain(each, fitting)
                readings.append(_Reading(chain, turn, chain.open_mm))
                continue
            chain = _chain(each.by_far_edge(), fitting)
            if free:
                readings.append(_Reading(chain, turn, chain.open_mm, float(np.median(free)), True))
            else:
                readings.append(_Reading(chain, turn, (-at_mouth / 2 - UNDER_MM, at_mouth / 2), width))
        cameras = [reading.chain.pipe.camera for reading in readings]
        wave = math.hypot(SEAT_RAD, HAND_RAD) * fitting.pipe_od_mm / 2
        return cls(tuple(readings), wave, same_lens(cameras))

    def fitted(self, seed: int) -> Fit:
        """The wave, by generalised least squares with what is known of a and b beforehand."""
        drawn = self._drawn(seed)
        middle: Floats = np.concatenate([r.rows_mm(r.chain.estimates())[0] for r in self.readings])
        basis = np.concatenate([_basis(reading.angles_rad) for reading in self.readings])
        errors = np.cov(drawn.T) + _by_view([reading.own_errors() for reading in self.readings])
        prior = np.diag([0.0, 1 / self.wave_u_mm**2, 1 / self.wave_u_mm**2])
        theta, gain, spread = _least_squares(basis, errors, middle, prior)
        errors = errors + self._by_turns(theta)  # where a view was taken from is not known exactly either
        theta, gain, spread = _least_squares(basis, errors, middle, prior)
        low, high = (gain @ (middle + self._opened(side)) for side in (0, 1))
        level, _, variance = _least_squares(basis[:, :1], errors, middle + self._opened(0), np.zeros((1, 1)))
        apart, agrees = self._agreement(middle - basis @ theta, basis, errors)
        return Fit(_wave(theta, spread), _wave(low, spread), _wave(high, spread),
                   (float(level[0]), math.sqrt(float(variance[0, 0]))), agrees, apart)

    def _drawn(self, seed: int) -> Floats:
        """Readings (draws, blocks) for draws of everything that is uncertain."""
        lists = [[item for item in reading.chain.inputs() if item.name not in _PUT_BY_HERE]
                 for reading in self.readings]
        shared = shared_inputs(lists, {*SAME_JOINT, *(SAME_LENS if self.same_lens else ())})
        extra: list[Input] = [
            Rectangular("off centre x", -OFF_CENTRE_MM, OFF_CENTRE_MM),
            Rectangular("off centre y", -OFF_CENTRE_MM, OFF_CENTRE_MM),
            Normal("this mouth", 0.0, 1.0), Normal("width", 0.0, WIDTH_U_MM)]
        drawn = draw_all([*shared.inputs, *extra], DRAWS, seed)
        parts = []
        for k, reading in enumerate(self.readings):
            own = shared.values(k, drawn)
            turn = math.radians(reading.turn.deg)
            own["pipe off centre"] = drawn["off centre x"] * math.cos(turn) + drawn["off centre y"] * math.sin(turn)
            own["mouth edge"] = (math.sqrt(1 - SAME_MOUTH) * own["mouth edge"]
                                 + math.sqrt(SAME_MOUTH) * reading.chain.u_mm["mouth edge"] * drawn["this mouth"])
            beside = own["mark edge"] + own.get(HAND, 0.0) + (drawn["width"] if reading.by_width else 0.0)
            parts.append(reading.rows_mm(own) + beside[:, None])
        return np.concatenate(parts, axis=1)

    def _by_turns(self, theta: Floats) -> Floats:
        """Covariance of the readings from views that stand a little elsewhere than said."""
        blocks = []
        for reading in self.readings:
            slope = theta[2] * np.cos(reading.angles_rad) - theta[1] * np.sin(reading.angles_rad)
            blocks.append(np.outer(slope, slope) * math.radians(reading.turn.u_deg) ** 2)
        return _by_view(blocks)

    def _opened(self, side: int) -> Floats:
        return np.concatenate([np.full(len(r.angles_rad), r.open_mm[side]) for r in self.readings])

    def _agreement(self, rest: Floats, basis: Floats, errors: Floats) -> tuple[float, bool]:
        """By how much views lie apart at most, and whether what is uncertain allows that.

        rest: readings less the fitted wave.  Views are compared by their means, held against all that seat
        and hand may do besides.
        """
        counts = [len(reading.angles_rad) for reading in self.readings]
        if len(counts) < 2:
            return 0.0, True
        means = np.zeros((len(counts), len(rest)))
        start = 0
        for k, count in enumerate(counts):
            means[k, start:start + count] = 1 / count
            start += count
        wave = means @ basis[:, 1:] * self.wave_u_mm
        opened = np.array([(r.open_mm[1] - r.open_mm[0]) ** 2 / 4 for r in self.readings])
        spread = means @ errors @ means.T + wave @ wave.T + np.diag(opened)
        off = means @ rest
        level = np.ones(len(counts)) @ np.linalg.solve(spread, off) / np.linalg.inv(spread).sum()
        left = off - level
        score = float(left @ np.linalg.solve(spread, left))
        return float(np.ptp(off)), score <= chi_square(_DISAGREE, len(counts) - 1)


@dataclass(frozen=True)
class Fit:
    """The wave, and the waves where all that views leave open lies at its low and at its high end.

    level_mm: the gap and its standard uncertainty if it were the same all round, at that low end.
    """

    middle: Wave
    low: Wave
    high: Wave
    level_mm: tuple[float, float]
    agrees: bool
    apart_mm: float

    def worst(self, confidence: float, limit_mm: float, seed: int) -> tuple[Interval, float]:
        """The largest gap all round with its interval, and the probability that it lies within the limit.

        Errors make a wave of any ring, and a wave has its top above its mean: of a ring that may as well be level
        the low end is that of a level one.
        """
        tops = {name: _tops(wave, seed) for name, wave in (("low", self.low), ("middle", self.middle),
                                                          ("high", self.high))}
        tail = (1 - confidence) / 2
        value = max(0.0, self.middle.mean_mm + self.middle.amplitude_mm)
        low = float(np.quantile(tops["low"], tail))
        if self.low.is_level:
            level, u_mm = self.level_mm
            low = min(low, level + normal_quantile(tail) * u_mm)
        high = float(np.quantile(tops["high"], 1 - tail)) + max(0.0, -(self.high.mean_mm + self.high.amplitude_mm))
        u = math.hypot(float(tops["middle"].std()), (self.high.mean_mm - self.middle.mean_mm) / math.sqrt(3))
        span = Interval(value, min(max(0.0, low), value), max(high, value), u)
        return span, float((tops["middle"] <= limit_mm).mean())


def share_of(angles_deg: Iterable[Iterable[float]]) -> float:
    """Share of the circumference that rows at these angles, a little less than a degree apart, cover."""
    seen = np.zeros(360, bool)
    for angle in chain.from_iterable(angles_deg):
        seen[round(angle) % 360] = True
    return float((seen | np.roll(seen, 1)).mean())


def draws_of(wave: Wave, seed: int) -> Floats:
    """Draws (DRAWS, 3) of mean, cos and sin of a wave."""
    mean = np.array([wave.mean_mm, wave.cos_mm, wave.sin_mm])
    drawn = Even(seed).standard_normal((3, DRAWS))
    return np.asarray(mean + drawn.T @ symmetric_root(wave.covariance))


def _tops(wave: Wave, seed: int) -> Floats:
    """Draws of the highest place of a wave."""
    drawn = draws_of(wave, seed)
    return np.asarray(drawn[:, 0] + np.hypot(drawn[:, 1], drawn[:, 2]))


def _by_view(blocks: Sequence[Floats]) -> Floats:
    """Square blocks along the diagonal: what each view has for itself."""
    whole = np.zeros((sum(map(len, blocks)),) * 2)
    start = 0
    for block in blocks:
        whole[start:start + len(block), start:start + len(block)] = block
        start += len(block)
    return whole


def _least_squares(basis: Floats, errors: Floats, values: Floats, prior: Floats) -> tuple[Floats, Floats, Floats]:
    """Estimates (3,), the matrix that makes them of readings, and their covariance."""
    weighed = np.linalg.solve(errors, basis)
    spread = np.linalg.inv(basis.T @ weighed + prior)
    gain = spread @ weighed.T
    return np.asarray(gain @ values), np.asarray(gain), np.asarray(spread)


def _wave(theta: Floats, spread: Floats) -> Wave:
    return Wave(float(theta[0]), float(theta[1]), float(theta[2]), spread)


def _chain(seen: Seen, fitting: Fitting) -> Chain:
    return Chain.of(seen.gap, seen.limbs, seen.pose, seen.photo.camera, fitting)


def _at_the_mouth(seen: Sequence[Seen], fitting: Fitting) -> tuple[float, float]:
    """Where all marks touch the mouth: how far the outermost near edge may lie out, and the width that goes with it.

    The view that shows most of the mark has its near edge anywhere from the mouth to where ink begins to be seen;
    the width is taken for the middle of that.
    """
    inked = [(_chain(each, fitting).measured_mm, each.gap.line_width_mm, each.gap.hidden_mm) for each in seen
             if each.gap.touches and each.gap.line_width_mm is not None]
    if not inked:
        return 0.0, 0.0
    begins, width, hidden = max(inked, key=lambda each: each[0] + each[1])
    reach = max(begins, hidden, 0.0)
    return reach, begins + width - reach / 2


def _filled(rows: Floats) -> Floats:
    """Rows (draws, blocks); a ray that misses a drawn pipe beside its limb takes its block's median."""
    seen = np.isfinite(rows)
    if not seen.any(0).all() or float((~seen).mean()) > 0.02:
        raise SidesTooUncertain
    return np.where(seen, rows, np.nanmedian(rows, axis=0))


def chi_square(probability: float, dof: int) -> float:
    """Quantile of chi-square, probabilities of 0.9 to 0.999: exact for one and two degrees of freedom, and by Wilson
    and Hilferty's cube good to 2 % for three and more.
    """
    if dof == 1:
        return normal_quantile((1 + probability) / 2) ** 2
    if dof == 2:
        return -2 * math.log(1 - probability)
    spread = 2 / (9 * dof)
    return float(dof * (1 - spread + normal_quantile(probability) * math.sqrt(spread)) ** 3)
