"""Answers as people read them: a calm block a photo, a table of several, the cautions once."""

from __future__ import annotations

import math
import sys
import unicodedata
from collections.abc import Sequence
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from calibration.fittings import MM_PER_UNIT
from cli.answer import Answer, Cut, Length, Part, PremarkAnswer, Range, Why
from cli.jobs.text import name_of

CAUTIONS = (
    "A photo shows how far the pipe is in, not how tight the joint is. It replaces no pressure test, no "
    "manufacturer's instruction and no inspector; local codes and licensed practice decide. On site, eye and "
    "hand protection and the rules for trenches hold."
)
CAUTION = "Not how tight the joint is: a photo replaces no pressure test and no inspector."  # beside each verdict
DEMO = ("Demonstration fitting with an invented collar: not a verdict on a real joint. Measure your collar "
        "with calipers, and keep it in a catalog of your own.")

_GOOD, _BAD = "bold white on #1B5E20", "bold white on #B00020"
_STYLES = {"full": _GOOD, "placed": _GOOD, "still": _GOOD, "short": _BAD, "misplaced": _BAD, "moved": _BAD,
           "unproven": "bold black on #FFD600"}
_SHAPES = {word: "?" if word == "unproven" else "✔" if style == _GOOD else "✖" for word, style in _STYLES.items()}
_PLAIN_SHAPES = {word: {"✔": "+", "✖": "x"}.get(shape, shape) for word, shape in _SHAPES.items()}
_DEMO_CODE = "demo-fitting"
_PLACES = {"in": 3, "mm": 2}
_BAR_CELLS = 44
_LEAST_SHARE = 0.005


def shown(path: Path | str) -> str:
    """A file's name with everything that could hide, move or break text written out (`\\x1b`), for a terminal's lines:
    there any blank but the common one is too, which `text.visible` lets stand."""
    return "".join(_escaped(sign) if unicodedata.category(sign)[0] in "CZ" else sign for sign in name_of(path))


def _escaped(sign: str) -> str:
    return sign if sign == " " else sign.encode("unicode_escape").decode("ascii")


def speaks_unicode() -> bool:
    """Whether standard output can show more than ASCII, also behind the bar, which stands in for it."""
    streams = (sys.stdout, sys.__stdout__)
    known = [encoding for stream in streams if (encoding := getattr(stream, "encoding", None))]
    return bool(known) and "utf" in known[0].lower()


# --- lengths -----------------------------------------------------------------------------------------


def fraction(inches: float) -> str:
    """To the nearest 1/32 as a rule shows it: 3/32, 1-1/8, 0."""
    nearest = Fraction(round(inches * 32), 32)
    whole, rest = divmod(nearest, 1)
    if not rest:
        return str(whole)
    return f"{whole}-{rest}" if whole else str(rest)


def length(value: float, unit: str) -> str:
    """`3/32 in (0.094)`, or `2.38 mm`."""
    if unit == "mm":
        return f"{decimal(value, unit)} mm"
    return f"{fraction(value)} in ({decimal(value, unit)})"


def told(span: Length | Range, unit: str) -> str:
    """The length; of what is known as a range alone, the range."""
    return interval(span, unit) if span.value is None else length(span.value, unit)


def limit_of(value: float, unit: str) -> str:
    """A limit keeps every digit that the catalog gives it: `1/16 in (0.0625)`; `0.05 in`, which stands on no rule."""
    exact = f"{value:.6f}".rstrip("0").rstrip(".")
    on_rule = unit == "in" and (Fraction(exact) * 32).denominator == 1
    return f"{fraction(value)} in ({exact})" if on_rule else f"{exact} {unit}"


def decimal(value: float, unit: str, rounding: str = ROUND_HALF_UP) -> str:
    """Three places of inches, two of millimetres."""
    step = Decimal(1).scaleb(-_PLACES[unit])
    return str(Decimal(repr(value)).quantize(step, rounding))


def interval(span: Length | Range, unit: str) -> str:
    """Rounded outwards: it must not look narrower than it is."""
    return f"{decimal(span.low, unit, ROUND_FLOOR)} to {decimal(span.high, unit, ROUND_CEILING)} {unit}"


# --- one photo ---------------------------------------------------------------------------------------


def badge(verdict: str) -> Text:
    """The verdict as word, shape and colour: none of them alone."""
    shape = (_SHAPES if speaks_unicode() else _PLAIN_SHAPES)[verdict]
    return Text(f" {shape} {verdict.upper()} ", _STYLES[verdict])


