"""`collargap find` and `collargap show`: what the ledger knows about joints of all jobs."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from itertools import groupby
from pathlib import Path
from typing import Annotated, Any

import typer

from calibration.fittings import Misuse
from cli.files import own_place
from cli.jobs import checklist
from cli.jobs.before import counted, is_premark, joined
from cli.jobs.days import parse_day
from cli.jobs.elsewhere import Copies
from cli.jobs.errors import JobError, LedgerError
from cli.jobs.findings import CAUTION, is_assisted, is_demo
from cli.jobs.lengths import least_of, limit_of, mark_depth_of, sure_of
from cli.jobs.store import Answered
from cli.jobs.text import visible
from cli.jobs.verdicts import JointWord, joint_word
from cli.ledger import Entry, Ledger, default_path
from cli.say import assisted

_LedgerFile = Annotated[
    Path | None,
    typer.Option(
        help="The ledger; else COLLARGAP_LEDGER, else the one in your data folder.", show_default=False
    ),
]


_WORDS: dict[str, JointWord] = {"full": "full", "short": "short", "unproven": "unproven",
                                "not photographed": "not photographed"}


class Verdict(StrEnum):
    """A joint's verdict."""

    full = "full"
    short = "short"
    unproven = "unproven"


def find(
    site: Annotated[str, typer.Option(help="Part of the site's name.", show_default=False)] = "",
    joint: Annotated[str, typer.Option(help="Part of the joint's name.", show_default=False)] = "",
    since: Annotated[str, typer.Option(help="First day of the work: 2026-05-04.", show_default=False)] = "",
    until: Annotated[str, typer.Option(help="Last day of the work.", show_default=False)] = "",
    date: Annotated[str, typer.Option(help="The one day of the work.", show_default=False)] = "",
    verdict: Annotated[
        Verdict | None, typer.Option(help="Joints with this verdict.", show_default=False)
    ] = None,
    ledger: _LedgerFile = None,
) -> None:  # fmt: skip
    """Search the ledger for joints by site, joint, day and verdict.

    A joint's verdict is that of the last job that looked at it; of photos checked since, by the latest of each.

    Exit status: 0, also when nothing is found; 2 misuse.
    """
    with _opened(ledger) as book:
        if date and (since or until):
            raise JobError("--date is one day, and --since and --until are the first and the last of several: name "
                           "the one or the others.")
        day = _day(date)
        entries = book.entries(site=site, joint=joint, since=day or _day(since), until=day or _day(until))
        known, count = _Known(book), 0
        for checks in _joints(entries):
            word = known.word(checks)
            if verdict is None or word == verdict.value:
                count += 1
                typer.echo(_line(checks, word))
        typer.echo(f"{count} joint{'' if count == 1 else 's'} found.", err=True)
        if count:
            typer.echo(CAUTION, err=True)


def show(
    joint: Annotated[str, typer.Argument(help="The joint's whole name.", show_default=False)],
    site: Annotated[str, typer.Option(help="Part of the site's name, where several have such a joint.",
                                      show_default=False)] = "",
    overlays: Annotated[Path | None, typer.Option(help="Put the pictures with the readings into this folder.",
                                                  show_default=False)] = None,
    ledger: _LedgerFile = None,
) -> None:  # fmt: skip
    """Print a joint's history: every check of it that was ever made, the oldest first, with its overlays.

    Exit status: 0; 2 when the ledger has no such joint.
    """
    with _opened(ledger) as book:
        found = [
            checks for checks in _joints(book.entries(joint=joint, exact=True))
            if site.casefold() in checks[0].filing.site.casefold()
        ]  # fmt: skip
        if not found:
            raise JobError(
                f"The ledger has no joint {visible(joint)!r}. Search with: collargap find --joint PART"
            )
        known = _Known(book)
        for checks in found:
            typer.echo(_line(checks, known.word(checks)))
            if answers := book.checklists(checks[0].filing.site).get(joint):
                typer.echo(f"  {checklist.told(answers).text}")
            for told in (_all_round(known.all_round(checks)), _by_both(known.together(checks), checks)):
                if told:
                    typer.echo(told)
            for entry in checks:
                typer.echo(_story(entry))
                _put_overlay(book, entry, overlays)
        typer.echo(CAUTION)


