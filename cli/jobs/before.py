"""What the photo of a marked pipe adds to the answers for its joint, from the answers alone.

`collargap check --premark` has both photos at hand; a job has answers, some from earlier runs.  Both take the
insertion from the same difference and judge it by the same rule.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from calibration.fittings import MM_PER_UNIT
from cli.answer import why
from cli.jobs.store import Answered
from vision.insertion import difference, p_enough, shared_u_mm
from vision.records import Contribution, Doubt, Interval
from vision.verdict import judge_insertion

_K = 2.0  # standard uncertainties by which two depths of one mark may differ


def is_premark(answer: dict[str, Any]) -> bool:
    """Whether an answer is one for a marked pipe."""
    return answer.get("kind") == "premark"


def with_premark(photos: Sequence[Answered], confidence: float = 0.95) -> list[Answered]:
    """The photos of one joint, the answers for the made joint with what its marked pipe told."""
    before = best([photo.answer for photo in photos if photo.answer and is_premark(photo.answer)])
    if before is None:
        return list(photos)
    return [replace(photo, answer=joined(photo.answer, before, confidence))
            if photo.answer and not is_premark(photo.answer) else photo for photo in photos]


def best(answers: Sequence[dict[str, Any]]) -> dict[str, Any] | None:
    """The answer that tells the depth best, of those that the last one does not contradict.

    A mark that lay wrong is drawn anew and photographed again, so the last photo is right about it; last by the
    number in its name.  An answer without a depth counts only where there is no other.
    """
    told = sorted((each for each in answers if each["depth"]), key=_order)
    same = [each for each in told if _may_be_one(each, told[-1])]
    return min(same, key=lambda each: float(each["depth"]["u"]), default=next(iter(answers), None))


def _order(answer: dict[str, Any]) -> list[tuple[int, str]]:
    """J-1_before.jpg, J-1_before_2.jpg, J-1_before_10.jpg."""
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in re.split(r"(\d+)", answer["photo"])]


def _may_be_one(one: dict[str, Any], other: dict[str, Any]) -> bool:
    """Whether two photos may show one and the same mark."""
    if {one["verdict"], other["verdict"]} == {"placed", "misplaced"}:
        return False
    (a, u), (b, v) = ((each["depth"]["value"], each["depth"]["u"]) for each in (one, other))
    return bool(abs(a - b) <= _K * math.hypot(u, v))


def joined(answer: dict[str, Any], before: dict[str, Any], confidence: float = 0.95) -> dict[str, Any]:
    """The answer for a joint as `collargap check --premark` gives it."""
    told = answer | {"premark": {key: before[key] for key in ("photo", "sha256", "verdict", "depth")}}
    if before["depth"] is None:
        return told | {"reasons": [*answer["reasons"], _why("premark-unread")]}
    if answer["gap"] is None:
        return told
    length = difference(_interval(before, "depth"), _interval(answer, "gap"),
                        shared_u_mm(_parts(before), _parts(answer)), confidence)
    per_mm = 1 / MM_PER_UNIT[answer["unit"]]
    least = answer.get("min_insertion")
    least_mm = None if least is None else least / per_mm
    doubts = tuple(Doubt(reason["code"]) for reason in answer["reasons"])
    word, reasons = judge_insertion(length, least_mm, (answer["verdict"], doubts), before["verdict"])
    known = {reason["code"]: reason for reason in answer["reasons"]}
    enough = p_enough(length, least_mm)
    return told | {
        "verdict": word, "insertion_from": "premark",
        "insertion": {key: round(value * per_mm, 5) for key, value in
                      (("value", length.value_mm), ("low", length.low_mm), ("high", length.high_mm),
                       ("u", length.u_mm))},
        "p_inserted": None if enough is None else round(enough, 6),
        "reasons": [known.get(doubt.reason) or _why(doubt.reason) for doubt in reasons],
    }  # fmt: skip


def _why(code: str) -> dict[str, Any]:
    return why(Doubt(code)).model_dump()


def _interval(answer: dict[str, Any], key: str) -> Interval:
    found, mm = answer[key], MM_PER_UNIT[answer["unit"]]
    return Interval(*(found[end] * mm for end in ("value", "low", "high", "u")))


def _parts(answer: dict[str, Any]) -> list[Contribution]:
    mm = MM_PER_UNIT[answer["unit"]]
    return [Contribution(part["name"], part["u"] * mm, part["share"]) for part in answer["budget"]]
