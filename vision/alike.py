"""Whether what looks like a line of ink is one: part of the stage `read`.

A seam, a shadow, a ring of grease, bare pipe beside tape: what lies at the mouth and is taken for ink has the joint
called full.  So four looks are heard together there: the strip's reader, the survey, the close look, and the witness.
The first three also tell whether a stretch before the line may be the joint's own mark, overlooked.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision import networks
from vision.mark import Line, light
from vision.mouth import TOUCH_MM, Mouth
from vision.networks import Reading
from vision.records import FirstInk, Floats, Strip, Survey

_PIPE, _INK, _DECOY = (networks.STRIP_CLASSES.index(name) for name in ("pipe", "ink", "decoy"))
REACH_MM = 0.8  # a look tells the middle of the rows with ink; a line drawn askew lies before and behind it
NEAR_MM = 2.2  # from the mouth to the near edge of a line that more is asked of (DEVELOPERS.md, "Ink at the mouth")
LIKELY = 0.5  # a free line is ink if the reader and one more of sceptic and survey hold that for likelier than not
LEAST_WIDTH_MM = 0.55  # of a free line: of 1,205 that were ink, none narrower had its joint called anything

# One at the mouth is ink by what strip, survey, close look and witness, each by the logit of its probability, say
# together; one that touches it sooner than a free one (DEVELOPERS.md, "Ink at the mouth").
_OF_LOOKS, TOUCHING, AGAINST = (1.23, 0.16, 0.58, 0.24), 0.94, 2.0
_WITNESSED_MM = 6.4  # before the mouth the witness' picture begins
# Whatever they say, what the sceptic is so sure is a look-alike is no ink: it was so of four of twenty look-alikes that
# the other three took for ink, and of one of 523 marks (TRIED.md, version 0.21).
SURELY_OTHER = 0.1
# Less is asked where another photo shows that the pipe was marked: 64 of our own marks came to 0 to 2, and 51
# look-alikes on unmarked joints; below 0 ten and 41 (TRIED.md, version 0.23).
AGAINST_MARKED = 0.0
_SUREST = 0.995  # as sure as one look counts
_HARDLY = 0.02  # less ink than this is none

# What strip, survey and close look must come to for a stretch before the line to count as ink, and their weights there
# (TRIED.md, version 0.21).
MAYBE_INK, _OF_STRETCH = -4.5, (1.53, 0.32, 0.67)
CLEAR_SHARE = 0.92  # a line so clear tells by its colour what else may be its ink, and is one though little of it shows
_STRETCH_MM = 1.0  # about as wide as a narrow line
_BESIDE_LINE_MM = 1.5  # before a line its own soft edge may look inked
_ENOUGH_CELLS = 200  # of a stretch, a sixth of the strip's height; a mean of fewer says little

MOST_TAPED = 0.2  # mean probability of a look-alike behind the line; 0.12 at most behind marks
_BEHIND_MM = 8.0
_NEXT_TO_MM, _TAPE_MM = 3.0, 25.0  # tape is some 20 mm wide (common practice, no source)
_LEAST_TAPE = 0.2  # of what lies so far behind the line
_UNLIKE_PIPE, _LIKE_TAPE = 0.7, 0.35  # of the logarithm of light; of the way from pipe to tape
_DARKEST = 0.004  # light below which a photo's numbers tell none apart


def touches(line: Line, edge: Mouth) -> bool:
    """Whether a line reaches where pipe begins to be seen."""
    return bool(np.median((line.near_mm - edge.seen_mm)[line.rows]) < TOUCH_MM)


@dataclass(frozen=True)
class Suspicion:
    """Why a line may be something else than ink, a ring of grease or a gasket say.

    strong: it is no mark either where another photo shows that the pipe was marked.
    """

    why: str
    strong: bool = True


def look_alike(strip: Strip, reading: Reading, edge: Mouth, line: Line, survey: Survey | None) -> Suspicion | None:
    """What speaks against a line; None where it is believed to be ink.

    Most look-alikes lie at the mouth, and would have the joint called full: there more looks are heard.
    """
    touching, surveyed = touches(line, edge), _begins_at(line, survey.ink if survey else None)
    sceptic = _by_sceptic(reading, line, strip.along_mm)
    if not touching and max(sceptic, surveyed) < LIKELY:
        return Suspicion("two of three looks take the line for something else")
    if not touching and line.width_mm < LEAST_WIDTH_MM:
        return Suspicion(f"a line of {line.width_mm:.1f} mm may be a scratch")
    if not touching and float(np.nanmedian(line.near_mm - edge.at_mm)) > NEAR_MM:
        return None
    if _before_look_alike(strip, reading, line) or _before_tape(strip, reading, line):
        return Suspicion("a line at the mouth with a look-alike right behind it, tape or a label")
    closely = _begins_at(line, survey.ink_closely if survey else None)
    looks = line.share, surveyed, closely, _begins_at(line, _witnessed(strip, edge))
    told = _told(_OF_LOOKS, looks) + TOUCHING * touching
    if sceptic < SURELY_OTHER:
        return Suspicion("a line at the mouth that one look takes for something else, ten to one", told <= AGAINST)
    if told <= AGAINST:
        return Suspicion("a line at the mouth that may be something else when its surroundings are seen too",
                         told <= AGAINST_MARKED)
    return None


def _begins_at(line: Line, ink: FirstInk | None) -> float:
    """Probability that the first ink begins where a line does, by a look that may be missing and then says nothing."""
    return LIKELY if ink is None else ink.near(line.begins_mm, REACH_MM)


def _witnessed(strip: Strip, edge: Mouth) -> FirstInk:
    """Where the witness sees the first ink begin."""
    first = round((float(np.median(edge.at_mm)) - _WITNESSED_MM - strip.first_mm) / strip.step_mm)
    share = np.asarray(networks.witness(strip.pixels, first), float)
    return FirstInk(strip.first_mm + strip.step_mm * (first + np.arange(len(share), dtype=float)), share)


def _by_sceptic(reading: Reading, line: Line, along_mm: Floats) -> float:
    """Share of ink in what the sceptic takes for ink or for a look-alike within a line; all where it is missing."""
    cells = (along_mm[None] > line.near_mm[:, None]) & (along_mm[None] < line.far_mm[:, None])
    if reading.sceptic is None or not cells.any():
        return 1.0
    inked, other = (float(reading.sceptic[kind][cells].mean()) for kind in (_INK, _DECOY))
    return (inked + _HARDLY) / (inked + other + 2 * _HARDLY)


def _told(weights: tuple[float, ...], looks: tuple[float, ...]) -> float:
    """How surely something is ink rather than a look-alike, by the probabilities of several looks that it is."""
    return sum(weight * _logit(chance) for weight, chance in zip(weights, looks, strict=True))


def _logit(chance: float) -> float:
    held = min(max(chance, 1 - _SUREST), _SUREST)
    return math.log(held / (1 - held))


def _before_look_alike(strip: Strip, reading: Reading, line: Line) -> bool:
    """Whether a look-alike lies right behind a line: of what then shows between it and the collar, none need be ink."""
    along, far = strip.along_mm, float(np.nanmedian(line.far_mm))
    behind = strip.seen & ((along > far) & (along < far + _BEHIND_MM))[None]
    return bool(behind.any() and reading.shares[_DECOY][behind].mean() > MOST_TAPED)


def _before_tape(strip: Strip, reading: Reading, line: Line) -> bool:
    """Whether tape begins right behind a line, though its readers know it for tape only towards its other end.

    What lies next to the line is then of the tape's colour, and the pipe beyond the tape of another.
    """
    beyond, cells = strip.along_mm[None] - np.nanmedian(line.far_mm), strip.seen & line.rows[:, None]
    near, farther = cells & (beyond > 0) & (beyond < _NEXT_TO_MM), cells & (beyond > _NEXT_TO_MM) & (beyond < _TAPE_MM)
    looks = [reading.shares] if reading.sceptic is None else [reading.shares, reading.sceptic]
    tape = farther & (np.max([look[_DECOY] for look in looks], axis=0) > LIKELY)
    pipe = cells & (reading.shares[_PIPE] > LIKELY) & (beyond > np.where(tape, beyond, 0.0).max())
    if tape.sum() < _LEAST_TAPE * farther.sum() or min(part.sum() for part in (near, tape, pipe)) < _ENOUGH_CELLS:
        return False
    here, there, away = (np.log(np.maximum(light(np.median(strip.pixels[part], axis=0)), _DARKEST))
                         for part in (near, tape, pipe))
    apart = float(np.linalg.norm(here - away))
    return apart > _UNLIKE_PIPE and float(np.linalg.norm(here - there)) < _LIKE_TAPE * apart


def inked_before(strip: Strip, reading: Reading, edge: Mouth, line: Line, survey: Survey | None) -> float | None:
    """Where, mm from the mouth, a stretch before the line may be inked: the line is then not the nearest one."""
    along = strip.along_mm
    place = along[None] - edge.seen_mm[:, None]
    ends = np.interp(strip.angles_rad, strip.angles_rad[line.rows], line.near_mm[line.rows]) - _BESIDE_LINE_MM
    between = strip.seen & (place > 0) & (along[None] < ends[:, None])
    bins = (place[between] / strip.step_mm).astype(int)
    width = round(_STRETCH_MM / strip.step_mm)
    if not bins.size or bins.max() < width:
        return None
    ink = _means(bins, reading.shares[_INK][between], width)
    seen = float(np.median(edge.seen_mm)) + _STRETCH_MM / 2
    told = {int(first): _told(_OF_STRETCH, (ink[first], *_begins_before(line, seen + strip.step_mm * first, survey)))
            for first in np.nonzero(ink > _HARDLY)[0]}
    for first in sorted((first for first in told if told[first] > MAYBE_INK), key=told.__getitem__, reverse=True):
        there = between.copy()
        there[between] = (bins >= first) & (bins < first + width)
        if line.share < CLEAR_SHARE or not line.opposed(_inks_rgb(strip, reading, there)):
            return strip.step_mm * first + _STRETCH_MM / 2
    return None


def _means(bins: NDArray[np.int_], values: NDArray[np.float32], width: int) -> Floats:
    """Means of values over `width` bins from each on; 0 where they hold too few."""
    stretch = np.ones(width)
    total, count = (np.convolve(np.bincount(bins, weights), stretch, "valid") for weights in (values, None))
    return np.where(count > _ENOUGH_CELLS, total / np.maximum(count, 1), 0.0)


def _begins_before(line: Line, at_mm: float, survey: Survey | None) -> tuple[float, float]:
    """Probability, by survey and close look, that the first ink begins at a place, and before the line."""
    looks = (None, None) if survey is None else (survey.ink, survey.ink_closely)
    near, close = (LIKELY if look is None else
                   min(look.near(at_mm, REACH_MM), look.before(line.begins_mm - REACH_MM)) for look in looks)
    return near, close


def _inks_rgb(strip: Strip, reading: Reading, cells: NDArray[np.bool_]) -> Floats:
    return np.asarray(np.average(strip.pixels[cells], axis=0, weights=reading.shares[_INK][cells]))
