"""A joint seen from several sides, as programs read it (the JSON of `collargap joint --json`) and as people do."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from calibration.fittings import Fitting, Unit
from cli import say
from cli.answer import Answer, Length, Plain, PremarkAnswer, Range, Scale, Why, program_version, rounded, why
from vision.records import Word
from vision.ring import Placed, Wave
from vision.views import JointVerdict


class Ring(Plain):
    """The gap as mean + cos cos(angle) + sin sin(angle); angles as `worst_at_deg`.  Below 0: under the collar."""

    mean: float
    cos: float
    sin: float


class Side(Plain):
    """A view: where it was taken from (null: not known), how well that is known and by what, and its photo.

    gap: by the photo alone, as the ring takes it; the marked pipe may tell `photo` another.
    """

    at_deg: float | None
    u_deg: float | None
    by: str | None
    seen_deg: float
    gap: Length | None
    photo: Answer


class Before(Plain):
    """A photo of the marked pipe, and from where it was taken."""

    at_deg: float
    photo: PremarkAnswer


class JointAnswer(Plain):
    """Everything about a joint.  `worst`: the largest gap all round; `seen`: share of the circumference, 0 to 1.

    Angles are counted as the user named the sides, else from the first photo that could be measured.  `mark`, `seat`:
    how much of the ring the mark's own slant makes, by `premark`, and how much is left for the pipe's seat.
    `insertion`: where the pipe is in least, where such photos told the mark's depth; `p_inserted`: probability that it
    is at least `min_insertion`.
    """

    verdict: Word
    fitting: str
    unit: Unit
    limit: float
    worst: Length | None
    worst_at_deg: float | None
    seen: float | None
    p_full: float | None
    ring: Ring | None
    views: tuple[Side, ...]
    reasons: tuple[Why, ...]
    seconds: float
    version: str
    mark: Ring | None = None
    seat: Ring | None = None
    premark: tuple[Before, ...] = ()
    insertion: Range | None = None
    min_insertion: float | None = None
    p_inserted: float | None = None


def joint_of(said: JointVerdict, fitting: Fitting, photos: Sequence[Answer], unit: Unit, seconds: float,
             premark: Sequence[Before] = ()) -> JointAnswer:
    """The answer for a joint, in `unit`."""
    scale, least, inserted = Scale(unit), fitting.min_insertion_mm, said.insertion
    return JointAnswer(
        verdict=said.word, fitting=fitting.id, unit=unit, limit=scale.length(fitting.max_gap_mm),
        worst=scale.interval(said.worst) if said.worst else None, worst_at_deg=rounded(said.worst_deg, 0),
        seen=rounded(said.seen, 3), p_full=rounded(said.p_full, 6), ring=_ring(said.ring, scale),
        views=tuple(_side(view, photo, scale) for view, photo in zip(said.views, photos, strict=True)),
        reasons=tuple(why(doubt, unit) for doubt in said.reasons), seconds=round(seconds, 3), version=program_version(),
        mark=_ring(said.mark, scale), seat=_ring(said.seat, scale), premark=tuple(premark),
        insertion=scale.range(inserted.length, inserted.lens_open) if inserted else None,
        min_insertion=None if least is None else scale.length(least),
        p_inserted=rounded(inserted.p_enough, 6) if inserted else None)


def _ring(wave: Wave | None, scale: Scale) -> Ring | None:
    if wave is None:
        return None
    return Ring(mean=scale.length(wave.mean_mm), cos=scale.length(wave.cos_mm), sin=scale.length(wave.sin_mm))


def _side(view: Placed, photo: Answer, scale: Scale) -> Side:
    turn, read, found = view.turn, view.read_deg, view.verdict.measurement
    return Side(at_deg=rounded(turn.deg % 360, 1) if turn else None, u_deg=rounded(turn.u_deg, 1) if turn else None,
                by=turn.by if turn else None, seen_deg=round(float(np.ptp(read)), 1) if read else 0.0,
                gap=scale.interval(found.gap) if found else None, photo=photo)


# --- as people read it -------------------------------------------------------------------------------


def block(answer: JointAnswer, confidence: float) -> RenderableType:
    """The joint's answer, and a line a view."""
    title = Text.assemble(say.badge(answer.verdict), "  ", (f"one joint, {_photos(len(answer.views))}", "bold"))
    if say.is_demo(answer.reasons):
        title.append("  (demonstration fitting)")
    parts: list[RenderableType] = [title]
    if answer.worst:
        parts.append(Padding(_figures(answer, answer.worst, confidence), (0, 0, 0, 2), expand=False))
    parts += say.reasons(answer.reasons)
    parts += ["", Padding(_views(answer), (0, 0, 0, 2), expand=False)]
    for side in answer.views:
        if side.photo.gap is None:
            parts += _unread(f"{side.photo.photo} told no gap:", side.photo.reasons)
    for before in answer.premark:
        parts += _before(before)
    return Group(*parts, "")


