"""From answers to joints: the verdict of each, and what else a person should know about it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from cli.jobs.drift import Chart, chart
from cli.jobs.duplicates import near_copies
from cli.jobs.findings import Finding, finding, listed
from cli.jobs.listing import Joint
from cli.jobs.store import Answered, Store
from cli.jobs.text import visible
from cli.jobs.timing import far_from, out_of_order, taken_at
from cli.jobs.verdicts import JointWord, contradiction, joint_word, risk, worst_first


@dataclass(frozen=True)
class Judged:
    """A joint with its verdict.  photos: the worst first.  risk: sorts the most urgent first."""

    joint: Joint
    word: JointWord
    photos: tuple[Answered, ...]
    findings: tuple[Finding, ...]
    risk: tuple[int, float]

    @property
    def worst(self) -> dict[str, Any] | None:
        """The answer that decides, or None where no photo has one."""
        return self.photos[0].answer if self.photos else None

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


def judged(store: Store, seen: Clues) -> Iterator[Judged]:
    """Every joint, in the order of the list."""
    for joint, trouble, photos in store.joints():
        findings = [*_own(joint, trouble, photos), *seen.by_joint.get(joint.name, ())]
        answers = [photo for photo in photos if photo.answer]
        words = [photo.answer["verdict"] for photo in answers if photo.answer]
        counted = [
            word
            for word, photo in zip(words, answers, strict=True)
            if word != "full" or photo.id not in seen.copied
        ]
        word = joint_word(counted, len(photos))
        if word == "full" and any(photo.state == "waiting" for photo in photos):
            word = "unproven"  # what has not been looked at may be short
        ordered = tuple(worst_first(photos))
        worst = ordered[0].answer if ordered else None
        yield Judged(joint, word, ordered, tuple(findings), risk(word, worst, findings))


def _own(joint: Joint, trouble: str, photos: list[Answered]) -> Iterator[Finding]:
    """What a joint shows by itself."""
    if not photos:
        yield finding("not-photographed", "The list has this joint; the folder has no photo of it.")
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
    rows = store.db.execute(
        "SELECT p.id, j.name, p.name, p.phash, p.sha256 FROM photo p JOIN joint j USING (ord)"
        " WHERE p.sha256 IS NOT NULL ORDER BY p.ord, p.name"
    ).fetchall()
    for group in near_copies([phash or bytes.fromhex(sha256) for *_, phash, sha256 in rows]):
        members = [rows[place] for place in group]
        joints = sorted({joint for _, joint, *_ in members})
        if len(joints) < 2:
            continue
        for key, joint, name, _, sha256 in members:
            found.copied.add(key)
            others = [row for row in members if row[1] != joint][:4]
            alike = "the same file as" if others[0][4] == sha256 else "the same picture as"
            said = listed([f"{visible(other)} of joint {visible(its)}" for _, its, other, *_ in others[:1]])
            more = f" (joints {listed([visible(each) for each in joints])})" if len(joints) > 2 else ""
            found.by_joint[joint].append(finding("copied", f"{visible(name)} is {alike} {said}{more}."))


def _times(store: Store, found: Clues) -> None:
    """Joints whose photos were taken out of turn; a joint's time is that of its first photo.

    Photos days away from the job's date have a finding of their own.
    """
    rows = store.db.execute(
        "SELECT j.name, json_extract(j.facts, '$.date'), min(p.taken) FROM joint j JOIN photo p USING (ord)"
        " WHERE p.taken > '' GROUP BY ord ORDER BY ord"
    ).fetchall()
    timed = [
        (name, day, when)
        for name, day, taken in rows
        if (when := taken_at(taken)) and not (day and far_from(date.fromisoformat(day), when))
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
        " coalesce(nullif(json_extract(j.facts, '$.date'), ''), replace(substr(min(p.taken), 1, 10), ':', "
        "'-')) AS day"
        " FROM joint j JOIN photo p USING (ord) WHERE p.gap_mm IS NOT NULL AND who > ''"
        " GROUP BY ord ORDER BY who, day, min(p.taken), ord"
    ).fetchall()
    hands: dict[str, list[tuple[str, float]]] = defaultdict(list)
    for who, name, gap, _ in rows:
        hands[who].append((name, gap))
    for who, series in hands.items():
        made = chart(f"{what} {visible(who)}", [name for name, _ in series], [gap for _, gap in series])
        if made is None:
            continue
        found.charts.append(made)
        for place in sorted({*made.beyond, *made.runs}):
            found.by_joint[made.names[place]].append(finding("drifting", _drift_text(made, place)))


def _drift_text(made: Chart, place: int) -> str:
    gap = f"{made.gaps_mm[place]:.1f} mm"
    if place in made.beyond:
        usual = f"{made.low_mm:.1f} to {made.high_mm:.1f} mm"
        return f"Its gap of {gap} lies outside what the {made.who} usually leaves ({usual})."
    side = "above" if made.gaps_mm[place] > made.mean_mm else "below"
    return f"The last eight gaps of the {made.who} all lie {side} their mean of {made.mean_mm:.1f} mm."
