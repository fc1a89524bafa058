"""From judged joints to the report's data.  At most so many joints as a person will read are held."""

from __future__ import annotations

import base64
import heapq
from collections import Counter
from collections.abc import Callable, Iterable
from typing import Any

from cli.jobs.asked import Course, Job
from cli.jobs.before import is_premark
from cli.jobs.drawing import chart, scale
from cli.jobs.drift import Chart as Drift
from cli.jobs.findings import DEMO, is_assisted, is_by_pipe, is_demo
from cli.jobs.judge import Judged
from cli.jobs.lengths import cut_of, depth_of, gap_of, insertion_of, interval_of, least_of, limit_of, mark_depth_of
from cli.jobs.store import Answered, Store
from cli.jobs.text import visible
from cli.jobs.timing import taken_at
from cli.report import WORDS, Advice, Joint, Photo, Report, Row, Tally

MOST_URGENT = 400
MOST_PICTURES = 150
MOST_ROWS = 3000
MOST_STRAYS = 200
MOST_CHARTS = 40
_PHOTOS_A_JOINT = 4

Pictures = Callable[[Answered], bytes]


def gather(
    job: Job,
    course: Course,
    store: Store,
    joints: Iterable[Judged],
    charts: list[Drift],
    pictures: Pictures,
    made: str,
) -> Report:
    """The report's data.  pictures: a photo's overlay (JPEG) or b"".  made: when, as it is to be read."""
    counts: Counter[str] = Counter()
    urgent: list[tuple[tuple[int, float], int, Judged]] = []
    rest: list[Row] = []
    calm = 0
    demo = False
    for place, judged in enumerate(joints):
        counts[judged.word] += 1
        demo = demo or _is_demo(judged)
        if judged.needs_a_person:
            _push(urgent, ((-judged.risk[0], -judged.risk[1]), -place, judged))
        else:
            calm += 1
            if len(rest) < MOST_ROWS:
                rest.append(_row(judged))
    worst = [judged for *_, judged in sorted(urgent, key=lambda each: each[:2], reverse=True)]
    concerned = sum(counts.values()) - calm
    shown = _Shown(pictures)
    strays = store.strays(MOST_STRAYS)
    return Report(
        site=visible(job.site), made=made, version=job.version, cover=f"{100 * job.confidence:g} %",
        headline=_headline(concerned, sum(counts.values())), course=tuple(_course(course, store)),
        tallies=_tallies(counts), notices=tuple(visible(notice) for notice in course.notices), demo=demo,
        urgent=tuple(shown.joint(judged) for judged in worst), urgent_cut=_cut(concerned, len(worst)),
        charts=tuple(chart(each) for each in _telling(charts)), rest=tuple(rest), rest_cut=_cut(calm,
        len(rest)),
        strays=tuple(Advice(text=name, advice=why) for name, why in strays),
        strays_cut=_cut(store.count_strays(), len(strays), "names"),
    )  # fmt: skip


def _push(heap: list[Any], item: Any) -> None:
    (heapq.heappush if len(heap) < MOST_URGENT else heapq.heappushpop)(heap, item)


def _headline(concerned: int, joints: int) -> str:
    if joints == 1:
        return f"The one joint needs {'a' if concerned else 'no'} person."
    if not concerned:
        return f"None of the {joints} joints needs a person."
    return f"{concerned} of the {joints} joints {'needs' if concerned == 1 else 'need'} a person."


def _course(course: Course, store: Store) -> Iterable[str]:
    known, checked, failed = store.count("known"), store.count("checked"), store.count("failed")
    told = f"{checked} checked now, {known} known from earlier runs"
    yield f"Photos: {told}, {failed} that could not be checked."
    if left := store.count("waiting"):
        cause = "was stopped" if course.interrupted else "ended early"
        yield f"The run {cause}: {left} photos have not been looked at yet."


def _tallies(counts: Counter[str]) -> tuple[Tally, ...]:
    whole = sum(counts.values()) or 1
    return tuple(Tally(word=word, joints=counts[word], share=100 * counts[word] / whole) for word in WORDS)


def _cut(there: int, shown: int, what: str = "joints") -> str:
    if there <= shown:
        return ""
    return f"{there - shown} more {what} are not shown here; results.csv has all joints."


def _telling(charts: list[Drift]) -> list[Drift]:
    return sorted(charts, key=lambda each: not each.drifts)[:MOST_CHARTS]


def _is_demo(judged: Judged) -> bool:
    return any(is_demo(photo.answer) for photo in judged.photos if photo.answer)


def _facts(judged: Judged) -> tuple[str, ...]:
    joint = judged.joint
    named = [("", joint.location), ("fitting ", joint.fitting), ("installer ", joint.installer),
             ("machine ", joint.machine), ("", joint.date)]  # fmt: skip
    return tuple(f"{label}{visible(value)}" for label, value in named if value)


