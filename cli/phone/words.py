"""What the page says of a photo and of a joint, in the fewest words that are honest."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from cli import say
from cli.jobs.before import is_premark
from cli.jobs.checklist import ITEMS
from cli.jobs.findings import DEMO, is_assisted, is_demo
from cli.jobs.judge import Judged
from cli.jobs.lengths import cut_of, depth_of, gap_of, insertion_of, interval_of, limit_of, mark_depth_of
from cli.jobs.text import visible
from cli.phone.told import Told
from vision.reasons import REASONS

_DO = {
    "full": "Inside the limit on this photo. Go on with the checklist.",
    "placed": "The mark is where the catalog wants it. Push the pipe in up to it, press, and take the joint's "
              "photo from the same side.",
    "short": "Stop: the pipe is not fully in. Leave the joint open until someone who may decide has looked at it.",
}
_MISPLACED = ("Stop: the mark was not at its depth. Leave the joint open until someone who may decide has looked at "
              "both photos.")
_LATER = "There is a later photo of this pipe. If the mark was drawn anew, that one counts."
ALL_ROUND = "all its sides together: the job's report tells"
_AFTERWARDS = "The joint has been pressed since: see its own photo."
_BY_BOTH = "Far enough in, by the photos before and after. Go on with the checklist."
_NOT_THE_JOINT = "Inside the limit on this photo, but the joint is {}. Leave it open."
_NOT_YET = ("Inside the limit on this photo. The list names the joint's sides: leave it open until the job's report, "
            "which puts them together, calls it FULL.")
_UNOPENED = ("not-a-photo", "too-large", "too-small")  # there is no picture to draw in, nor to place lines on
_SEE_TO = ("mark-askew-cut", "cut-askew")  # doubts about the pipe itself: no use any more once it is pushed in


@dataclass(frozen=True)
class Card:
    """A photo in words.  word: full, short, unproven, checking or failed; placed or misplaced for a marked pipe.

    why, do: a sentence each, or "".  placed_by: who placed lines on it, where the answer is an assisted one.
    alone: the word of this photo by itself, where both photos together say another one.
    heed: what else is to be seen to while it still can be.
    overlay: there is a picture with the reading.
    limit: the largest gap; of a marked pipe the catalog's depth, with its tolerance.
    insertion: where both photos told it, `inserted` its interval, `least` what the catalog wants of it.
    gone: its file is not in the folder any more.
    view: "view 2 of 3" where there are more photos of the joint; of a marked pipe, whether this one counts.
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
    inserted: str = ""
    least: str = ""
    alone: str = ""
    heed: tuple[str, ...] = ()
    view: str = ""
    gone: bool = False


def card(told: Told) -> Card:
    """What is said of one photo."""
    sent, answer = told.sent, told.answer
    marked = is_premark(answer) if answer else sent.kind == "before"
    bare = Card(sent.id, visible(sent.joint), visible(sent.name), "checking", lines=told.lines, marked=marked,
                view=_view(told, marked))
    if sent.state == "kept":
        return bare
    if sent.state == "gone":
        return replace(bare, word="failed", why=sent.error, do="Put it back, or take the photo again.", gone=True)
    if sent.state == "failed" or answer is None:
        return replace(bare, word="failed", why=visible(sent.error), do="Take the photo again, or check it again.")
    bars = [each for each in answer["reasons"] if _bars(each)]
    open_doubts = [each for each in answer["reasons"] if not _bars(each) and each["code"] not in (DEMO, "assisted")]
    seen_to = [each for each in open_doubts if each["code"] in _SEE_TO]
    common = replace(
        bare, word=answer["verdict"], why=bars[0]["text"] if bars else "",
        do=_do(answer) or (bars[0]["advice"] if bars else ""), demo=is_demo(answer),
        overlay=not any(each["code"] in _UNOPENED for each in bars),
        heed=_sentences(seen_to), doubts=_sentences([each for each in open_doubts if each not in seen_to]),
    )  # fmt: skip
    return _of_pipe(common, told, answer, seen_to) if marked else _of_joint(common, told, answer)


def _view(told: Told, marked: bool) -> str:
    if told.views < 2 or told.sent.state == "gone":
        return ""
    if marked:
        return "this one counts" if told.counts else ""
    return f"view {told.view} of {told.views}"


def _sentences(reasons: list[dict[str, str]]) -> tuple[str, ...]:
    return tuple(f"{each['text']} {each['advice']}" for each in reasons)


