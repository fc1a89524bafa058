"""What the page says of a photo and of a joint, in the fewest words that are honest."""

from __future__ import annotations

from dataclasses import dataclass, replace

from cli.jobs.checklist import ITEMS
from cli.jobs.findings import DEMO, is_assisted, is_demo
from cli.jobs.judge import Judged
from cli.jobs.lengths import gap_of, interval_of, limit_of
from cli.jobs.text import visible
from cli.phone.desk import Told
from vision.reasons import REASONS

_DO = {
    "full": "Inside the limit on this photo. Go on with the checklist.",
    "short": "Stop: the pipe is not fully in. Leave the joint open until someone who may decide has looked at it.",
}


@dataclass(frozen=True)
class Card:
    """A photo in words.  word: full, short, unproven, checking or failed.  why, do: a sentence each, or "".

    placed_by: who placed lines on it, where the answer is an assisted one.
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


def card(told: Told) -> Card:
    """What is said of one photo."""
    sent, answer = told.sent, told.answer
    bare = Card(sent.id, visible(sent.joint), visible(sent.name), "checking", lines=told.lines)
    if sent.state == "kept":
        return bare
    if sent.state == "failed" or answer is None:
        return replace(bare, word="failed", why=visible(sent.error), do="Take the photo again, or check it again.")
    bars = [each for each in answer["reasons"] if _bars(each)]
    doubts = [each for each in answer["reasons"] if not _bars(each) and each["code"] not in (DEMO, "assisted")]
    word = answer["verdict"]
    return replace(
        bare, word=word, gap=gap_of(answer), interval=interval_of(answer), limit=limit_of(answer),
        why=bars[0]["text"] if bars else "", do=_DO.get(word) or (bars[0]["advice"] if bars else ""),
        placed_by=visible(answer["assisted"]["placed_by"]) if is_assisted(answer) else "",
        demo=is_demo(answer), overlay=True, doubts=tuple(f"{each['text']} {each['advice']}" for each in doubts),
    )  # fmt: skip


def _bars(reason: dict[str, str]) -> bool:
    known = REASONS.get(reason["code"])
    return known is None or known.bars


@dataclass(frozen=True)
class Line:
    """A joint in the list.  word: full, short, unproven or missing (no photo yet)."""

    name: str
    word: str
    photos: int
    about: str
    demo: bool
    assisted: bool


def line(judged: Judged) -> Line:
    """What the list says of a joint."""
    joint = judged.joint
    answers = [photo.answer for photo in judged.photos if photo.answer]
    about = " · ".join(visible(each) for each in (joint.fitting, joint.location) if each)
    word = "missing" if judged.word == "not photographed" else judged.word
    return Line(joint.name, word, judged.count, about, any(map(is_demo, answers)),
                any(map(is_assisted, answers)))


def checked_off(answers: dict[str, str]) -> str:
    """`5 of 7 answered`."""
    return f"{sum(key in answers for key in ITEMS)} of {len(ITEMS)} answered"
