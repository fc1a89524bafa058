"""The verdict of a joint from the verdicts of its photos."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

from cli.jobs.findings import Finding, finding
from cli.jobs.lengths import gap_of, insertion_of, least_of, limit_of
from cli.jobs.store import Answered
from cli.jobs.text import visible

JointWord = Literal["full", "short", "unproven", "not photographed"]
_WORST = {"short": 0, "unproven": 1, "full": 2}


def joint_word(answers: Sequence[dict[str, Any]], photos: int) -> JointWord:
    """What photos say together.  answers: of those that count; photos: how many there are at all.

    A short photo makes the joint short.  It is full when at least one photo proves it and none speaks against
    it.  Photos that contradict one another prove nothing: one of them shows something else.
    """
    if not photos:
        return "not photographed"
    words = {answer["verdict"] for answer in answers}
    if "short" in words:
        return "unproven" if "full" in words else "short"
    return "full" if "full" in words and not any(map(leans_short, answers)) else "unproven"


def leans_short(answer: dict[str, Any]) -> bool:
    """Whether a photo that proves nothing speaks against its joint: it measured more than the limit all the same.

    If it didn't, a joint at its limit would be the likelier to be called full the more photos are taken of it.
    Where the insertion decides, what is measured of that counts, and the gap does not.
    """
    if answer["verdict"] != "unproven":
        return False
    enough, gap = answer.get("p_inserted"), answer["gap"]
    if enough is not None:
        return bool(enough < 0.5)
    return gap is not None and bool(gap["value"] > answer["limit"])


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


def speaking_against(photos: Sequence[Answered]) -> list[Finding]:
    """Said of photos that prove nothing and keep the joint from being full by another one."""
    full = next((visible(photo.name) for photo in photos if photo.answer and photo.answer["verdict"] == "full"), "")
    return [finding("leans-short", f"{visible(photo.name)} proves nothing by itself, but speaks against {full}, which "
                    f"reads full: {_too_far(photo.answer)}.")
            for photo in photos if full and photo.answer and leans_short(photo.answer)]


def _too_far(answer: dict[str, Any]) -> str:
    """What was measured, beyond what is allowed."""
    if answer.get("p_inserted") is not None:
        return f"its insertion of {insertion_of(answer)} is likely less than the least allowed, {least_of(answer)}"
    return f"its gap of {gap_of(answer)} lies above the limit of {limit_of(answer)}"


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
