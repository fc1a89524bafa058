"""The page of a study: first what it shows, as plain records, then the template that draws them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from calibration import study as st

# Dark enough for 3:1 on white, told apart without colour by their marks; none is a verdict's colour.
INKS = ("#1f4e79", "#b35806", "#5b3a8c", "#00695c", "#8c2d4b", "#555555")
MARKS = (
    "M-4 0a4 4 0 1 0 8 0a4 4 0 1 0 -8 0z",  # circle
    "M-3.6 -3.6h7.2v7.2h-7.2z",  # square
    "M0 -4.8l4.6 8h-9.2z",  # triangle
    "M0 -5.2l4.4 5.2l-4.4 5.2l-4.4 -5.2z",  # diamond
    "M-5 -2h10v4h-10z",  # bar
    "M0 4.8l4.6 -8h-9.2z",  # triangle on its tip
)


def significant(value: float, digits: int = 4) -> str:
    """A number to so many significant digits; below 1/10000 in powers of ten, so that columns stay narrow."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else str(value)
    if abs(value) < 1e-4:
        return f"{value:.{digits - 1}e}"
    return f"{value:.{max(0, digits - 1 - math.floor(math.log10(abs(value))))}f}"


def per_cent(value: float) -> str:
    """One decimal."""
    return f"{value:.1f}"


def p_words(p: float) -> str:
    """A probability as a reader wants it."""
    return "< 0.001" if p < 0.001 else f"{p:.3f}"


def unit_words(unit: str) -> str:
    """The unit in a sentence."""
    return {"in": "inches", "mm": "millimetres"}[unit]


def rate_words(rate: st.Rate) -> str:
    """`3 of 30`, or a dash where there was no occasion."""
    return f"{rate.hits} of {rate.of}" if rate.of else "-"


def reading(found: st.Study) -> list[str]:
    """What the numbers mean, in sentences."""
    gauge = found.anova["GRR"]
    lines = [
        f"The spread of measuring alone is {per_cent(gauge.of_total)} % of the whole spread seen: "
        f"{st.grade_of(gauge.of_total)} (under 10 % acceptable, 10 to 30 % conditional)."
    ]
    if gauge.of_tolerance is not None:
        lines.append(
            f"Six of its standard deviations fill {per_cent(gauge.of_tolerance)} % of the tolerance: "
            f"{st.grade_of(gauge.of_tolerance)}.")
    if found.anova.ndc is not None:
        enough = "enough" if found.anova.ndc >= 5 else "fewer than the 5 that are wanted"
        lines.append(f"It tells {found.anova.ndc} groups of joints apart: {enough}.")
    return lines


# --- pictures: positions in a box of `width` by `height` --------------------------------------------------


@dataclass(frozen=True)
class Bar:
    """One bar: its label, where it lies and how long it is."""

    label: str
    y: float
    length: float
    words: str
    kind: str


@dataclass(frozen=True)
class Tick:
    """A place on an axis and what stands there."""

    at: float
    words: str


@dataclass(frozen=True)
class Bars:
    """Components as bars from `left`; guides at 10 and 30 per cent."""

    width: float
    height: float
    left: float
    bars: tuple[Bar, ...]
    ticks: tuple[Tick, ...]
    guides: tuple[Tick, ...]


@dataclass(frozen=True)
class Course:
    """One appraiser across the parts: means joined by a line, single readings as dots.

    mark: an SVG path about the origin.
    """

    name: str
    ink: str
    mark: str
    dashes: str
    means: tuple[tuple[float, float], ...]
    dots: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Courses:
    """Part by appraiser."""

    width: float
    height: float
    left: float
    bottom: float
    courses: tuple[Course, ...]
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]


def components_picture(found: st.Study) -> Bars:
    """Bars of all components but the total; a second bar each where there is a tolerance."""
    left, width, thick = 98.0, 360.0, 13.0
    shown = [part for part in found.anova.parts if part.code != "TV"]
    most = max(100.0, *(part.of_tolerance or 0.0 for part in shown))
    scale = (width - left - 42) / most
    bars: list[Bar] = []
    y = 16.0
    for part in shown:
        for kind, value in (("total", part.of_total), ("tolerance", part.of_tolerance)):
            if value is not None:
                label = part.name if kind == "total" else ""
                bars.append(Bar(label, y, value * scale, f"{value:.1f}", kind))
                y += thick + 2
        y += 9
    ticks = tuple(Tick(left + at * scale, f"{at:g}") for at in nice_ticks(0, most, 5) if at <= most)
    guides = tuple(Tick(left + at * scale, f"{at}") for at in (10, 30))
    return Bars(width, y + 22, left, tuple(bars), ticks, guides)


def parts_picture(found: st.Study) -> Courses:
    """Every reading, and the mean of each appraiser on each part, appraisers side by side in their slot."""
    values = found.table.values
    parts, people, trials = values.shape
    left, height, bottom = 46.0, 270.0, 240.0
    width = max(360.0, left + 8 + 26.0 * parts)
    ticks = nice_ticks(float(values.min()), float(values.max()), 6)
    slot: float = (width - left - 8) / parts

    def y_of(value: float) -> float:
        return bottom - (value - ticks[0]) / (ticks[-1] - ticks[0]) * (bottom - 12)

    def x_of(part: int, person: int) -> float:
        return float(left + slot * (part + 0.5 + 0.5 * ((person + 0.5) / people - 0.5)))

    courses = tuple(
        Course(
            name, INKS[j % len(INKS)], MARKS[j % len(MARKS)], ("", "6 3", "2 3")[j % 3],
            tuple((x_of(i, j), y_of(float(values[i, j].mean()))) for i in range(parts)),
            tuple((x_of(i, j), y_of(float(values[i, j, k]))) for i in range(parts) for k in range(trials)),
        )
        for j, name in enumerate(found.table.appraisers)
    )
    x_ticks = tuple(Tick(left + slot * (i + 0.5), name[:5]) for i, name in enumerate(found.table.parts))
    places = max(len(f"{at:g}".partition(".")[2]) for at in ticks)
    y_ticks = tuple(Tick(y_of(at), f"{at:.{places}f}") for at in ticks)
    return Courses(width, height, left, bottom, courses, x_ticks, y_ticks)


def nice_ticks(low: float, high: float, count: int) -> list[float]:
    """Round numbers from at or below `low` to at or above `high`, about `count` of them."""
    rough = (high - low) / count or 1.0
    power = math.pow(10, math.floor(math.log10(rough)))
    step: float = next(power * size for size in (1, 2, 2.5, 5, 10) if power * size >= rough * (1 - 1e-9))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [round(at * step, 12) for at in range(first, last + 1)]


# --- pages ------------------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _environment() -> Environment:
    """Autoescape for every template: names come from files that anyone may have written."""
    made = Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )
    made.filters |= {"significant": significant, "per_cent": per_cent, "unit": unit_words, "p_words": p_words}
    return made


def gauge_page(found: st.Study, name: str) -> str:
    """A gauge study as one HTML file that needs nothing else."""
    return _environment().get_template("study.html.j2").render(
        name=name, study=found, agreement=None, reading=reading(found), bars=components_picture(found),
        courses=parts_picture(found))


def agreement_page(found: st.Agreement, name: str) -> str:
    """Attribute agreement as one HTML file that needs nothing else."""
    return _environment().get_template("study.html.j2").render(
        name=name, study=None, agreement=found, words=("full", "short", "unproven"))
