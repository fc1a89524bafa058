"""A comparison as programs read it, the JSON of `collargap compare --json`, and as people do."""

from __future__ import annotations

from decimal import ROUND_CEILING

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from calibration.fittings import Fitting, Unit
from cli import say
from cli.answer import Answer, Length, Part, Plain, Scale, Why, program_version, rounded, why
from vision.compare import Change, Comparison, EdgeName


class Turned(Plain):
    """By how much the later photo was taken from further round the pipe; `by` is word or features."""

    deg: float
    u_deg: float
    by: str


class ChangeAnswer(Plain):
    """Everything about a comparison.  `movement` is positive where the pipe came out."""

    verdict: Change
    fitting: str
    unit: Unit
    movement: Length | None
    e_n: float | None
    shown: float | None
    least: float
    correlation: float | None
    edge: EdgeName | None
    turned: Turned | None
    common_arc_deg: float | None
    budget: tuple[Part, ...]
    reasons: tuple[Why, ...]
    old: Answer
    new: Answer
    seconds: float
    version: str


def change_of(said: Comparison, fitting: Fitting, old: Answer, new: Answer, unit: Unit, seconds: float) -> ChangeAnswer:
    """The answer for two photos, in `unit`."""
    scale = Scale(unit)
    turn = said.turn
    return ChangeAnswer(
        verdict=said.word, fitting=fitting.id, unit=unit,
        movement=scale.interval(said.movement) if said.movement else None,
        e_n=rounded(said.e_n, 3), shown=None if said.shown_mm is None else scale.length(said.shown_mm),
        least=scale.length(said.least_mm), correlation=rounded(said.correlation, 3), edge=said.edge,
        turned=Turned(deg=round(turn.deg, 1), u_deg=round(turn.u_deg, 1), by=turn.by) if turn else None,
        common_arc_deg=rounded(said.common_deg, 1),
        budget=tuple(Part(name=part.name, u=scale.length(part.u_mm), share=round(part.share, 4))
                     for part in said.budget),
        reasons=tuple(why(doubt, scale.unit) for doubt in said.reasons), old=old, new=new, seconds=round(seconds, 3),
        version=program_version())


# --- as people read it -------------------------------------------------------------------------------


def block(answer: ChangeAnswer, confidence: float, budget: bool = False) -> RenderableType:
    """The answer for two photos."""
    title = Text.assemble(say.badge(answer.verdict), "  ", (f"{answer.old.photo}, then {answer.new.photo}", "bold"),
                          overflow="fold")
    if say.is_demo(answer.reasons):
        title.append("  (demonstration fitting)")
    parts: list[RenderableType] = [title, Padding(_figures(answer, confidence), (0, 0, 0, 2), expand=False)]
    parts += say.reasons(answer.reasons)
    if budget and answer.budget:
        parts += [Padding(part, (0, 0, 0, 2), expand=False) for part in say.budget_table(answer.budget, answer.unit)]
    return Group(*parts, "")


def _figures(answer: ChangeAnswer, confidence: float) -> Table:
    unit, sure = answer.unit, f"{confidence * 100:g} % sure"
    grid = Table.grid(padding=(0, 2))
    for name, photo in (("gap then", answer.old), ("gap now", answer.new)):
        gap = photo.gap
        grid.add_row(name, say.length(gap.value, unit) if gap else "not measured",
                     f"{sure}: {say.interval(gap, unit)}" if gap else "")
    if answer.movement and answer.e_n is not None and answer.shown is not None:
        grid.add_row("movement", moved_by(answer.movement, unit), f"{sure}: {moved_within(answer.movement, unit)}")
        grid.add_row("told by", f"the mark's {answer.edge} edge", "" if answer.edge == "near" else
                     "surer here than the near one, to which gaps run")
        grid.add_row("E_n", f"{answer.e_n:+.2f}", "beyond 1 either way: moved")
        grid.add_row("could show", say.length(answer.shown, unit), "smaller movements can't be told from none")
    grid.add_row("matters", say.limit_of(answer.least, unit), "a joint is still where that much is excluded")
    if answer.movement:
        grid.add_row("sides", _sides(answer), "")
    return grid


def moved_by(movement: Length, unit: str) -> str:
    """`out by 2.03 mm`: in words, for a sign is easily overlooked."""
    way = "out" if movement.value >= 0 else "in"
    return f"{way} by {say.length(abs(movement.value), unit)}"


def moved_within(movement: Length, unit: str) -> str:
    """`out by 1.80 to 2.26 mm`, or `from in by 0.10 to out by 0.31 mm`."""
    if movement.low < 0 < movement.high:
        low, high = (say.decimal(abs(end), unit, ROUND_CEILING) for end in (movement.low, movement.high))
        return f"from in by {low} to out by {high} {unit}"
    least, most = sorted((abs(movement.low), abs(movement.high)))
    told = Length(value=abs(movement.value), low=least, high=most, u=movement.u)
    return f"{'in' if movement.high <= 0 and movement.low < 0 else 'out'} by {say.interval(told, unit)}"


def _sides(answer: ChangeAnswer) -> str:
    turned = answer.turned
    if turned is None:
        return "not known"
    said = {"word": "as you said", "features": "by what both show"}[turned.by]
    common = f", {answer.common_arc_deg:.0f} degrees in both" if answer.common_arc_deg else ", no side in both"
    degrees = 180.0 if turned.deg == -180 else turned.deg  # half round is the same either way
    return f"{degrees:+.0f} degrees {said}{common}"
