"""A verdict as programs read it: the JSON of `collargap check --json`, the same keys for every photo.

Lengths are in the unit asked for.  Where nothing was measured stands null, never a stand-in number.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache
from typing import Literal

from pydantic import BaseModel, ConfigDict

from calibration.fittings import MM_PER_UNIT, Fitting, Unit
from cli.lines import Lines
from vision.reasons import REASONS
from vision.records import (
    Contribution,
    Doubt,
    Interval,
    Measurement,
    PremarkVerdict,
    PremarkWord,
    Squareness,
    Verdict,
    Word,
)

_DIGITS = {"in": 5, "mm": 4}
_LENGTH = re.compile(r"-?\d+\.\d")
_LENGTHS = re.compile(rf"((?:{_LENGTH.pattern}, )*{_LENGTH.pattern}) mm\b")


class Plain(BaseModel):
    """A frozen record of an answer."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Length(Plain):
    """A length with its coverage interval and standard uncertainty."""

    value: float
    low: float
    high: float
    u: float


class Range(Plain):
    """A length that may be known as a range alone: its value is then null."""

    value: float | None
    low: float
    high: float
    u: float


class View(Plain):
    """How the joint was seen; `focal_from` is chart, exif or assumed."""

    px_per_unit: float
    tilt_deg: float
    distance: float
    focal_px: float
    focal_from: str


class Part(Plain):
    """One entry of the uncertainty budget: standard uncertainty, and its share of the variance."""

    name: str
    u: float
    share: float


class Why(Plain):
    """A reason to doubt: its code, what is wrong, what can be done."""

    code: str
    text: str
    advice: str


class Angle(Plain):
    """An angle in degrees with its coverage interval and standard uncertainty."""

    value: float
    low: float
    high: float
    u: float


class Cut(Plain):
    """How far a cut end is out of square: as an angle, and as a length across the pipe's diameter."""

    angle_deg: Angle
    across: Length


class PremarkAnswer(Plain):
    """Everything about one photo of a marked pipe; `kind` tells it from the answer for a joint.

    `p_placed` is the probability that the depth lies within the catalog's tolerance; null where it gives none.
    `by_side`: standard uncertainty of either part, cosine and sine, of the wave in which it may go round the pipe.
    `taken`: the photo's own date and time as EXIF writes it, or "".
    """

    kind: Literal["premark"] = "premark"
    photo: str
    sha256: str
    fitting: str
    verdict: PremarkWord
    unit: Unit
    mark_depth: float
    mark_tolerance: float | None
    depth: Range | None
    cut: Cut | None
    line_width: float | None
    by_side: float | None
    p_placed: float | None
    view: View | None
    budget: tuple[Part, ...]
    reasons: tuple[Why, ...]
    seconds: float
    version: str
    taken: str = ""


class Before(Plain):
    """The photo of the marked pipe that an answer for a joint took into account.

    depth_here: the mark's depth on the side that the joint's photo shows, where both sides are known; else null.
    """

    photo: str
    sha256: str
    verdict: PremarkWord
    depth: Range | None
    depth_here: Range | None = None


class PlacedLine(Plain):
    """One line of an assisted reading.

    by: "hand" where it stayed as it was placed, "picture" where the photo refined it, "geometry" where nobody
    placed it.  moved_px: by how much refining moved it; null where nobody placed it.
    """

    name: str
    by: str
    moved_px: float | None


class Assisted(Plain):
    """Who placed lines on the photo, how well (standard uncertainty of a point), and what became of each."""

    placed_by: str
    placed_at: str
    point_u_px: float
    lines: tuple[PlacedLine, ...]


class Doubted(Plain):
    """What a line that may be no mark would tell if it is one; keys as in `Answer`, which then has null there."""

    gap: Length
    insertion: Length
    line_width: float | None
    p_full: float
    budget: tuple[Part, ...]
    reasons: tuple[Why, ...]
    far_edge: Length | None
    by_side: float


