"""What the photo of a marked pipe adds to the answers for its joint, from the answers alone.

`collargap check --premark` has both photos at hand; a job has answers, some from earlier runs.  Both take the
insertion from the same difference and judge it by the same rule.
"""

from __future__ import annotations

import math
import re
from collections.abc import Container, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from calibration.fittings import MM_PER_UNIT
from cli.answer import why
from cli.jobs.store import Answered
from cli.jobs.timing import taken_at
from vision.both import Limits, judge_both, judge_in_doubt, premark_unread
from vision.insertion import MAY_DIFFER, Made, Marked, by_pipe_mm
from vision.records import Contribution, Doubt, Interval


def is_premark(answer: dict[str, Any]) -> bool:
    """Whether an answer is one for a marked pipe."""
    return answer.get("kind") == "premark"


def counted(photos: Sequence[Answered], copied: Container[int] = ()) -> Answered | None:
    """Of one joint's photos that of its marked pipe which counts; None where none does.

    copied: numbers of the photos that stand for another joint too; nobody knows whose pipe they show.
    """
    pipes = [photo for photo in photos if photo.answer and is_premark(photo.answer) and photo.id not in copied]
    chosen = best([photo.answer for photo in pipes if photo.answer])
    return next((photo for photo in pipes if photo.answer is chosen), None)


def with_premark(photos: Sequence[Answered], pipe: Answered | None, confidence: float = 0.95) -> list[Answered]:
    """The photos of one joint, the answers for the made joint with what the photo of its marked pipe told."""
    before = pipe.answer if pipe else None
    if before is None:
        return list(photos)
    return [replace(photo, answer=joined(photo.answer, before, confidence))
            if photo.answer and not is_premark(photo.answer) else photo for photo in photos]


def best(answers: Sequence[dict[str, Any]], in_order: bool = False) -> dict[str, Any] | None:
    """The answer that tells the depth best, of those that the last one does not contradict.

    A mark that lay wrong is drawn anew and photographed again, so the last photo is right about it: by the cameras'
    clocks where all photos have a time, else as they stand where they are `in_order`, else by the number in its name.
    A range alone, for want of a lens, contradicts next to nothing: where the last tells no more it counts itself.
    An answer without a depth counts only where there is no other.
    """
    told = [each for each in answers if each["depth"]]
    if all(map(_when, told)):
        told.sort(key=lambda each: (_when(each), _order(each)))
    elif not in_order:
        told.sort(key=_order)
    if told and told[-1]["depth"]["value"] is None:
        return told[-1]
    same = [each for each in told if _may_be_one(each, told[-1])]
    return min(same, key=lambda each: float(each["depth"]["u"]), default=next(iter(answers), None))


def _when(answer: dict[str, Any]) -> datetime | None:
    return taken_at(str(answer.get("taken") or ""))


def _order(answer: dict[str, Any]) -> list[tuple[int, str]]:
    """J-1_before.jpg, J-1_before_2.jpg, J-1_before_10.jpg; whatever folders they lie in."""
    name = str(answer["photo"]).rsplit("/", 1)[-1].casefold()
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in re.split(r"(\d+)", name)]


def _may_be_one(one: dict[str, Any], other: dict[str, Any]) -> bool:
    """Whether two photos may show one and the same mark."""
    if {one["verdict"], other["verdict"]} == {"placed", "misplaced"}:
        return False
    (a, u), (b, v) = ((_middle(each["depth"]), each["depth"]["u"]) for each in (one, other))
    return bool(abs(a - b) <= MAY_DIFFER * math.hypot(u, v))