def _row(judged: Judged) -> Row:
    answers = [photo.answer for photo in judged.photos if photo.answer and not is_premark(photo.answer)]
    deciding = next((answer for answer in answers if answer["verdict"] == "full"), answers[0])
    together = judged.together
    gap = deciding if together is None or not together["worst"] else together | {"gap": together["worst"]}
    by_pipe = ("its line is believed by its marked pipe",) if is_by_pipe(deciding) else ()
    least = "" if together else least_of(deciding)
    by_insertion = (f"judged by its insertion, {_insertion(deciding)}; the least allowed is {least}",) if least else ()
    noticed = [found.text for found in judged.findings if not found.weighs]
    noticed += [each["text"] for each in deciding["reasons"] if each["code"] == "premark-unread"]
    noticed += _proving_nothing(judged)
    return Row(
        name=visible(judged.joint.name), word=judged.word, gap=gap_of(gap), limit=limit_of(deciding),
        photos=len(judged.photos), facts=" · ".join((*_facts(judged), *by_insertion, *by_pipe, *noticed)),
        demo=_is_demo(judged), assisted=is_assisted(deciding),
    )  # fmt: skip


def _proving_nothing(judged: Judged) -> list[str]:
    """Photos of a full joint that were not read or settle nothing, each with its first reason."""
    silent = [photo for photo in judged.photos if photo.answer and _is_silent(photo, photo.answer, judged.pipe)]
    told = [_why_silent(photo) for photo in silent[:_PHOTOS_A_JOINT]]
    left = len(silent) - len(told)
    return [*told, f"{left} more photos prove nothing by themselves: see results.csv"] if left else told


def _is_silent(photo: Answered, answer: dict[str, Any], counts: Answered | None) -> bool:
    """counts: the photo of the marked pipe that does, of which the joint's own photos tell; others are silent where
    they gave no depth."""
    if is_premark(answer):
        return answer["depth"] is None and not (counts and counts.id == photo.id)
    return bool(answer["verdict"] == "unproven")


def _why_silent(photo: Answered) -> str:
    reasons = [each["text"] for each in (photo.answer or {})["reasons"] if each["code"] != DEMO]
    return ": ".join((f"{visible(photo.name)} proves nothing by itself", *reasons[:1]))


class _Shown:
    """Makes cards, with as many pictures as the page bears."""

    def __init__(self, pictures: Pictures) -> None:
        self._pictures = pictures
        self._left = MOST_PICTURES

    def joint(self, judged: Judged) -> Joint:
        photos = judged.photos[:_PHOTOS_A_JOINT]
        return Joint(
            name=visible(judged.joint.name), word=judged.word, facts=_facts(judged), demo=_is_demo(judged),
            findings=tuple(Advice(text=each.text, advice=each.advice) for each in judged.findings),
            photos=tuple(self._photo(photo) for photo in photos),
            more_photos=len(judged.photos) - len(photos), together=judged.together is not None,
        )  # fmt: skip

    def _photo(self, photo: Answered) -> Photo:
        answer = photo.answer
        if answer is None:
            text = photo.error or "It has not been looked at yet."
            return Photo(name=visible(photo.name), word="not checked", reasons=(Advice(text=text),))
        reasons = [each for each in answer["reasons"] if each["code"] != DEMO]
        told = [Advice(text=each["text"], advice=each["advice"]) for each in reasons]
        if is_premark(answer):
            return Photo(
                name=visible(photo.name), word=answer["verdict"], marked=True, depth=depth_of(answer),
                interval=interval_of(answer, "depth"), limit=mark_depth_of(answer), cut=cut_of(answer),
                taken=_time(photo.taken), reasons=tuple(told), picture=self._picture(photo),
            )  # fmt: skip
        return Photo(
            name=visible(photo.name), word=answer["verdict"], gap=gap_of(answer),
            interval=interval_of(answer), limit=limit_of(answer), insertion=_insertion(answer),
            least=least_of(answer), by_pipe=bool(answer.get("premark")),
            taken=_time(photo.taken),
            reasons=tuple(told), scale=scale(answer), picture=self._picture(photo), assisted=is_assisted(answer),
        )  # fmt: skip

    def _picture(self, photo: Answered) -> str:
        if not self._left:
            return ""
        jpeg = self._pictures(photo)
        if not jpeg:
            return ""
        self._left -= 1
        return "data:image/jpeg;base64," + base64.b64encode(jpeg).decode("ascii")


def _insertion(answer: dict[str, Any]) -> str:
    """The insertion; where photos of joint and marked pipe told it together, with its interval and that they did."""
    told = insertion_of(answer)
    if not told or answer.get("insertion_from") != "premark":
        return told
    ends = interval_of(answer, "insertion")
    return f"{ends if told == ends else f'{told}, {ends}'}; told from both photos"


def _time(exif: str) -> str:
    when = taken_at(exif)
    return f"{when:%Y-%m-%d %H:%M}" if when else ""
