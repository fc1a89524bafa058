"""Several verdicts on one joint -> JointVerdict: the gap all round the pipe.

One photo sees a third of the pipe.  The views are placed round it, by the user's word or by what they show, and
`ring` fits the gap all round to them.

The joint is `full` where the worst gap, seen or not, lies at or under the limit with all of its interval, and
at least LEAST_SEEN of the circumference was seen.  Where the catalog gives a least insertion, and photos of the marked
pipe told the mark's depth, the insertion where it is least stands in for that gap.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from calibration.fittings import Fitting
from vision import turn_between
from vision.compare import Turn
from vision.depths import Depths, least_insertion
from vision.propagation import normal_quantile
from vision.reasons import REASONS
from vision.records import Doubt, Insertion, Interval, PremarkWord, Verdict, Word
from vision.redraw import SidesTooUncertain
from vision.ring import LEAST_SEEN, Placed, Ring, Wave, share_of
from vision.wave import TOLD_U_DEG

# Reasons of one view that bear on the whole joint: two bar a verdict on it, one says that a person placed lines.
_CARRIED = ("two-lines", "size-mismatch", "assisted")


@dataclass(frozen=True)
class ByPipe:
    """What photos of the marked pipe told of the mark's depth, the word for it, and that for each view with them.

    differs: the views, from 1, whose line can't be the marked pipe's, for it isn't as wide.  doubts: what is to be said
    of the photos besides.  depths: None where none told a depth.  most_mm: by how much the pipe is in at most on the
    side that one of the views shows.
    """

    depths: Depths | None
    word: PremarkWord
    words: tuple[Word, ...]
    differs: tuple[int, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    most_mm: float = math.inf


@dataclass(frozen=True)
class JointVerdict:
    """The answer for a joint.

    ring: the gap all round, angles from where the user counts, else from the first view that was measured; negative:
    under the collar.
    worst: the largest gap on the circumference, seen or not, at `worst_deg`.  seen: share of the circumference
    on which the mark was read.  mark, seat: how much of the wave the mark and the pipe's seat have, where a photo
    before insertion told the mark's.  insertion: where the pipe is in least, seen or not, where such photos told the
    mark's depth.
    """

    word: Word
    reasons: tuple[Doubt, ...]
    views: tuple[Placed, ...]
    confidence: float = 0.95
    ring: Wave | None = None
    worst: Interval | None = None
    worst_deg: float | None = None
    seen: float | None = None
    p_full: float | None = None
    mark: Wave | None = None
    seat: Wave | None = None
    insertion: Insertion | None = None


def join(verdicts: Sequence[Verdict], fitting: Fitting, *, at_deg: Sequence[float] | None = None,
         mark_askew: Wave | None = None, pipe: ByPipe | None = None, confidence: float = 0.95,
         seed: int = 0) -> JointVerdict:
    """What several photos of one joint say together.

    at_deg: the sides as the user names them, one a photo; without it views are placed by what they show.
    mark_askew: the mark's own wave as a photo before insertion told it, in the same angles;
    None: a cocked pipe and an askew mark can't be told apart.  pipe: what else that photo told.
    """
    views = _placed(verdicts, at_deg)
    blank = JointVerdict("unproven", (), views, confidence)
    measured = [view for view in views if _is_measured(view.verdict)]
    if not measured:
        return replace(blank, reasons=_reasons(views, [], fitting))
    lost = [k for k, view in enumerate(views, 1) if view.turn is None and _is_measured(view.verdict)]
    if lost:
        named = f"photo{'s' if len(lost) > 1 else ''} {', '.join(map(str, lost))} of {len(views)}"
        short = all(word == "short" for word, view in zip(_words(views, pipe), views, strict=True)
                    if _is_measured(view.verdict))
        found = [Doubt("sides-unknown", named), *_by_pipe(pipe, fitting)]
        return _unless_barred(replace(blank, word="short" if short else "unproven"), found, fitting, "sides-unknown")
    try:
        return _judged(blank, Ring.of(measured, fitting), fitting, (mark_askew, pipe), seed)
    except SidesTooUncertain:
        return replace(blank, reasons=_reasons(views, [Doubt("edges-not-found")], fitting))


def _judged(blank: JointVerdict, ring: Ring, fitting: Fitting, before: tuple[Wave | None, ByPipe | None],
            seed: int) -> JointVerdict:
    """The word, from the ring and how much of it was seen; before: the mark's own wave, and what else its pipe told."""
    fit, (mark, pipe) = ring.fitted(seed), before
    worst, p_full = fit.worst(blank.confidence, fitting.max_gap_mm, seed)
    seat = fit.middle.less(mark) if mark else None
    found = [] if fit.agrees else [Doubt("views-disagree", f"by {fit.apart_mm:.1f} mm")]
    if not fit.middle.is_level:
        found.append(_uneven(fit.middle, mark, seat))
    inserted = None
    if pipe and pipe.depths:
        inserted = least_insertion(fit, pipe.depths, blank.confidence, fitting.min_insertion_mm, seed)
        inserted = replace(inserted, length=_at_most(inserted.length, pipe.most_mm))
    said = replace(blank, ring=fit.middle, worst=worst, worst_deg=fit.middle.top_deg, seen=seen_share(blank.views),
                   p_full=p_full, mark=mark, seat=seat, insertion=inserted)
    word, doubts = _by_worst(said, worst, fitting, _words(blank.views, pipe))
    return _unless_barred(replace(said, word=word), [*found, *doubts, *_by_pipe(pipe, fitting)], fitting)


