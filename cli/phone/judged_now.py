"""Every joint as `collargap job` would judge it now, without looking at any photo."""

from __future__ import annotations

import time

from cli.jobs.asked import Course, Job
from cli.jobs.elsewhere import Firsts, add_copies
from cli.jobs.errors import JobError, LedgerError
from cli.jobs.folder import Found, walk
from cli.jobs.judge import Judged, clues, judged
from cli.jobs.keeper import Keeper
from cli.jobs.listing import Listing
from cli.jobs.run import plan
from cli.jobs.store import Answered, Store
from cli.jobs.text import name_of
from cli.ledger import Ledger
from cli.phone.listfile import read_listing
from cli.phone.notes import Notes
from cli.phone.troubles import Busy

_FRESH_S = 3.0  # so old may a survey be; others may put photos into the folder too


class Survey:
    """The judged joints, made anew after every change of ours and after some seconds."""

    def __init__(self, job: Job, notes: Notes, ledger: Ledger) -> None:
        self._job, self._notes, self._ledger = job, notes, ledger
        self._firsts = Firsts(ledger)
        self._made: tuple[float, list[Judged]] | None = None

    def changed(self) -> None:
        """What was seen last does not count any more."""
        self._made = None

    def joints(self) -> list[Judged]:
        """All of them, in the order of the list."""
        if self._made is None or time.monotonic() - self._made[0] >= _FRESH_S:
            seen = self._look()
            self._made = time.monotonic(), seen  # aged from its end: in a large job it takes a while itself
        return self._made[1]

    def joint(self, name: str) -> Judged | None:
        """One of them, by its name in the list."""
        return next((each for each in self.joints() if each.joint.name == name), None)

    def photo(self, joint: str, name: str) -> Answered | None:
        """A photo of a joint, by its file's name."""
        found = self.joint(joint)
        return next((photo for photo in found.photos if photo.name == name), None) if found else None

    def before(self, name: str) -> Answered | None:
        """The photo of a joint's marked pipe that counts, as `collargap job` chooses it."""
        found = self.joint(name)
        return found.pipe if found else None

    def measured(self, name: str) -> bool:
        """Whether a photo of the made joint shows a gap: its pipe is in then, as far as it ever will be."""
        found = self.joint(name)
        return any(photo.answer and photo.kind == "joint" and photo.answer["gap"] for photo in found.photos
                   ) if found else False

    def _look(self) -> list[Judged]:
        listing = read_listing(self._job.folder)  # a list with a fault is no empty job
        store, course = Store(), Course()
        try:
            plan(self._job, store, course)
            keeper = Keeper(self._job, store, self._ledger, course)
            keeper.recall()
            sent = {photo.name: photo for photo in self._notes.all()}
            for waiting in list(store.waiting()):
                photo = sent.get(waiting.name)
                if photo is None or photo.lay != (waiting.size, waiting.mtime_ns, waiting.ctime_ns):
                    continue  # of other bytes nothing is known
                if photo.state == "checked":
                    keeper.recall_as(waiting, photo.sha256)  # too new for its times to prove anything
                elif photo.state == "failed":
                    store.fail(waiting.id, photo.error)
            seen = clues(store, listed_order=course.listed)
            add_copies(seen, store, self._firsts, self._job.site)
            return list(judged(store, seen, self._job.confidence))
        except LedgerError:
            raise
        except JobError as error:
            if self._begins(listing):
                return []
            raise Busy(str(error)) from error
        finally:
            store.close()

    def _begins(self, listing: Listing | None) -> bool:
        """Whether a job is only about to begin: no list and no photo, or a list of titles and no photo of this page."""
        there = {name_of(found.relative) for found in walk(self._job.folder) if isinstance(found, Found)}
        if listing is None:
            return not there
        return not listing.joints and there.isdisjoint(sent.name for sent in self._notes.all())
