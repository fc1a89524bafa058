"""From answers to joints: the verdict of each, and what else a person should know about it."""

from __future__ import annotations

from array import array
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from itertools import groupby
from typing import Any

from calibration.fittings import Unit
from cli.jobs.before import counted, with_premark
from cli.jobs.drift import Chart, chart
from cli.jobs.duplicates import same_pictures
from cli.jobs.findings import NOT_TOGETHER, Finding, finding, listed
from cli.jobs.lengths import depth_of, mark_depth_of, plain
from cli.jobs.listing import Joint
from cli.jobs.store import Answered, Store
from cli.jobs.text import visible
from cli.jobs.timing import far_from, out_of_order, taken_at
from cli.jobs.together import findings_of
from cli.jobs.verdicts import JointWord, contradiction, joint_word, risk, speaking_against, worst_first


@dataclass(frozen=True)
class Judged:
    """A joint with its verdict.  photos: the worst first, those of its marked pipe last.

    risk: sorts the most urgent first.  together: what its photos say together, where the list names their sides.
    pipe: the photo of its marked pipe that counts.
    """

    joint: Joint
    word: JointWord
    photos: tuple[Answered, ...]
    findings: tuple[Finding, ...]
    risk: tuple[int, float]
    together: dict[str, Any] | None = None
    pipe: Answered | None = None

    @property
    def worst(self) -> dict[str, Any] | None:
        """The answer that decides, or None where no photo of the joint has one."""
        first = self.photos[0] if self.photos else None
        return first.answer if first and first.kind == "joint" else None

    @property
    def is_apart(self) -> bool:
        """Whether the list names its sides, but they were not put together."""
        return any(found.code == NOT_TOGETHER for found in self.findings)

    @property
    def count(self) -> int:
        """How many photos there are of the joint, those of its marked pipe left out."""
        return sum(photo.kind == "joint" for photo in self.photos)

    @property
    def needs_a_person(self) -> bool:
        """Anything but a full joint of which nothing else is known."""
        return self.word != "full" or any(found.weighs for found in self.findings)


@dataclass
class Clues:
    """What can only be seen across joints.  `by_joint` has findings by the joint's name."""

    by_joint: dict[str, list[Finding]] = field(default_factory=lambda: defaultdict(list))
    copied: set[int] = field(default_factory=set)
    charts: list[Chart] = field(default_factory=list)


def clues(store: Store, *, listed_order: bool) -> Clues:
    """Copies, times and drifts.  listed_order: the joints stand in the order of a list that someone wrote."""
    found = Clues()
    _copies(store, found)
    if listed_order:
        _times(store, found)
    for what in ("installer", "machine"):
        _drifts(store, what, found)
    return found


def judged(store: Store, seen: Clues, confidence: float = 0.95) -> Iterator[Judged]:
    """Every joint, in the order of the list; confidence: of the answers' intervals."""
    for joint, trouble, told in store.joints():
        together = store.together(joint.name) if seen.copied.isdisjoint(photo.id for photo in told) else None
        answered = together.pop("answers", {}) if together else {}
        pipe = counted(told, seen.copied)
        everything = [replace(photo, answer=answered[photo.name]) if photo.name in answered else photo
                      for photo in with_premark(told, pipe, confidence)]
        photos = [photo for photo in everything if photo.kind == "joint"]
        findings = [*_own(joint, trouble, everything, pipe), *seen.by_joint.get(joint.name, ())]
        answers = [(photo.answer, photo) for photo in photos if photo.answer]
        telling = [answer for answer, photo in answers if answer["verdict"] != "full" or photo.id not in seen.copied]
        word = joint_word(telling, len(photos))
        if word == "full" and any(photo.state == "waiting" for photo in everything):
            word = "unproven"  # what has not been looked at may be short
        if together:
            findings[:0] = findings_of(together)  # they decide
            word = together["verdict"]
        else:
            findings += speaking_against(photos)
        if word == "full" and joint.twice:
            word = "unproven"  # the row that was left out may name a photo that speaks against it
        if word == "full" and joint.sides and not together:  # one photo of a joint sees a third of it
            findings.append(finding(NOT_TOGETHER, "The list names the sides of its photos, but they could not be put "
                                    "together."))
            word = "unproven"
        ordered = (*worst_first(photos), *(photo for photo in everything if photo.kind == "premark"))
        worst = ordered[0].answer if photos else None
        yield Judged(joint, word, ordered, tuple(findings), risk(word, worst, findings), together, pipe)