def _words(views: Sequence[Placed], pipe: ByPipe | None) -> tuple[Word, ...]:
    """The word for each view, with what the marked pipe adds."""
    return pipe.words if pipe else tuple(view.verdict.word for view in views)


def _at_most(least: Interval, most_mm: float) -> Interval:
    """The pipe is in nowhere by less than where it is in least."""
    high = max(least.low_mm, min(least.high_mm, most_mm))
    return replace(least, value_mm=min(least.value_mm, high), high_mm=high)


def _by_worst(said: JointVerdict, worst: Interval, fitting: Fitting,
              words: tuple[Word, ...]) -> tuple[Word, list[Doubt]]:
    """The word by the worst place, seen or not, and what keeps it from being surer; words: of the single views."""
    least, seen = fitting.min_insertion_mm, said.seen or 0.0
    if said.insertion is not None and least is not None and not said.insertion.lens_open:
        length, spans = said.insertion.length, "interval-spans-insertion"
        short, full = length.high_mm < least or "short" in words, length.low_mm >= least
    else:
        spans = "interval-spans-limit"
        short, full = worst.low_mm > fitting.max_gap_mm, worst.high_mm <= fitting.max_gap_mm
    if short:
        return "short", []
    if not full:
        return "unproven", [Doubt("too-little-seen", _needed(seen)) if seen < LEAST_SEEN else Doubt(spans)]
    if "short" in words:
        return "unproven", [Doubt("views-disagree", "one photo by itself is short")]
    if seen < LEAST_SEEN:
        return "unproven", [Doubt("too-little-seen", _needed(seen))]
    return "full", []


def _needed(seen: float) -> str:
    return f"{seen:.0%}, {LEAST_SEEN:.0%} are needed"


def _by_pipe(pipe: ByPipe | None, fitting: Fitting) -> list[Doubt]:
    """A mark that was seen to be misplaced proves nothing by its gap alone, and a line that is not the marked one
    nothing at all."""
    if pipe is None:
        return []
    named = ", ".join(f"photo {number}" for number in pipe.differs)
    alone = fitting.min_insertion_mm is None and pipe.word == "misplaced"
    return [*([Doubt("mark-differs", named)] if named else []), *([Doubt("mark-misplaced")] if alone else []),
            *pipe.doubts]


def _unless_barred(said: JointVerdict, found: list[Doubt], fitting: Fitting, but: str = "") -> JointVerdict:
    """The verdict with its reasons, `unproven` where one of them bars it; but: the one that doesn't."""
    reasons = _reasons(said.views, found, fitting)
    barred = any(REASONS[doubt.reason].bars for doubt in reasons if doubt.reason != but)
    return replace(said, word="unproven" if barred else said.word, reasons=reasons)


