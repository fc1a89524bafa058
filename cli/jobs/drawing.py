"""Numbers into places on paper: a gap against its limit, and a control chart.  No markup here."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from cli.jobs.drift import Chart as Drift
from cli.jobs.lengths import gap_of, interval_of, limit_of, plain
from cli.jobs.text import visible
from cli.report import Chart, Point, Scale, Tick

_MOUTH, _END = 66.0, 330.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 75.0, 620.0, 20.0, 180.0
_STEPS = {"in": [Fraction(1, 32), Fraction(1, 16), Fraction(1, 8), Fraction(1, 4), Fraction(1, 2),
Fraction(1)],
          "mm": [Fraction(1, 2), Fraction(1), Fraction(2), Fraction(5), Fraction(10),
          Fraction(20)]}  # fmt: skip


def scale(answer: dict[str, Any]) -> Scale | None:
    """The gap of an answer drawn to scale; None where none was measured.

    The drawing spans twice the limit, or a little more than the interval where that is longer.
    """
    gap, limit, unit = answer["gap"], answer["limit"], answer["unit"]
    if gap is None:
        return None
    reach = max(2 * limit, 1.1 * gap["high"])
    steps = _STEPS[unit]
    step = next((each for each in steps if reach / each <= 9), steps[-1] * max(1, round(reach / 180)))
    per = (_END - _MOUTH) / reach
    ticks = [
        Tick(x=_at(float(count * step) * per), label=str(count * step))
        for count in range(int(reach / step) + 1)
    ]
    size, bound = f"gap {gap_of(answer)}", f"limit {limit_of(answer)}"
    return Scale(
        mouth=_MOUTH, end=_END, limit=_at(limit * per), low=_at(gap["low"] * per),
        high=_at(gap["high"] * per),
        gap=_at(gap["value"] * per), ticks=tuple(ticks), limit_label=bound,
        gap_label=size, unit=unit, spoken=f"{size}, interval {interval_of(answer)}, {bound}",
    )  # fmt: skip


def _at(length: float) -> float:
    return round(_MOUTH + length, 1)


def chart(drift: Drift) -> Chart:
    """The control chart on a field of 640 by 200."""
    top = max(*drift.gaps_mm, drift.high_mm) * 1.05 or 1.0

    def height(gap: float) -> float:
        return round(_BOTTOM - (_BOTTOM - _TOP) * gap / top, 1)

    wide = (_RIGHT - _LEFT) / max(1, len(drift.gaps_mm) - 1)
    odd = {*drift.beyond, *drift.runs}
    points = tuple(
        Point(x=round(_LEFT + place * wide, 1), y=height(gap), name=visible(name), stands_out=place in odd)
        for place, (name, gap) in enumerate(zip(drift.names, drift.gaps_mm, strict=True))
    )
    levels = [(height(level), plain(drift.unit, level)) for level in (drift.high_mm, drift.mean_mm, drift.low_mm)]
    return Chart(
        who=drift.who[:1].upper() + drift.who[1:], points=points,
        path="M" + "L".join(f"{point.x} {point.y}" for point in points), mean=levels[1][0], high=levels[0][0],
        low=levels[2][0], labels=tuple(_apart(levels)), sentence=_sentence(drift),
    )  # fmt: skip


def _apart(levels: list[tuple[float, str]]) -> list[tuple[float, str]]:
    """Labels moved so far apart that they can be read."""
    placed: list[tuple[float, str]] = []
    for y, label in levels:
        placed.append((max(y, placed[-1][0] + 13) if placed else y, label))
    return placed


def _sentence(drift: Drift) -> str:
    if not drift.drifts:
        return f"{len(drift.gaps_mm)} joints; nothing stands out."
    said_now = []
    if drift.beyond:
        said_now.append(f"{len(drift.beyond)} outside the limits")
    if drift.runs:
        said_now.append("eight or more in a row on one side of the mean")
    return f"{len(drift.gaps_mm)} joints; {' and '.join(said_now)} (diamonds)."