def _own(joint: Joint, trouble: str, photos: list[Answered], pipe: Answered | None) -> Iterator[Finding]:
    """What a joint shows by itself; pipe: the photo of its marked pipe that counts."""
    drawn_anew = pipe and pipe.answer and pipe.answer["depth"] and pipe.answer["verdict"] != "misplaced"
    for photo in () if drawn_anew else photos:
        if photo.answer and photo.answer["verdict"] == "misplaced":
            yield finding("misplaced", f"{visible(photo.name)}: the mark lies at {depth_of(photo.answer)}, "
                          f"the catalog says {mark_depth_of(photo.answer)}.")
    if not any(photo.kind == "joint" for photo in photos):
        marked = " but its marked pipe" if photos else ""
        yield finding("not-photographed", f"The list has this joint; the folder has no photo of it{marked}.")
    if joint.twice:
        yield finding("twice", "The list has this joint more than once; only its first row counts.")
    if trouble:
        yield finding("unknown-fitting", trouble)
    else:
        for photo in photos:
            if photo.state == "failed":
                yield finding("not-checked", f"{visible(photo.name)}: {photo.error}")
    waiting = [visible(photo.name) for photo in photos if photo.state == "waiting"]
    if waiting:
        yield finding("not-checked", f"The run ended before {listed(waiting)} had its turn.")
    yield from contradiction(photos)
    if joint.date:
        for photo in photos:
            when = taken_at(photo.taken)
            far = far_from(date.fromisoformat(joint.date), when) if when else ""
            if far:
                yield finding("far-from-date", f"{visible(photo.name)} was taken {far} the date in the list.")


def _copies(store: Store, found: Clues) -> None:
    """Pictures that stand for two joints."""
    known = "FROM photo WHERE sha256 > '' ORDER BY id"
    keys = array("q", (key for (key,) in store.db.execute(f"SELECT id {known}")))
    for group in same_pictures(store.db.execute(f"SELECT phash, sha256 {known}")):
        _copy(store, [keys[place] for place in group], found)


def _copy(store: Store, keys: list[int], found: Clues) -> None:
    query = "SELECT p.id, j.name, p.name, p.sha256 FROM photo p JOIN joint j USING (ord) WHERE p.id = ?"
    members = sorted((store.db.execute(query, (key,)).fetchone() for key in keys), key=lambda row: row[1:3])
    joints = [joint for joint, _ in groupby(members, key=lambda row: row[1])]
    if len(joints) < 2:
        return
    more = f" (joints {listed([visible(joint) for joint in joints])})" if len(joints) > 2 else ""
    for key, joint, name, sha256 in members:
        found.copied.add(key)
        _, its, other, other_sha = next(row for row in members if row[1] != joint)
        alike = "the same file as" if other_sha == sha256 else "the same picture as"
        said = f"{visible(name)} is {alike} {visible(other)} of joint {visible(its)}{more}."
        found.by_joint[joint].append(finding("copied", said))


def _times(store: Store, found: Clues) -> None:
    """Joints whose photos were taken out of turn; a joint's time is the first that one of its photos has.

    Photos days away from the job's date have a finding of their own.
    """
    rows = store.db.execute(
        "SELECT j.name, json_extract(j.facts, '$.date'), min(moment(p.taken)) AS first FROM joint j"
        " JOIN photo p USING (ord) GROUP BY ord HAVING first IS NOT NULL ORDER BY ord"
    ).fetchall()
    timed = [
        (name, day, when)
        for name, day, first in rows
        if (when := datetime.fromisoformat(first)) and not (day and far_from(date.fromisoformat(day), when))
    ]
    if all(day for _, day, _ in timed):
        timed.sort(key=lambda row: row[1])
    for place in out_of_order([when for *_, when in timed]):
        name, _, when = timed[place]
        found.by_joint[name].append(
            finding(
                "out-of-order",
                f"Its first photo was taken on {when:%Y-%m-%d at %H:%M}, out of the list's order.",
            )
        )


def _drifts(store: Store, what: str, found: Clues) -> None:
    """One chart for each installer or machine, of the largest gap of each joint, in the order of time."""
    rows = store.db.execute(
        f"SELECT json_extract(j.facts, '$.{what}') AS who, j.name, max(p.gap_mm),"
        " coalesce(nullif(json_extract(j.facts, '$.date'), ''),"
        " substr(min(moment(p.taken)), 1, 10)) AS day, min(json_extract(p.answer, '$.unit'))"
        " FROM joint j JOIN photo p USING (ord) WHERE p.gap_mm IS NOT NULL AND who > ''"
        " GROUP BY ord ORDER BY who, day, min(moment(p.taken)), ord"
    ).fetchall()
    hands: dict[str, list[tuple[str, float, Unit]]] = defaultdict(list)
    for who, name, gap, _, unit in rows:
        hands[who].append((name, gap, unit))
    for who, series in hands.items():
        names, gaps, units = zip(*series, strict=True)
        made = chart(f"{what} {visible(who)}", names, gaps, "in" if set(units) == {"in"} else "mm")
        if made is None:
            continue
        found.charts.append(made)
        for place in sorted({*made.beyond, *made.runs}):
            found.by_joint[made.names[place]].append(finding("drifting", _drift_text(made, place)))


def _drift_text(made: Chart, place: int) -> str:
    gap = plain(made.unit, made.gaps_mm[place])
    if place in made.beyond:
        usual = plain(made.unit, made.low_mm, made.high_mm)
        return f"Its gap of {gap} lies outside what the {made.who} usually leaves ({usual})."
    side = "above" if made.gaps_mm[place] > made.mean_mm else "below"
    return f"The last eight gaps of the {made.who} all lie {side} their mean of {plain(made.unit, made.mean_mm)}."