@contextmanager
def _opened(path: Path | None) -> Iterator[Ledger]:
    """The ledger for the length of a command; what goes wrong becomes a sentence and exit status 2."""
    path = path or default_path()
    try:
        if not path.exists():
            raise LedgerError(f"There is no ledger {path} yet; `collargap job` makes it.")
        with Ledger(path) as ledger:
            yield ledger
    except Misuse as error:
        typer.echo(visible(str(error)), err=True)
        raise typer.Exit(2) from None


def _day(text: str) -> str:
    """The day as the ledger has it, said where it may be meant otherwise; "" for none."""
    if not text:
        return ""
    day, other = parse_day(text), parse_day(text, day_first=True)
    day = day or other
    if day is None:
        raise JobError(f"{visible(text)!r} is not a day; write it like 2026-05-04.")
    if other and other != day:
        typer.echo(f"{visible(text)} is read with the month first, as {day}; write {day} or {other} to be sure.",
                   err=True)
    return day.isoformat()


def _joints(entries: Iterator[Entry]) -> Iterator[list[Entry]]:
    for _, checks in groupby(entries, key=lambda entry: (entry.filing.site, entry.filing.joint)):
        yield list(checks)


class _Known:
    """What is known of joints by all their checks."""

    def __init__(self, book: Ledger) -> None:
        self._book, self._words, self._copies = book, book.judgements(), Copies(book)
        self._sides: dict[str, dict[str, str]] = {}

    def word(self, checks: list[Entry]) -> JointWord:
        """What the last job said; it knows the sides, and pictures that stand for two joints.  Of photos that were
        checked since, on phones say, what they say one by one."""
        filing = checks[0].filing
        made, word = self._words.get((filing.site, filing.joint), ("", ""))
        if word in _WORDS and made >= max(_since(entry, word) for entry in checks):
            return _WORDS[word]
        told = self.together(checks)
        said = joint_word(told, len(told))
        return "unproven" if said == "full" and self._sided(filing.site, filing.joint) else said

    def _sided(self, site: str, joint: str) -> bool:
        """Whether the list names the joint's sides: then only a job, which puts them together, calls it full."""
        if site not in self._sides:
            self._sides[site] = self._book.sides(site)
        return bool(self._sides[site].get(joint))

    def all_round(self, checks: list[Entry]) -> dict[str, Any] | None:
        """What the last job said of all photos together; None where no list named their sides, or more were checked
        since."""
        filing = checks[0].filing
        made, answer = self._book.all_round(filing.site, filing.joint) or ("", None)
        return answer if made >= max(entry.made for entry in checks) else None

    def together(self, checks: list[Entry]) -> list[dict[str, Any]]:
        """The latest answers for the made joint, with what its marked pipe told, each as sure as it was asked for; as
        the job put them together, where it did."""
        latest, said = _latest(checks), self.all_round(checks)
        if said:
            answers = said.get("answers", {})
            return [answers.get(entry.filing.photo, entry.answer) for entry in latest if not is_premark(entry.answer)]
        photos = [_photo(place, entry) for place, entry in enumerate(latest)]
        pipe = counted(photos, self._copied(latest))
        before = pipe.answer if pipe else None
        return [joined(entry.answer, before, entry.confidence) if before else entry.answer
                for entry in latest if not is_premark(entry.answer)]

    def _copied(self, latest: list[Entry]) -> set[int]:
        """Places of those that stand for another joint too; asked for where there is a marked pipe."""
        if not any(is_premark(entry.answer) for entry in latest):
            return set()
        copies = self._copies.of(latest[0].filing.site)
        return {place for place, entry in enumerate(latest) if (entry.filing.joint, entry.answer["sha256"]) in copies}


def _since(entry: Entry, word: str) -> str:
    """When a photo was checked; that a joint has none holds until one is filed, which may have been checked before."""
    return entry.filed if word == "not photographed" else entry.made