def _uneven(gap: Wave, mark: Wave | None, seat: Wave | None) -> Doubt:
    """A gap that is not the same all round, and which of pipe and mark it is that slants, where that can be told."""
    if seat is not None and not seat.is_level:
        return Doubt("pipe-cocked", _slant(seat))
    if mark is not None and not mark.is_level:
        return Doubt("drawn-askew", _slant(mark))
    return Doubt("cocked-or-askew", _slant(gap))


def _slant(wave: Wave) -> str:
    """By how much it differs from one side to the opposite one, with what 95 in 100 leaves open."""
    reach = 2 * normal_quantile(0.975) * wave.amplitude_u_mm
    return f"{2 * wave.amplitude_mm:.1f} mm more on one side than opposite, give or take {reach:.1f} mm"


def _is_measured(verdict: Verdict) -> bool:
    return verdict.gap is not None and verdict.measurement is not None


def _reasons(views: Sequence[Placed], found: list[Doubt], fitting: Fitting) -> tuple[Doubt, ...]:
    """What is said of the joint: what its views bring along, what was found of them together."""
    said = list(found)
    if not any(_is_measured(view.verdict) for view in views):
        said += [Doubt(doubt.reason, f"photo {number}{': ' if doubt.detail else ''}{doubt.detail}")
                 for number, view in enumerate(views, 1) for doubt in view.verdict.reasons
                 if REASONS[doubt.reason].bars]
    said += [Doubt(doubt.reason, f"photo {number}{': ' if doubt.detail else ''}{doubt.detail}")
             for number, view in enumerate(views, 1) for doubt in view.verdict.reasons
             if doubt.reason in _CARRIED and _is_new(doubt, said)]
    if fitting.is_demo:
        said.append(Doubt("demo-fitting"))
    return tuple(said)


def _is_new(doubt: Doubt, said: list[Doubt]) -> bool:
    return all(doubt.reason != other.reason for other in said)


def _placed(verdicts: Sequence[Verdict], at_deg: Sequence[float] | None) -> tuple[Placed, ...]:
    """Every view with its turn: by the user's word from where the user counts, else by features from the first measured
    one."""
    if at_deg is not None:
        return tuple(Placed(v, Turn(_turn(at), TOLD_U_DEG, "word")) for v, at in zip(verdicts, at_deg, strict=True))
    turns: dict[int, Turn] = {}
    start = next((k for k, verdict in enumerate(verdicts) if _is_measured(verdict)), None)
    if start is not None:
        turns[start] = Turn(0.0, 0.0, "first")
        _follow(verdicts, turns)
    return tuple(Placed(verdict, turns.get(k)) for k, verdict in enumerate(verdicts))


def _follow(verdicts: Sequence[Verdict], turns: dict[int, Turn]) -> None:
    """Place view after view: always the one whose match with a placed one stands out most."""
    matches = {}
    for a, first in enumerate(verdicts):
        for b in range(a + 1, len(verdicts)):
            found = turn_between.match(first, verdicts[b])
            if found and found.sure:
                matches[a, b] = found
    while True:
        open_ends = [(found.clear, a, b, found.turn_deg) for (a, b), found in matches.items()
                     if (a in turns) != (b in turns)]
        if not open_ends:
            return
        _, a, b, turn = max(open_ends)
        known, new, sign = (a, b, 1) if a in turns else (b, a, -1)
        u_deg = math.hypot(turns[known].u_deg, turn_between.U_DEG)
        turns[new] = Turn(_turn(turns[known].deg + sign * turn), u_deg, "features")


def _turn(degrees: float) -> float:
    """The same turn between -180 and 180."""
    return (degrees + 180) % 360 - 180


def seen_share(views: Sequence[Placed]) -> float:
    """Share of the circumference on which a mark was read in some view."""
    return share_of(view.read_deg for view in views)