def _before(before: Before) -> list[RenderableType]:
    photo = before.photo
    where = f"{photo.photo}, before insertion, {before.at_deg:.0f} degrees: "
    if photo.depth is None:
        return _unread(f"{where}no depth could be told:", photo.reasons)
    return [Padding(f"{where}mark at {say.told(photo.depth, photo.unit)}, {photo.verdict.upper()}", (0, 0, 0, 2))]


def _unread(heading: str, reasons: Sequence[Why]) -> list[RenderableType]:
    """A photo that had no part in the answer, why, and what to do."""
    return [Padding(heading, (1, 0, 0, 2)), *say.reasons(reasons)]


def _photos(count: int) -> str:
    return "1 photo" if count == 1 else f"{count} photos"


def _figures(answer: JointAnswer, worst: Length, confidence: float) -> Table:
    unit, sure = answer.unit, f"{confidence * 100:g} % sure"
    grid = Table.grid(padding=(0, 2))
    grid.add_row("worst gap", say.length(worst.value, unit), f"{sure}: {say.interval(worst, unit)}")
    grid.add_row("limit", say.limit_of(answer.limit, unit), "" if answer.p_full is None else
                 f"within limit: {say.likely(answer.p_full)}")
    if answer.worst_at_deg is not None and answer.seen is not None:
        told = any(side.by == "word" for side in answer.views)
        grid.add_row("where", f"at {answer.worst_at_deg:.0f} degrees{'' if told else ' from the first side measured'}",
                     "counted as you named the sides" if told else "")
        grid.add_row("seen", f"{answer.seen:.0%} of the circumference", "")
    if answer.insertion is not None:
        value, ends = say.span(answer.insertion, unit, sure.removesuffix(" sure"))
        grid.add_row("insertion", value, ends if answer.insertion.value is None else f"{ends}, at its least")
        if answer.min_insertion is not None and answer.p_inserted is not None:
            grid.add_row("least", say.limit_of(answer.min_insertion, unit), f"reached: {say.likely(answer.p_inserted)}")
    for name, ring in (("the mark's slant", answer.mark), ("the pipe's seat", answer.seat)):
        if ring is not None:
            grid.add_row(name, say.length(2 * float(np.hypot(ring.cos, ring.sin)), unit), "across the pipe")
    return grid


def _views(answer: JointAnswer) -> Table:
    """A line a view: its gap by the photo alone, of which the ring is made, and the other that a marked pipe told."""
    table = Table(box=None, pad_edge=False, header_style="dim")
    piped = [f"with its pipe, {answer.unit}"] if answer.premark else []
    for name in ("photo", "side", f"gap{' alone' if piped else ''}, {answer.unit}", *piped, "why"):
        table.add_column(name, overflow="fold")
    for side in answer.views:
        photo = side.photo
        where = "not known" if side.at_deg is None else f"{side.at_deg:.0f} degrees" + (
            " by what photos share" if side.by == "features" else "")
        codes = ", ".join(reason.code for reason in photo.reasons if reason.code != "demo-fitting")
        gaps = (side.gap, photo.gap) if piped else (side.gap,)
        table.add_row(Text(photo.photo), where, *(say.decimal(gap.value, answer.unit) if gap else "" for gap in gaps),
                      codes)
    return table