class Answer(Plain):
    """Everything about one photo; `p_full` is the probability that the gap lies at or under the limit.

    `gap_from` is `width` where the mark's near edge is hidden, and the line's width on its marked pipe told where it
    lies; else `edge`.  `far_edge` is where its far edge lies, told where the near one is hidden.  `by_side`: standard
    uncertainty of either part, cosine and sine, of the wave in which the gap may go round the pipe.
    `insertion_from` is `premark` where the mark's depth was measured, `catalog` where it is the catalog's.
    `p_inserted`: probability that the insertion is at least `min_insertion`, where both photos tell it.
    `assisted` is null where the program found everything by itself.  `doubted`: of a line that may be no mark, what
    counts where the photo of the marked pipe shows that there is one.
    """

    photo: str
    sha256: str
    fitting: str
    verdict: Word
    unit: Unit
    limit: float
    gap: Length | None
    insertion: Range | None
    line_width: float | None
    p_full: float | None
    view: View | None
    budget: tuple[Part, ...]
    reasons: tuple[Why, ...]
    assisted: Assisted | None = None
    seconds: float
    version: str
    min_insertion: float | None
    insertion_from: Literal["catalog", "premark"] | None
    p_inserted: float | None
    premark: Before | None
    gap_from: Literal["edge", "width"] | None
    far_edge: Length | None
    by_side: float | None
    doubted: Doubted | None = None


def answer_of(verdict: Verdict, fitting: Fitting, *, photo: str, sha256: str, unit: Unit,
              seconds: float, before: Before | None = None, lines: Lines | None = None) -> Answer:
    """The answer for one photo, in `unit`.

    before: names the photo of the marked pipe, where there is one.  lines: those that a person placed.
    """
    scale = Scale(unit)
    both = verdict.insertion
    measured = verdict.measurement
    if before and both and both.depth:
        before = before.model_copy(update={"depth_here": scale.range(both.depth, both.lens_open)})
    return Answer(
        photo=photo, sha256=sha256, fitting=fitting.id, verdict=verdict.word, unit=unit,
        limit=scale.length(fitting.max_gap_mm),
        gap=scale.interval(measured.gap) if measured else None,
        insertion=scale.range(measured.insertion, bool(both and both.lens_open)) if measured else None,
        line_width=scale.length(measured.line_width_mm) if measured and measured.line_width_mm else None,
        p_full=round(measured.p_full, 6) if measured else None,
        view=_view(verdict, scale),
        budget=_budget(measured.budget, scale) if measured else (),
        reasons=tuple(why(doubt, unit) for doubt in verdict.reasons),
        assisted=_assisted(verdict, lines) if lines else None,
        seconds=round(seconds, 3), version=program_version(),
        min_insertion=None if fitting.min_insertion_mm is None else scale.length(fitting.min_insertion_mm),
        insertion_from=None if measured is None else "premark" if both else "catalog",
        p_inserted=rounded(both.p_enough, 6) if both else None,
        premark=before,
        gap_from=None if measured is None else "width" if both and both.near else "edge",
        far_edge=scale.interval(measured.far) if measured and measured.far else None,
        by_side=scale.length(measured.wave_mm) if measured else None,
        doubted=_doubted(verdict.doubted.measurement, scale) if verdict.doubted else None,
    )


def _doubted(found: Measurement, scale: Scale) -> Doubted:
    return Doubted(
        gap=scale.interval(found.gap), insertion=scale.interval(found.insertion),
        line_width=scale.length(found.line_width_mm) if found.line_width_mm else None, p_full=round(found.p_full, 6),
        budget=_budget(found.budget, scale), reasons=tuple(why(doubt, scale.unit) for doubt in found.doubts),
        far_edge=scale.interval(found.far) if found.far else None, by_side=scale.length(found.wave_mm),
    )


def _assisted(verdict: Verdict, lines: Lines) -> Assisted:
    told = (PlacedLine(name=line.name, by=line.by,
                       moved_px=None if line.moved_px is None else round(line.moved_px, 1))
            for line in verdict.placed)
    return Assisted(placed_by=lines.placed_by, placed_at=lines.placed_at, point_u_px=lines.point_u_px,
                    lines=tuple(told))


