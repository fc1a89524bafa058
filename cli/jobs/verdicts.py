"""The verdict of a joint from the verdicts of its photos."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

from cli.jobs.findings import Finding, finding
from cli.jobs.store import Answered
from cli.jobs.text import visible

JointWord = Literal["full", "short", "unproven", "not photographed"]
_WORST = {"short": 0, "unproven": 1, "full": 2}


def joint_word(words: Sequence[str], photos: int) -> JointWord:
    """What photos say together.  words: verdicts of those that count; photos: how many there are at all.

    A short photo makes the joint short.  It is full when at least one photo proves it and none speaks against
    it.  Photos that contradict one another prove nothing: one of them shows something else.
    """
    if not photos:
        return "not photographed"
    if "short" in words:
        return "unproven" if "full" in words else "short"
    return "full" if "full" in words else "unproven"


def worst_first(photos: Sequence[Answered]) -> list[Answered]:
    """Short before unproven before full; in those the largest gap first; photos without an answer last."""

    def key(photo: Answered) -> tuple[int, float, str]:
        if photo.answer is None:
            return 3, 0.0, photo.name
        return _WORST[photo.answer["verdict"]], -_gap(photo.answer), photo.name

    return sorted(photos, key=key)


def contradiction(photos: Sequence[Answered]) -> list[Finding]:
    """Said when one photo of a joint is full and another short."""
    full = [visible(photo.name) for photo in photos if photo.answer and photo.answer["verdict"] == "full"]
    short = [visible(photo.name) for photo in photos if photo.answer and photo.answer["verdict"] == "short"]
    if not (full and short):
        return []
    return [finding("disagree", f"Photos disagree: {full[0]} reads full, {short[0]} reads short.")]


def _gap(answer: dict[str, Any]) -> float:
    """The largest gap that the photo leaves open, in limits; endless where nothing was measured."""
    gap = answer["gap"]
    return float("inf") if gap is None else gap["high"] / answer["limit"]


def risk(word: JointWord, worst: dict[str, Any] | None, findings: Sequence[Finding]) -> tuple[int, float]:
    """Smaller is more urgent: shorts by how far they are off, contradictions, copies, then the unproven."""
    codes = {found.code for found in findings}
    far = -_gap(worst) if worst else float("-inf")
    if word == "short":
        return 0, far
    if "disagree" in codes:
        return 1, far
    if "copied" in codes:
        return 2, far
    if word == "unproven":
        return 3, far
    return (4 if word == "not photographed" else 5), far
