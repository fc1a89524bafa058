"""What a person should know about a joint or a job beyond its verdict: named once, said in sentences."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

CAUTION = "A photo shows insertion, not tightness; no verdict replaces a pressure test or an inspector."
DEMO = "demo-fitting"
NOT_TOGETHER = "not-together"


@dataclass(frozen=True)
class Finding:
    """Something that was found.

    code: for programs.  text: what was seen, with the names and numbers.  advice: what to do about it.
    weighs: True when a person should look at the joint for this alone.
    """

    code: str
    text: str
    advice: str
    weighs: bool = True


_ADVICE = {
    "copied": "Ask for a new photo of this joint; a picture that stands for two joints proves neither.",
    "disagree": "Look at both photos and at the joint; one of them was read wrongly or shows another joint.",
    "leans-short": "Look at the joint, or measure on site: a photo that can't settle it still counts against it. If it "
                   "shows another joint, give it that one's name.",
    "misplaced": "Find out what the installer was told; the gap alone says nothing of this joint's insertion.",
    "not-photographed": "Take a photo of the joint, or find out why there is none.",
    "not-checked": "Open the photo; if it is damaged, take it again.",
    "twice": "Put all of its photos into one row, with | between their patterns, or give the other joint its own name.",
    "unknown-fitting": "Correct the fitting in the list, or put its row into the catalog.",
    "far-from-date": "Find out whether the photo is of this job, and whether the camera's clock was right.",
    "out-of-order": "Find out whether the photo is of this joint; times go back here.",
    "drifting": "Look at the next joints of the same hand or machine before they are covered.",
    "all-round": "",
    NOT_TOGETHER: "Name one side for each of its photos in the column `sides`, see that all can be checked and none "
                    "stands for another joint too, and run the job again.",
    "checklist": "Ask the installer before the joint is covered.",
    DEMO: "Measure your collar with calipers and put it into a catalog of your own.",
    "job": "",
}


def finding(code: str, text: str, *, weighs: bool = True) -> Finding:
    """A finding with the advice that belongs to its code."""
    return Finding(code, text, _ADVICE[code], weighs)


def is_demo(answer: dict[str, Any]) -> bool:
    """True where the fitting of an answer is a demonstration row."""
    return any(each["code"] == DEMO for each in answer["reasons"])


def is_assisted(answer: dict[str, Any]) -> bool:
    """True where a person placed the lines; answers of old ledgers do not know the word."""
    return bool(answer.get("assisted"))


def is_by_pipe(answer: dict[str, Any]) -> bool:
    """True where only the photo of the marked pipe shows that the line is a mark."""
    return any(each["code"] == "marked-before" for each in answer["reasons"])


def listed(names: list[str], most: int = 3) -> str:
    """Names as a person would say them, cut where they grow too many: "a, b and 7 more"."""
    if len(names) <= most:
        return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
    return f"{', '.join(names[:most])} and {len(names) - most} more"
