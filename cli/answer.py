"""A verdict as programs read it: the JSON of `collargap check --json`, the same keys for every photo.

Lengths are in the unit asked for.  Where nothing was measured stands null, never a stand-in number.
"""

from __future__ import annotations

from functools import cache

from pydantic import BaseModel, ConfigDict

from calibration.fittings import MM_PER_UNIT, Fitting, Unit
from cli.lines import Lines
from vision.reasons import REASONS
from vision.records import Doubt, Interval, Measurement, Verdict, Word

_DIGITS = {"in": 5, "mm": 4}


class _Plain(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Length(_Plain):
    """A length with its coverage interval and standard uncertainty."""

    value: float
    low: float
    high: float
    u: float


class View(_Plain):
    """How the joint was seen; `focal_from` is chart, exif or assumed."""

    px_per_unit: float
    tilt_deg: float
    distance: float
    focal_px: float
    focal_from: str


class Part(_Plain):
    """One entry of the uncertainty budget: standard uncertainty, and its share of the variance."""

    name: str
    u: float
    share: float


class Why(_Plain):
    """A reason to doubt: its code, what is wrong, what can be done."""

    code: str
    text: str
    advice: str


class PlacedLine(_Plain):
    """One line of an assisted reading.

    by: "hand" where it stayed as it was placed, "picture" where the photo refined it, "geometry" where nobody
    placed it.  moved_px: by how much refining moved it; null where nobody placed it.
    """

    name: str
    by: str
    moved_px: float | None


class Assisted(_Plain):
    """Who placed lines on the photo, how well (standard uncertainty of a point), and what became of each."""

    placed_by: str
    placed_at: str
    point_u_px: float
    lines: tuple[PlacedLine, ...]


class Answer(_Plain):
    """Everything about one photo; `p_full` is the probability that the gap lies at or under the limit.

    assisted: null where the program found everything by itself.
    """

    photo: str
    sha256: str
    fitting: str
    verdict: Word
    unit: Unit
    limit: float
    gap: Length | None
    insertion: Length | None
    line_width: float | None
    p_full: float | None
    view: View | None
    budget: tuple[Part, ...]
    reasons: tuple[Why, ...]
    assisted: Assisted | None = None
    seconds: float
    version: str


def answer_of(verdict: Verdict, fitting: Fitting, *, photo: str, sha256: str, unit: Unit,
              seconds: float, lines: Lines | None = None) -> Answer:
    """The answer for one photo, in `unit`.  lines: those that a person placed for it, or None."""
    scale = _Scale(unit)
    measured = verdict.measurement
    return Answer(
        photo=photo, sha256=sha256, fitting=fitting.id, verdict=verdict.word, unit=unit,
        limit=scale.length(fitting.max_gap_mm),
        gap=scale.interval(measured.gap) if measured else None,
        insertion=scale.interval(measured.insertion) if measured else None,
        line_width=scale.length(measured.line_width_mm) if measured and measured.line_width_mm else None,
        p_full=round(measured.p_full, 6) if measured else None,
        view=_view(verdict, scale),
        budget=_budget(measured, scale) if measured else (),
        reasons=tuple(why(doubt) for doubt in verdict.reasons),
        assisted=_assisted(verdict, lines) if lines else None,
        seconds=round(seconds, 3), version=program_version(),
    )


def _assisted(verdict: Verdict, lines: Lines) -> Assisted:
    told = (PlacedLine(name=line.name, by=line.by,
                       moved_px=None if line.moved_px is None else round(line.moved_px, 1))
            for line in verdict.placed)
    return Assisted(placed_by=lines.placed_by, placed_at=lines.placed_at, point_u_px=lines.point_u_px,
                    lines=tuple(told))


class _Scale:
    """Millimetres into the unit asked for, rounded well below what a photo can show."""

    def __init__(self, unit: Unit) -> None:
        self.per_mm = 1 / MM_PER_UNIT[unit]
        self.digits = _DIGITS[unit]

    def length(self, length_mm: float) -> float:
        return round(length_mm * self.per_mm, self.digits)

    def interval(self, interval: Interval) -> Length:
        return Length(value=self.length(interval.value_mm), low=self.length(interval.low_mm),
                      high=self.length(interval.high_mm), u=self.length(interval.u_mm))


def _view(verdict: Verdict, scale: _Scale) -> View | None:
    pose, photo = verdict.pose, verdict.photo
    if pose is None or photo is None:
        return None
    return View(px_per_unit=round(pose.px_per_mm / scale.per_mm, 2), tilt_deg=round(pose.tilt_deg, 1),
                distance=scale.length(pose.distance_mm), focal_px=round(photo.camera.focal_px, 1),
                focal_from=photo.camera.source)


def _budget(measured: Measurement, scale: _Scale) -> tuple[Part, ...]:
    return tuple(Part(name=part.name, u=scale.length(part.u_mm), share=round(part.share, 4))
                 for part in measured.budget)


def why(doubt: Doubt) -> Why:
    """A doubt with its sentence; the measured fact, where there is one, in brackets before the full stop."""
    reason = REASONS[doubt.reason]
    text = f"{reason.text[:-1]} ({doubt.detail})." if doubt.detail else reason.text
    return Why(code=reason.code, text=text, advice=reason.advice)


@cache
def program_version() -> str:
    """The installed version of collargap."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("collargap")
    except PackageNotFoundError:
        return "0+source"