def block(answer: Answer, confidence: float = 0.95, budget: bool = False) -> RenderableType:
    """One photo's answer."""
    title = Text.assemble(badge(answer.verdict), "  ", (answer.photo, "bold"), overflow="fold")
    if is_demo(answer.reasons):
        title.append("  (demonstration fitting)")
    if answer.assisted:
        title.append(f"  ({assisted(answer.assisted.placed_by)})")
    parts: list[RenderableType] = [title]
    if answer.gap and answer.insertion:
        figures = _figures(answer, answer.gap, answer.insertion, confidence)
        parts.append(Padding(figures, (0, 0, 0, 2), expand=False))
    parts += reasons(answer.reasons)
    if budget and answer.budget:
        parts += [Padding(part, (0, 0, 0, 2), expand=False) for part in budget_table(answer.budget, answer.unit)]
    return Group(*parts, "")


def assisted(placed_by: str) -> str:
    """Said beside every verdict that a person's lines led to."""
    return f"assisted: lines placed by {shown(placed_by)}"


def _figures(answer: Answer, gap: Length, insertion: Range, confidence: float) -> Table:
    unit, sure = answer.unit, f"{confidence * 100:g} %"
    grid = Table.grid(padding=(0, 2))
    grid.add_row("gap", length(gap.value, unit), f"{sure} sure: {interval(gap, unit)}")
    grid.add_row("limit", limit_of(answer.limit, unit), Text(_bar(gap, answer.limit), no_wrap=True))
    if answer.p_full is not None:
        grid.add_row("", "", f"within limit: {likely(answer.p_full)}")
    grid.add_row("insertion", *span(insertion, unit, sure))
    if answer.premark and answer.premark.depth:
        depth, source = answer.premark.depth, answer.premark.photo
        value, sureness = span(depth, unit, sure)
        grid.add_row("mark", value, f"{sureness}, by {source}")
        if answer.premark.depth_here:
            grid.add_row("", span(answer.premark.depth_here, unit, sure)[0], "on the side that this photo shows")
    if answer.min_insertion is not None and answer.p_inserted is not None:
        grid.add_row("least", limit_of(answer.min_insertion, unit), f"reached: {likely(answer.p_inserted)}")
    return grid


def span(found: Range, unit: str, sure: str) -> tuple[str, str]:
    """A length and its interval, each for a column of its own."""
    if found.value is None:
        return interval(found, unit), f"{sure} sure, no nearer: the lens is not known; send the original photo"
    return length(found.value, unit), f"{sure} sure: {interval(found, unit)}"


def likely(probability: float) -> str:
    """`97.3 % likely`; never 0 or 100 %, for no photo is that sure."""
    if probability > 0.999:
        return "more than 99.9 % likely"
    if probability < 0.001:
        return "less than 0.1 % likely"
    return f"{probability * 100:.1f} % likely"


def premark_block(answer: PremarkAnswer, confidence: float = 0.95, budget: bool = False) -> RenderableType:
    """The answer for one photo of a marked pipe."""
    title = Text.assemble(badge(answer.verdict), "  ", (answer.photo, "bold"), overflow="fold")
    if is_demo(answer.reasons):
        title.append("  (demonstration fitting)")
    parts: list[RenderableType] = [title]
    if answer.depth and answer.cut:
        parts.append(Padding(_placing(answer, answer.depth, answer.cut, confidence), (0, 0, 0, 2), expand=False))
    parts += reasons(answer.reasons)
    if budget and answer.budget:
        parts += [Padding(part, (0, 0, 0, 2), expand=False) for part in budget_table(answer.budget, answer.unit)]
    return Group(*parts, "")


def _placing(answer: PremarkAnswer, depth: Range, cut: Cut, confidence: float) -> Table:
    unit, sure = answer.unit, f"{confidence * 100:g} %"
    grid = Table.grid(padding=(0, 2))
    value, sureness = span(depth, unit, sure)
    grid.add_row("mark", f"{value} from the cut", sureness)
    grid.add_row("catalog", limit_of(answer.mark_depth, unit), tolerance_of(answer))
    if answer.p_placed is not None:
        grid.add_row("", "", f"within tolerance: {likely(answer.p_placed)}")
    angle = cut.angle_deg
    grid.add_row("cut", f"{angle.value:.1f}° out of square",
                 f"{sure} sure: {angle.low:.1f} to {angle.high:.1f}°; {length(cut.across.value, unit)} across the pipe")
    return grid


def tolerance_of(answer: PremarkAnswer) -> str:
    """The catalog's tolerance of the mark in words."""
    if answer.mark_tolerance is None:
        return "no tolerance given: told, not judged"
    return f"plus or minus {limit_of(answer.mark_tolerance, answer.unit)}"