def premark_answer_of(verdict: PremarkVerdict, fitting: Fitting, *, photo: str, sha256: str, unit: Unit,
                      seconds: float) -> PremarkAnswer:
    """The answer for one photo of a marked pipe, in `unit`."""
    scale = Scale(unit)
    found, half = verdict.placement, fitting.mark_tolerance_mm
    return PremarkAnswer(
        photo=photo, sha256=sha256, fitting=fitting.id, verdict=verdict.word, unit=unit,
        mark_depth=scale.length(fitting.mark_depth_mm),
        mark_tolerance=None if half is None else scale.length(half),
        depth=scale.range(found.depth, found.lens_open) if found else None,
        cut=_cut(found.cut, scale) if found else None,
        line_width=scale.length(found.line_width_mm) if found else None,
        by_side=scale.length(found.wave_mm) if found else None,
        p_placed=rounded(found.p_placed, 6) if found else None,
        view=_view(verdict, scale),
        budget=_budget(found.budget, scale) if found else (),
        reasons=tuple(why(doubt, unit) for doubt in verdict.reasons),
        seconds=round(seconds, 3), version=program_version(), taken=verdict.photo.taken if verdict.photo else "",
    )


def before_of(answer: PremarkAnswer) -> Before:
    """What the answer for a joint says of the photo of its marked pipe."""
    return Before(photo=answer.photo, sha256=answer.sha256, verdict=answer.verdict, depth=answer.depth)


def _cut(cut: Squareness, scale: Scale) -> Cut:
    numbers = (round(each, 2) for each in (cut.angle_deg, cut.low_deg, cut.high_deg, cut.u_deg))
    value, low, high, u = numbers
    return Cut(angle_deg=Angle(value=value, low=low, high=high, u=u), across=scale.interval(cut.across))


class Scale:
    """Millimetres into the unit asked for, rounded well below what a photo can show."""

    def __init__(self, unit: Unit) -> None:
        self.unit = unit
        self.per_mm = 1 / MM_PER_UNIT[unit]
        self.digits = _DIGITS[unit]

    def length(self, length_mm: float) -> float:
        """A length in the unit."""
        return round(length_mm * self.per_mm, self.digits)

    def interval(self, interval: Interval) -> Length:
        """An interval in the unit."""
        return Length(value=self.length(interval.value_mm), low=self.length(interval.low_mm),
                      high=self.length(interval.high_mm), u=self.length(interval.u_mm))

    def range(self, interval: Interval, alone: bool) -> Range:
        """An interval in the unit; alone: that of a range without a value."""
        told = self.interval(interval).model_dump()
        return Range(**told | {"value": None} if alone else told)


def _view(verdict: Verdict | PremarkVerdict, scale: Scale) -> View | None:
    pose, photo = verdict.pose, verdict.photo
    if pose is None or photo is None:
        return None
    return View(px_per_unit=round(pose.px_per_mm / scale.per_mm, 2), tilt_deg=round(pose.tilt_deg, 1),
                distance=scale.length(pose.distance_mm), focal_px=round(photo.camera.focal_px, 1),
                focal_from=photo.camera.source)


def _budget(parts: Iterable[Contribution], scale: Scale) -> tuple[Part, ...]:
    return tuple(Part(name=part.name, u=scale.length(part.u_mm), share=round(part.share, 4)) for part in parts)


def rounded(value: float | None, digits: int) -> float | None:
    """A number that may be missing."""
    return None if value is None else round(value, digits)


def why(doubt: Doubt, unit: Unit) -> Why:
    """A doubt with its sentence; the measured fact, where there is one, in brackets before the full stop."""
    reason = REASONS[doubt.reason]
    text = f"{reason.text[:-1]} ({_in_unit(doubt.detail, unit)})." if doubt.detail else reason.text
    return Why(code=reason.code, text=text, advice=reason.advice)


def _in_unit(detail: str, unit: Unit) -> str:
    """A measured fact with its lengths in the answer's unit; the stages tell millimetres to a tenth."""
    if unit == "mm":
        return detail
    return _LENGTHS.sub(lambda found: _LENGTH.sub(lambda one: f"{float(one[0]) / MM_PER_UNIT[unit]:.3f}", found[1])
                        + f" {unit}", detail)


@cache
def program_version() -> str:
    """The installed version of collargap."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("collargap")
    except PackageNotFoundError:
        return "0+source"
