"""Measurement -> word and reasons: never more certain than the photo.

The rule is binary with a guard band of w = U on both sides of the limit (ILAC-G8:09/2019 clause 4.2.2, both
ways as in ISO 14253-1): a joint is `full` only where the whole coverage interval lies at or under the limit,
`short` only where all of it lies above; between the two nothing is proven.  With the usual two-sided 95 %
interval each word is false at most 2.5 times in 100.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeVar

from calibration.fittings import Fitting
from vision import propagation
from vision.reasons import REASONS
from vision.records import Doubt, Interval, Measurement, Placement, PremarkWord, Word

_Word = TypeVar("_Word", Word, PremarkWord)
_WORDS: dict[str, Word] = {"conforms": "full", "fails": "short", "unproven": "unproven"}


def judge(measurement: Measurement, doubts: Iterable[Doubt],
          fitting: Fitting) -> tuple[Word, tuple[Doubt, ...]]:
    """The word, and every reason to doubt it: those that bar a verdict first, each code once.

    doubts: from the stages before; those of the measurement are added.  Any that bars makes it `unproven`.
    """
    demo = [Doubt("demo-fitting")] if fitting.is_demo else []
    return _judged(measurement.gap, fitting.max_gap_mm, [*doubts, *measurement.doubts, *demo])


def judge_by_width(gap: Interval, limit_mm: float, reasons: Iterable[Doubt]) -> tuple[Word, tuple[Doubt, ...]]:
    """The same for a gap that the line's width on its marked pipe told; reasons: what was said of the joint alone."""
    kept = [doubt for doubt in reasons if doubt.reason != "interval-spans-limit"]
    return _judged(gap, limit_mm, [*kept, Doubt("told-by-width")])


def judge_as_marked(gap: Interval, limit_mm: float, reasons: Iterable[Doubt]) -> tuple[Word, tuple[Doubt, ...]]:
    """The same for a line that might have been no mark, did not the photo of its marked pipe show that there is one;
    reasons: what was said of the joint alone."""
    kept = [doubt for doubt in reasons if doubt.reason != "mark-unclear"]
    return _judged(gap, limit_mm, [*kept, Doubt("marked-before")])


def _judged(gap: Interval, limit_mm: float, doubts: list[Doubt]) -> tuple[Word, tuple[Doubt, ...]]:
    word = _WORDS[propagation.judge(gap.low_mm, gap.high_mm, limit_mm)]
    return _unless_barred(word, [*doubts, Doubt("interval-spans-limit")] if word == "unproven" else doubts)


def _unless_barred(word: _Word, doubts: Iterable[Doubt]) -> tuple[_Word, tuple[Doubt, ...]]:
    reasons = in_order(doubts)
    return ("unproven" if any(REASONS[doubt.reason].bars for doubt in reasons) else word), reasons


def judge_placement(placement: Placement, doubts: Iterable[Doubt],
                    fitting: Fitting) -> tuple[PremarkWord, tuple[Doubt, ...]]:
    """`placed` where the whole interval lies within the catalog's tolerance, `misplaced` where all of it lies outside.

    Without a tolerance nothing is judged: the answer is the number and its interval.
    """
    depth, half = placement.depth, fitting.mark_tolerance_mm
    found = [*doubts, *placement.doubts]
    word: PremarkWord = "unproven"
    if half is None:
        found.append(Doubt("no-tolerance"))
    elif max(depth.high_mm - fitting.mark_depth_mm, fitting.mark_depth_mm - depth.low_mm) <= half:
        word = "placed"
    elif depth.low_mm > fitting.mark_depth_mm + half or depth.high_mm < fitting.mark_depth_mm - half:
        word = "misplaced"
    else:
        found.append(Doubt("lens-unknown" if placement.lens_open else "interval-spans-tolerance"))
    if fitting.is_demo:
        found.append(Doubt("demo-fitting"))
    return _unless_barred(word, found)


def judge_insertion(length: Interval, least_mm: float | None, said: tuple[Word, tuple[Doubt, ...]],
                    before: PremarkWord) -> tuple[Word, tuple[Doubt, ...]]:
    """The word for a joint whose pipe was photographed before it was pushed in.

    said: word and reasons by the gap alone.  before: the word for the marked pipe.  Where the catalog gives a least
    insertion that decides, and the gap's own limit does not; else the gap does, but not by a mark that was seen to be
    misplaced.
    """
    word, reasons = said
    if least_mm is None:
        if before != "misplaced":
            return word, reasons
        return "unproven", in_order([*reasons, Doubt("mark-misplaced")])
    found = [doubt for doubt in reasons if doubt.reason != "interval-spans-limit"]
    if length.low_mm >= least_mm:
        word = "full"
    elif length.high_mm < least_mm:
        word = "short"
    else:
        word = "unproven"
        found.append(Doubt("interval-spans-insertion"))
    return _unless_barred(word, found)


def in_order(doubts: Iterable[Doubt]) -> tuple[Doubt, ...]:
    """Each code once, with the first detail given for it; those that bar a verdict first."""
    once: dict[str, Doubt] = {}
    for doubt in doubts:
        if doubt.reason not in once or (doubt.detail and not once[doubt.reason].detail):
            once[doubt.reason] = doubt
    return tuple(sorted(once.values(), key=lambda doubt: not REASONS[doubt.reason].bars))