def _of_pipe(common: Card, told: Told, answer: dict[str, Any], seen_to: list[dict[str, str]]) -> Card:
    """The mark's depth, and what can still be done about it.

    A mark in its place on a pipe that is cut or marked askew is no reason to push it in; and once it is in, nobody
    is told to draw the mark anew.
    """
    if common.word == "misplaced" and told.view < told.views:
        common = replace(common, do=_LATER)
    elif told.made:
        common = replace(common, do=_AFTERWARDS, heed=(), doubts=(*common.heed, *common.doubts))
    elif common.word == "placed" and seen_to:
        first, *others = seen_to
        common = replace(common, why=first["text"], do=first["advice"], heed=_sentences(others))
    return replace(common, depth=depth_of(answer), interval=interval_of(answer, "depth"), limit=_wanted(answer),
                   cut=cut_of(answer))  # fmt: skip


def _wanted(answer: dict[str, Any]) -> str:
    """`1-1/8 in (1.125), plus or minus 1/16 in (0.06)`."""
    half = answer.get("mark_tolerance")
    return mark_depth_of(answer) + (f", plus or minus {say.limit_of(half, answer['unit'])}" if half else "")


def _of_joint(common: Card, told: Told, answer: dict[str, Any]) -> Card:
    """The gap, and the insertion where the marked pipe's photo had its part in it."""
    placed_by = visible(answer["assisted"]["placed_by"]) if is_assisted(answer) else ""
    alone = told.alone if told.alone != common.word else ""
    said = replace(common, gap=gap_of(answer), interval=interval_of(answer), limit=limit_of(answer), alone=alone,
                   placed_by=placed_by)  # fmt: skip
    if common.word == "full" and told.joint_word in ("short", "unproven"):
        said = replace(said, do=_NOT_YET if told.apart else _NOT_THE_JOINT.format(told.joint_word.upper()))
    if answer.get("insertion_from") != "premark":
        return said
    least = answer.get("min_insertion")
    return replace(said, insertion=insertion_of(answer), inserted=interval_of(answer, "insertion"),
                   least=say.limit_of(least, answer["unit"]) if least is not None else "")  # fmt: skip


def _do(answer: dict[str, Any]) -> str:
    """One sentence for the person who holds the phone; "" where the reason's own advice is the best one."""
    word = answer["verdict"]
    if word == "misplaced":
        return f"Stop: wipe the mark off, draw it {mark_depth_of(answer)} from the cut, and take this photo again."
    if word == "full" and answer.get("p_inserted") is not None:
        return _BY_BOTH
    codes = {each["code"] for each in answer["reasons"]}
    if "mark-misplaced" in codes:
        return _MISPLACED
    if "no-tolerance" in codes:
        return "Compare the depth with the fitting's own instructions before you push the pipe in."
    return _DO.get(word, "")


def _bars(reason: dict[str, str]) -> bool:
    known = REASONS.get(reason["code"])
    return known is None or known.bars


@dataclass(frozen=True)
class Line:
    """A joint in the list.  word: full, short, unproven, missing (no photo yet) or checking (not looked at yet).

    marked: placed, misplaced or unproven, where a photo of its marked pipe counts; else "".  why: what keeps the joint
    from being full though a photo of it is.
    """

    name: str
    word: str
    photos: int
    about: str
    demo: bool
    assisted: bool
    marked: str = ""
    why: str = ""


def line(judged: Judged) -> Line:
    """What the list says of a joint."""
    joint = judged.joint
    answers = [photo.answer for photo in judged.photos if photo.answer]
    about = " · ".join(visible(each) for each in (joint.fitting, joint.location) if each)
    word: str = "missing" if judged.word == "not photographed" else judged.word
    if word == "unproven" and any(photo.state == "waiting" for photo in judged.photos):
        word = "checking"
    if judged.is_apart:  # that takes all photos at once, and a while
        about = " · ".join(filter(None, (about, ALL_ROUND)))
    before = judged.pipe.answer if judged.pipe else None
    return Line(joint.name, word, judged.count, about, any(map(is_demo, answers)),
                any(map(is_assisted, answers)), before["verdict"] if before else "",
                next((found.text for found in judged.findings if found.weighs), ""))


def checked_off(answers: dict[str, str]) -> str:
    """`5 of 7 answered`."""
    return f"{sum(key in answers for key in ITEMS)} of {len(ITEMS)} answered"