def _photo(place: int, entry: Entry) -> Answered:
    """As a job has it, under the name that it was filed with last."""
    name = entry.filing.photo
    return Answered(place, name, "known", "", entry.answer | {"photo": name}, entry.taken, entry.check_id, None)


def _latest(checks: list[Entry]) -> list[Entry]:
    """The last check of each photo."""
    return list({entry.filing.photo: entry for entry in checks}.values())


def _line(checks: list[Entry], word: JointWord) -> str:
    filing = checks[-1].filing
    latest = _latest(checks)
    photos = len(latest)
    about = ", ".join(visible(each) for each in (filing.location, filing.installer, filing.machine) if each)
    return (
        f"{filing.day}  {word.upper():<8}  {visible(filing.site)} / {visible(filing.joint)}  "
        f"({photos} photo{'' if photos == 1 else 's'}{'; ' + about if about else ''})"
        f"{'  (demonstration fitting)' if any(is_demo(entry.answer) for entry in latest) else ''}"
        f"{'  (assisted)' if any(is_assisted(entry.answer) for entry in latest) else ''}"
    )


def _all_round(said: dict[str, Any] | None) -> str:
    """What all photos of the joint tell together, which decided; "" where that is nothing."""
    if said is None or said["worst"] is None:
        return ""
    sure, least = said["confidence"], said.get("min_insertion")
    inserted = f"; insertion at its least {sure_of(said, 'insertion', sure)}" if said.get("insertion") else ""
    wanted = f"; at least {limit_of(said | {'limit': least})}" if inserted and least is not None else ""
    return (f"  all round, by all its photos together: worst gap {sure_of(said, 'worst', sure)}; limit "
            f"{limit_of(said)}{inserted}{wanted}")


def _by_both(told: list[dict[str, Any]], checks: list[Entry]) -> str:
    """What the latest photo of the joint tells together with that of its marked pipe; "" where they don't."""
    answer = told[-1] if told else {}
    if answer.get("insertion_from") != "premark":
        return ""
    sure = [entry.confidence for entry in _latest(checks) if not is_premark(entry.answer)][-1]
    least = f"; at least {least_of(answer)}" if least_of(answer) else ""
    return (f"  with its marked pipe the latest photo tells: gap {sure_of(answer, 'gap', sure)}; insertion "
            f"{sure_of(answer, 'insertion', sure)}{least}")


def _story(entry: Entry) -> str:
    answer = entry.answer
    lines = [
        f"  check {entry.check_id}, {entry.made}, collargap {answer['version']}: "
        f"{visible(entry.filing.photo)}",
        f"    {entry.verdict}{_by_whom(answer)}: {_size(answer, entry.confidence)}; "
        f"fitting {visible(answer['fitting'])}",
        f"    photo sha256 {answer['sha256']}",
    ]
    return "\n".join(lines + [f"    {each['text']} {each['advice']}" for each in answer["reasons"]])


def _size(answer: dict[str, Any], confidence: float) -> str:
    """What was measured, against what the catalog says."""
    if is_premark(answer):
        found = f"mark {sure_of(answer, 'depth', confidence)}" if answer["depth"] else "no depth measured"
        return f"{found}; catalog {mark_depth_of(answer)}"
    found = f"gap {sure_of(answer, 'gap', confidence)}" if answer["gap"] else "no gap measured"
    return f"{found}; limit {limit_of(answer)}"


def _by_whom(answer: dict[str, Any]) -> str:
    return f" ({assisted(answer['assisted']['placed_by'])})" if is_assisted(answer) else ""


def _put_overlay(book: Ledger, entry: Entry, folder: Path | None) -> None:
    jpeg = book.overlay(entry.check_id)
    if not jpeg:
        return
    if folder is None:
        typer.echo("    its overlay is in the ledger: name a folder with --overlays to see it")
        return
    safe = re.sub(r"[^\w.-]+", "_", entry.filing.joint)[:60].strip(".") or "joint"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        path = own_place(folder, f"{safe}-check-{entry.check_id}")
        path.write_bytes(jpeg)
    except OSError as error:
        raise JobError(f"The overlay could not be written: {error.strerror}. Name another folder.") from error
    typer.echo(f"    overlay: {visible(os.fspath(path))}")
