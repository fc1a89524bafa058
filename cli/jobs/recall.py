"""A joint's first and latest photo: the ledger knows their hashes, the disk has to have their bytes."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from cli.jobs.before import is_premark
from cli.jobs.errors import JobError, LedgerError
from cli.jobs.text import visible
from cli.jobs.timing import taken_at
from cli.jobs.worker import read_photo
from cli.ledger import Entry, Ledger, default_path


@dataclass(frozen=True)
class Recalled:
    """The two photos, the earlier first, and the fitting that the latest check named."""

    paths: list[Path]
    fitting: str


def first_and_latest(joint: str, site: str, ledger: Path | None, folder: Path | None) -> Recalled:
    """Find them.  folder: where to look for photos that no longer lie where they were checked.

    Photos with a measured gap go first: without one there is nothing to compare.
    Raises JobError or LedgerError with the remedy.
    """
    path = ledger or default_path()
    if not path.exists():
        raise LedgerError(f"There is no ledger {path} yet; `collargap job` makes it.")
    with Ledger(path) as book:
        entries = _of_one_joint(_of_site(book.entries(joint=joint, exact=True), site), joint)
        first, last = _ends(entries, joint)
        return Recalled([_found(book, each, folder) for each in (first, last)], str(last.answer["fitting"]))


def _of_site(entries: Iterable[Entry], site: str) -> list[Entry]:
    """Those of the site that is called so, else of all whose names have that in them."""
    alike = [each for each in entries if site.casefold() in each.filing.site.casefold()]
    return [each for each in alike if each.filing.site.casefold() == site.casefold()] or alike


def _of_one_joint(entries: list[Entry], joint: str) -> list[Entry]:
    if not entries:
        raise JobError(f"The ledger has no joint {visible(joint)!r}. Search with: collargap find --joint PART")
    sites = sorted({visible(each.filing.site) for each in entries})
    if len(sites) > 1:
        raise JobError(f"Several sites have a joint {visible(joint)!r}: {', '.join(sites)}. Name one with --site.")
    return entries


def _ends(entries: list[Entry], joint: str) -> tuple[Entry, Entry]:
    """By when photos were taken where all say so, else by the day on which they were first checked; the last check of
    each.  Raises JobError where that leaves the order open: a pipe that came out would be said to have gone in."""
    latest = {str(each.answer["sha256"]): each for each in entries if not is_premark(each.answer)}
    photos = list(latest.values())
    measured = [each for each in photos if each.answer["gap"]]
    if len(photos) < 2:
        raise JobError(f"The ledger has one photo of joint {visible(joint)!r}; a comparison takes two. Take another, "
                       "check it with `collargap job`, or name two photos.")
    if len(measured) < 2:
        many = "one of its photos tells" if measured else "none of its photos tells"
        raise JobError(f"Of joint {visible(joint)!r} {many} a gap; a comparison takes two that do. Take another, check "
                       "it with `collargap job`, or name two photos.")
    photos = measured
    when = {each.check_id: taken_at(each.taken) for each in photos}
    if not all(when.values()):
        when = {each.check_id: _first_day(entries, each) for each in photos}
    first, *_, last = sorted(photos, key=lambda each: (when[each.check_id], each.check_id))
    if when[first.check_id] == when[last.check_id]:
        raise JobError(f"Which photo of joint {visible(joint)!r} was taken first isn't known: they don't all say their "
                       f"time, and were first checked on one day. Name both, the earlier first: "
                       f"{visible(first.filing.photo)} and {visible(last.filing.photo)}, in their order.")
    return first, last


def _first_day(entries: list[Entry], photo: Entry) -> datetime:
    """When these bytes were checked for the first time, to the day: within one run the order is that of the names."""
    made = min(each.made for each in entries if each.answer["sha256"] == photo.answer["sha256"])
    return datetime.fromisoformat(made).astimezone().replace(hour=0, minute=0, second=0, tzinfo=None)


def _found(book: Ledger, entry: Entry, folder: Path | None) -> Path:
    """The file that still has the bytes that were checked."""
    sha256, name = str(entry.answer["sha256"]), entry.filing.photo
    known = [Path(path) for path in book.paths_of(sha256)]
    tried = sorted(known, key=lambda path: not path.as_posix().endswith(f"/{name}"))  # copies may lie elsewhere
    if folder is not None:
        tried += [folder / name, *sorted(folder.rglob(Path(name).name))]
    for path in tried:
        try:
            if hashlib.sha256(read_photo(str(path))).hexdigest() == sha256:
                return path
        except OSError:
            continue
    raise JobError(f"The photo {visible(name)} (sha256 {sha256[:12]}...) is no longer where it was checked. Name the "
                   "folder that it lies in with --photos, or name two photos.")