def joined(answer: dict[str, Any], before: dict[str, Any], confidence: float = 0.95) -> dict[str, Any]:
    """The answer for a joint as `collargap check --premark` gives it where nobody names the sides."""
    pipe = {key: before[key] for key in ("photo", "sha256", "verdict", "depth")}
    answer = answer | {"premark": pipe | {"depth_here": None}}
    if before["depth"] is None:
        unread = why(premark_unread(each["code"] for each in before["reasons"]), answer["unit"])
        return answer | {"reasons": [*answer["reasons"], unread.model_dump()]}
    answer = _as_marked(answer, before, confidence)
    if answer["gap"] is None:
        return answer
    mm, least = MM_PER_UNIT[answer["unit"]], answer.get("min_insertion")
    both = judge_both(_marked(before), _made(answer, confidence), (answer["verdict"], _doubts(answer)),
                      before["verdict"], Limits(answer["limit"] * mm, None if least is None else least * mm))
    told = answer | {"verdict": both.word, "reasons": _reasons(answer, both.reasons)}
    if both.insertion:
        enough = both.insertion.p_enough
        told |= {"insertion": _length(both.insertion.length, mm, both.insertion.lens_open), "insertion_from": "premark",
                 "p_inserted": None if enough is None else round(enough, 6)}
    if both.gap and both.p_full is not None:
        told |= {"gap": _length(both.gap, mm), "gap_from": "width", "p_full": round(both.p_full, 6)}
    return told


def _as_marked(answer: dict[str, Any], before: dict[str, Any], confidence: float) -> dict[str, Any]:
    """The answer for a joint whose pipe was seen marked: a line in doubt is then the mark, if it is as wide."""
    line = answer.get("doubted")
    if line is None:
        return answer
    known = {**answer, **line, "reasons": [*answer["reasons"], *line["reasons"]]}
    is_mark, (word, doubts) = judge_in_doubt(_marked(before), _made(known, confidence), _doubts(known),
                                             answer["limit"] * MM_PER_UNIT[answer["unit"]])
    said = {"verdict": word, "reasons": _reasons(known, doubts)}
    if not is_mark:
        return {**answer, **said}
    return {**known, **said, "doubted": None, "gap_from": "edge", "insertion_from": "catalog"}


def _doubts(answer: dict[str, Any]) -> tuple[Doubt, ...]:
    return tuple(Doubt(reason["code"]) for reason in answer["reasons"])


def _reasons(answer: dict[str, Any], doubts: Sequence[Doubt]) -> list[dict[str, Any]]:
    """What these doubts say; those of the answer in its own words, with the facts that it measured."""
    known = {reason["code"]: reason for reason in answer["reasons"]}
    return [known.get(doubt.reason) or why(doubt, answer["unit"]).model_dump() for doubt in doubts]


def _marked(answer: dict[str, Any]) -> Marked:
    mm = MM_PER_UNIT[answer["unit"]]
    return Marked(_interval(answer["depth"], mm), answer["line_width"] * mm, _by_side_mm(answer), _by_pipe_mm(answer),
                  answer["depth"]["value"] is None)


def _made(answer: dict[str, Any], confidence: float) -> Made:
    mm, width = MM_PER_UNIT[answer["unit"]], answer["line_width"]
    far = _interval(answer["far_edge"], mm) if answer.get("far_edge") else None
    return Made(_interval(answer["gap"], mm), far, width and width * mm, _by_side_mm(answer), _by_pipe_mm(answer),
                confidence)


def _by_side_mm(answer: dict[str, Any]) -> float:
    """0 of an answer from before version 0.19, which a ledger may hold."""
    return (answer.get("by_side") or 0.0) * MM_PER_UNIT[answer["unit"]]


def _interval(found: dict[str, Any], mm: float) -> Interval:
    return Interval(_middle(found) * mm, *(found[end] * mm for end in ("low", "high", "u")))


def _middle(found: dict[str, Any]) -> float:
    """The value, or the middle of what is known as a range alone."""
    value = found["value"]
    return float((found["low"] + found["high"]) / 2 if value is None else value)


def _length(found: Interval, mm: float, alone: bool = False) -> dict[str, float | None]:
    """alone: it is known as a range alone."""
    ends = ("value", found.value_mm), ("low", found.low_mm), ("high", found.high_mm), ("u", found.u_mm)
    told: dict[str, float | None] = {name: round(end / mm, 5) for name, end in ends}
    return told | {"value": None} if alone else told


def _by_pipe_mm(answer: dict[str, Any]) -> float:
    mm = MM_PER_UNIT[answer["unit"]]
    return by_pipe_mm(Contribution(part["name"], part["u"] * mm, part["share"]) for part in answer["budget"])