def _bar(gap: Length, limit: float) -> str:
    """The interval on a line from 0, against the limit."""
    ground, span, value, bound = "─━●┃" if speaks_unicode() else "-=o|"
    scale = (_BAR_CELLS - 1) / max(2 * limit, 1.05 * gap.high)
    cells = [ground] * _BAR_CELLS
    for cell in range(math.floor(gap.low * scale), min(_BAR_CELLS, math.ceil(gap.high * scale) + 1)):
        cells[cell] = span
    cells[min(_BAR_CELLS - 1, round(limit * scale))] = bound
    cells[min(_BAR_CELLS - 1, round(gap.value * scale))] = value
    return "".join(cells)


def reasons(every: Sequence[Why]) -> list[RenderableType]:
    """Each reason with its advice; that of a demonstration row stands at the title instead."""
    return [_reason(each.text, each.advice, each.code) for each in every if each.code != _DEMO_CODE]


def is_demo(every: Sequence[Why]) -> bool:
    """Whether a demonstration row was used."""
    return any(each.code == _DEMO_CODE for each in every)


def _reason(text: str, advice: str, code: str) -> Padding:
    grid = Table.grid(padding=(0, 1))
    bullet, arrow = ("•", "→") if speaks_unicode() else ("-", ">")
    grid.add_row(bullet, Text.assemble(text, (f" [{code}]", "dim")))
    grid.add_row("", Text(f"{arrow} {advice}"))
    return Padding(grid, (0, 0, 0, 2), expand=False)


def budget_table(parts: Sequence[Part], unit: str) -> list[RenderableType]:
    """What an uncertainty is made of, the small parts in a line."""
    grid = Table.grid(padding=(0, 2))
    grid.add_row("what the uncertainty is made of", Text(f"u, {unit}", justify="right"), "share")
    for part in parts:
        if part.share >= _LEAST_SHARE:
            grid.add_row("  " + part.name, Text(f"{part.u:.4f}", justify="right"),
                         Text(f"{part.share:.0%}", justify="right"))
    small = [part.name for part in parts if part.share < _LEAST_SHARE]
    rest = Padding(Text(f"less than {_LEAST_SHARE:.1%} each: {', '.join(small)}"), (0, 0, 0, 2), expand=False)
    return [grid, rest] if small else [grid]


# --- several photos ----------------------------------------------------------------------------------


def table(answers: Sequence[Answer]) -> Table:
    """One line a photo."""
    unit = answers[0].unit
    rows = Table(box=None, pad_edge=False, header_style="dim")
    rows.add_column("verdict", no_wrap=True)
    rows.add_column("photo", overflow="fold")
    for name in (f"gap, {unit}", "interval"):
        rows.add_column(name, justify="right", no_wrap=True)
    rows.add_column("why", overflow="fold")
    for answer in answers:
        rows.add_row(badge(answer.verdict), Text(answer.photo), *_cells(answer))
    return rows


def _cells(answer: Answer) -> tuple[str, str, str]:
    why = ", ".join(reason.code for reason in answer.reasons)
    if not answer.gap:
        return "", "", why
    span = interval(answer.gap, answer.unit).removesuffix(answer.unit).rstrip()
    return decimal(answer.gap.value, answer.unit), span, why


def premark_table(answers: Sequence[PremarkAnswer]) -> Table:
    """One line a photo."""
    unit = answers[0].unit
    rows = Table(box=None, pad_edge=False, header_style="dim")
    rows.add_column("verdict", no_wrap=True)
    rows.add_column("photo", overflow="fold")
    for name in (f"depth, {unit}", "interval", "cut"):
        rows.add_column(name, justify="right", no_wrap=True)
    rows.add_column("why", overflow="fold")
    for answer in answers:
        why = ", ".join(reason.code for reason in answer.reasons)
        figures = ("", "", "")
        if answer.depth and answer.cut:
            span = interval(answer.depth, unit).removesuffix(unit).rstrip()
            value = answer.depth.value
            figures = "" if value is None else decimal(value, unit), span, f"{answer.cut.angle_deg.value:.1f}°"
        rows.add_row(badge(answer.verdict), Text(answer.photo), *figures, why)
    return rows


def heading(fitting: Any, unit: str) -> str:
    """What the photos are held against; the first line, before the slow work begins."""
    def convert(length_mm: float) -> float:
        return round(length_mm / MM_PER_UNIT[unit], 5)

    depth = length(convert(fitting.mark_depth_mm), unit)
    return shown(f"{fitting.id}: size {fitting.nominal_size}, pipe {convert(fitting.pipe_od_mm):g} {unit}, "
                 f"collar {convert(fitting.collar_od_mm):g} {unit}, mark at {depth}, "
                 f"largest gap {limit_of(convert(fitting.max_gap_mm), unit)}")
