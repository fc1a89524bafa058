"""What a joint's photo and the photo of its marked pipe say together: the insertion, and the word for the joint.

The command line has both photos' records at hand, a job their answers; either says what it knows as `Marked` and
`Made`, and both are judged here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from vision.insertion import Made, Marked, gap_of, insert, p_within, unlike
from vision.reasons import REASONS
from vision.records import Doubt, Insertion, Interval, PremarkWord, Word
from vision.verdict import in_order, judge_as_marked, judge_by_width, judge_insertion

Said = tuple[Word, tuple[Doubt, ...]]


@dataclass(frozen=True)
class Limits:
    """What the catalog asks of the joint: the largest gap, and the least insertion where it gives one."""

    gap_mm: float
    insertion_mm: float | None


@dataclass(frozen=True)
class Both:
    """The word and its reasons.  insertion: None where the photos can't show one line.

    gap, p_full: the gap and how likely it lies within its limit, where the line's width told it; else None.
    """

    word: Word
    reasons: tuple[Doubt, ...]
    insertion: Insertion | None = None
    gap: Interval | None = None
    p_full: float | None = None


def judge_both(marked: Marked, made: Made, said: Said, pipe: PremarkWord, limits: Limits) -> Both:
    """The word for a joint by both photos.

    said: word and reasons by the joint's photo alone.  pipe: the word for the marked pipe.
    """
    if doubt := unlike(marked, made):
        return Both("unproven", in_order([*said[1], doubt]))
    least = None if marked.lens_open else limits.insertion_mm  # a range that any lens leaves open decides nothing
    insertion = insert(marked, made, least)
    gap = p_full = None
    if near := insertion.near:
        gap, p_full = gap_of(near, made.gap.high_mm), p_within(near, limits.gap_mm)
        said = judge_by_width(gap, limits.gap_mm, said[1])
    word, reasons = judge_insertion(insertion.length, least, said, pipe)
    if marked.lens_open and limits.insertion_mm is not None:
        reasons = in_order([*reasons, Doubt("insertion-open")])
    return Both(word, reasons, insertion, gap, p_full)


def premark_unread(reasons: Iterable[str]) -> Doubt:
    """That the photo of the marked pipe told no depth, and the first of its reasons, by their codes, that kept it."""
    barring = next((REASONS[code].text for code in reasons if code in REASONS and REASONS[code].bars), "")
    return Doubt("premark-unread", barring[:1].lower() + barring[1:-1])


def judge_in_doubt(marked: Marked, made: Made, reasons: Iterable[Doubt], limit_mm: float) -> tuple[bool, Said]:
    """Whether a line that by the joint's photo alone may be no mark is the marked pipe's, being as wide; and word and
    reasons for the joint, by its gap.

    reasons: what was said of the joint alone, and of the line.
    """
    if differs := unlike(marked, made):
        return False, ("unproven", in_order([*reasons, differs]))
    return True, judge_as_marked(made.gap, limit_mm, reasons)
