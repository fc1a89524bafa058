"""What the page says of a photo and of a joint, in the fewest words that are honest."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from cli.jobs.before import best, is_premark
from cli.jobs.checklist import ITEMS
from cli.jobs.findings import DEMO, is_assisted, is_demo
from cli.jobs.judge import Judged
from cli.jobs.lengths import cut_of, depth_of, gap_of, insertion_of, interval_of, limit_of, mark_depth_of
from cli.jobs.text import visible
from cli.phone.desk import Told
from vision.reasons import REASONS

_DO = {
    "full": "Inside the limit on this photo. Go on with the checklist.",
    "placed": "The mark is where the catalog wants it. Push the pipe in up to it, press, and take the joint's photo.",
    "short": "Stop: the pipe is not fully in. Leave the joint open until someone who may decide has looked at it.",
}
_LATER = "There is a later photo of this pipe. If the mark was drawn anew, that one counts."
ALL_ROUND = "all its sides together: `collargap job` tells"
_BY_BOTH = "Far enough in, by the photos before and after. Go on with the checklist."


@dataclass(frozen=True)
class Card:
    """A photo in words.  word: full, short, unproven, checking or failed; placed or misplaced for a marked pipe.

    why, do: a sentence each, or "".  placed_by: who placed lines on it, where the answer is an assisted one.
    limit: the largest gap; of a marked pipe the catalog's depth.  insertion: where both photos told it.
    view: "view 2 of 3" where there are more photos of the joint.
    """

    id: str
    joint: str
    file: str
    word: str
    gap: str = ""
    interval: str = ""
    limit: str = ""
    why: str = ""
    do: str = ""
    placed_by: str = ""
    demo: bool = False
    overlay: bool = False
    lines: bool = False
    doubts: tuple[str, ...] = ()
    marked: bool = False
    depth: str = ""
    cut: str = ""
    insertion: str = ""
    view: str = ""


def card(told: Told) -> Card:
    """What is said of one photo."""
    sent, answer = told.sent, told.answer
    marked = is_premark(answer) if answer else sent.kind == "before"
    view = f"view {told.view} of {told.views}" if told.views > 1 and not marked else ""
    bare = Card(sent.id, visible(sent.joint), visible(sent.name), "checking", lines=told.lines, marked=marked,
                view=view)
    if sent.state == "kept":
        return bare
    if sent.state == "failed" or answer is None:
        return replace(bare, word="failed", why=visible(sent.error), do="Take the photo again, or check it again.")
    bars = [each for each in answer["reasons"] if _bars(each)]
    doubts = [each for each in answer["reasons"] if not _bars(each) and each["code"] not in (DEMO, "assisted")]
    word = answer["verdict"]
    common = replace(
        bare, word=word, why=bars[0]["text"] if bars else "", do=_do(answer) or (bars[0]["advice"] if bars else ""),
        demo=is_demo(answer), overlay=True, doubts=tuple(f"{each['text']} {each['advice']}" for each in doubts),
    )  # fmt: skip
    if marked:
        common = replace(common, do=_LATER) if word == "misplaced" and told.view < told.views else common
        return replace(common, depth=depth_of(answer), interval=interval_of(answer, "depth"),
                       limit=mark_depth_of(answer), cut=cut_of(answer))
    return replace(
        common, gap=gap_of(answer), interval=interval_of(answer), limit=limit_of(answer),
        insertion=insertion_of(answer) if answer.get("insertion_from") == "premark" else "",
        placed_by=visible(answer["assisted"]["placed_by"]) if is_assisted(answer) else "",
    )  # fmt: skip


def _do(answer: dict[str, Any]) -> str:
    """One sentence for the person who holds the phone; "" where the reason's own advice is the best one."""
    word = answer["verdict"]
    if word == "misplaced":
        return f"Stop: wipe the mark off, draw it {mark_depth_of(answer)} from the cut, and take this photo again."
    if word == "full" and answer.get("p_inserted") is not None:
        return _BY_BOTH
    if any(each["code"] == "no-tolerance" for each in answer["reasons"]):
        return "Compare the depth with the fitting's own instructions before you push the pipe in."
    return _DO.get(word, "")


def _bars(reason: dict[str, str]) -> bool:
    known = REASONS.get(reason["code"])
    return known is None or known.bars


@dataclass(frozen=True)
class Line:
    """A joint in the list.  word: full, short, unproven or missing (no photo yet).

    marked: placed, misplaced or unproven, where there is a photo of its marked pipe; else "".
    """

    name: str
    word: str
    photos: int
    about: str
    demo: bool
    assisted: bool
    marked: str = ""


def line(judged: Judged) -> Line:
    """What the list says of a joint."""
    joint = judged.joint
    answers = [photo.answer for photo in judged.photos if photo.answer]
    about = " · ".join(visible(each) for each in (joint.fitting, joint.location) if each)
    word = "missing" if judged.word == "not photographed" else judged.word
    if word == "full" and joint.sides:  # the list wants all sides put together, and that takes all photos at once
        word, about = "unproven", " · ".join(filter(None, (about, ALL_ROUND)))
    before = best([answer for answer in answers if is_premark(answer)])
    return Line(joint.name, word, judged.count, about, any(map(is_demo, answers)),
                any(map(is_assisted, answers)), before["verdict"] if before else "")


def checked_off(answers: dict[str, str]) -> str:
    """`5 of 7 answered`."""
    return f"{sum(key in answers for key in ITEMS)} of {len(ITEMS)} answered"
