"""The one place where the job folder and the ledger are touched: one thing after the other, in one thread.

Everything is done by what `collargap job` does it with, so that it later finds the same joints, the same photos
and the same answers.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import time
import uuid
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Concatenate, ParamSpec, TypeVar

from calibration.fittings import Fitting, Misuse, find_fitting
from cli.jobs.asked import Course, Job
from cli.jobs.before import best, is_premark, joined
from cli.jobs.errors import JobError, LedgerError
from cli.jobs.folder import Found, walk
from cli.jobs.judge import Judged, clues, judged
from cli.jobs.keeper import Keeper, Rows
from cli.jobs.listing import LIST_NAME, Joint, Listing
from cli.jobs.matching import Matcher
from cli.jobs.run import plan
from cli.jobs.store import Store
from cli.jobs.text import name_of
from cli.jobs.worker import Checked, Kind, Task, read_photo
from cli.ledger import Ledger
from cli.lines import Lines, beside
from cli.phone import intake, names
from cli.phone.listfile import add_joint, read_listing, whole_file
from cli.phone.notes import Notes, Sent, now
from cli.phone.troubles import BadRequest, Busy, NotThere, Taken

_FRESH_S = 3.0  # so old may a survey be; others may put photos into the folder too
_SHOWS: dict[names.Kind, str] = {"after": "made joint", "before": "marked pipe"}
_MOST_TRIED = 200  # numbers after the count of a joint's photos, for those that came another way

P = ParamSpec("P")
R = TypeVar("R")


@dataclass(frozen=True)
class Claimed:
    """The joint that a phone was given.  photos: how many there are of it already."""

    joint: str
    fitting: str
    photos: int


@dataclass(frozen=True)
class Told:
    """A photo with its answer (the JSON of `check` or of `premark`), where there is one.

    The answer for a joint has in it what the photo of its marked pipe told.  lines: a person placed some on it.
    view: which of the joint's `views` it is, from 1, the oldest first.
    """

    sent: Sent
    answer: dict[str, Any] | None
    lines: bool
    view: int = 1
    views: int = 1


def _honest(work: Callable[Concatenate[Desk, P], R]) -> Callable[Concatenate[Desk, P], R]:
    """Faults of the disk, of SQLite and of the ledger as a sentence that says what to do."""

    def told(desk: Desk, /, *args: P.args, **more: P.kwargs) -> R:
        try:
            return work(desk, *args, **more)
        except (OSError, sqlite3.Error) as error:
            why = getattr(error, "strerror", None) or error
            raise Busy(f"The job folder could not be used ({why}). Make room on its disk, and try again.") from error
        except LedgerError as error:
            raise Busy(str(error)) from error

    told.__doc__ = work.__doc__
    return told


class Desk:
    """A job folder with its list, notes and ledger.  Every method is called from the same thread."""

    def __init__(self, job: Job, ledger: Path) -> None:
        self.job = job
        self.top = Path(os.path.realpath(job.folder))
        self._ledger_path = ledger
        self._under_way: dict[str, tuple[Store, Keeper]] = {}
        self._changes = 0
        self._survey: tuple[int, float, list[Judged]] | None = None

    def look_before(self) -> None:
        """Raise Misuse for what would keep the page from opening, while a sentence can still be printed."""
        Rows(self.job)
        try:
            listing = read_listing(self.top)
        except Busy as error:
            raise Misuse(str(error)) from error
        if listing is None and not self.job.fitting and any(isinstance(found, Found) for found in walk(self.top)):
            raise Misuse(f"There are photos in {self.job.folder} but no {LIST_NAME}, so their fitting isn't known. "
                         "Name it with --fitting, or write the list.")
        if not os.access(self.top, os.W_OK | os.X_OK):
            raise Misuse(f"The job folder {self.job.folder} can't be written to. Correct its permissions, or name "
                         "another folder.")
        Ledger(self._ledger_path).close()

    def open(self) -> None:
        """Open notes and ledger, and take up what an earlier run left.  Raises Misuse."""
        try:
            intake.swept(self.top)
            self._notes = Notes(self.top / intake.HIDDEN / "phone.sqlite")
            self._ledger = Ledger(self._ledger_path)
            self._begin_list()
        except (OSError, sqlite3.Error) as error:
            raise Misuse(f"The job folder {self.job.folder} can't be written to ({error}). Name another folder, or "
                         "correct its permissions.") from error

    def close(self) -> None:
        """Close notes and ledger."""
        self._notes.close()
        self._ledger.close()

    def _begin_list(self) -> None:
        """Photos that lie here without a list keep their joints when the page begins one."""
        if read_listing(self.top) is not None:
            return
        known = [name_of(found.relative) for found in walk(self.top) if isinstance(found, Found)]
        if not known:
            return
        photos: dict[str, list[str]] = {}
        for relative in known:
            for joint in Matcher(None, self.job.fitting).joints(relative):
                photos.setdefault(joint.name, []).append(relative)
        for name, files in photos.items():
            add_joint(self.top, name, self.job.fitting, "|".join(files))

    # --- joints ----------------------------------------------------------------------------------------------

    def _listing(self) -> Listing:
        return read_listing(self.top) or Listing(())

    def _joint(self, name: str) -> Joint:
        for joint in self._listing().joints:
            if joint.name.casefold() == name.casefold():
                return joint if joint.fitting else replace(joint, fitting=self.job.fitting)
        raise NotThere(f'There is no joint "{name}" in this job. Choose one of the list, or begin a new one.')

    def fitting(self, name: str) -> Fitting:
        """The catalog's row for a size.  Raises BadRequest."""
        try:
            return find_fitting(self.job.catalog, name)
        except Misuse as error:
            raise BadRequest(str(error)) from error

    @_honest
    def next_name(self) -> str:
        """The number that a new joint is offered."""
        return names.next_name(joint.name for joint in self._listing().joints)

    @_honest
    def claim(self, token: str, name: str, offered: bool, fitting: str) -> Claimed:
        """Give a phone the joint that it asks for; the same token always gets the same joint.

        offered: the name was offered as the next number; where another phone was faster, the number after it is
        given.  A name that a person wrote is that joint, also when it has photos already.
        """
        joint = self._notes.claimed(token)
        if joint is None:
            listing = self._listing()
            taken = {each.name.casefold(): each for each in listing.joints}
            if offered and name.casefold() in taken:
                name = names.next_name(each.name for each in listing.joints)
            known = taken.get(name.casefold())
            joint = known.name if known else self._new_joint(names.joint_name(name), fitting, listing)
            self._notes.claim(token, joint)
        row = self._joint(joint)
        return Claimed(row.name, row.fitting, self._count(row.name))

    def _count(self, joint: str) -> int:
        return next((each.count for each in self.survey() if each.joint.name == joint), 0)

    def _new_joint(self, name: str, fitting: str, listing: Listing) -> str:
        row = self.fitting(fitting)
        self._steals_nothing(name, row.id, listing)
        add_joint(self.top, name, row.id)
        self._changed()
        return name

    def _steals_nothing(self, name: str, fitting: str, listing: Listing) -> None:
        """A new name must not make photos of other joints look like its own (J-1_2.jpg is J-1's second)."""
        after = Matcher(Listing((*listing.joints, Joint(name, fitting, order=len(listing.joints)))))
        for found in walk(self.top):
            if not isinstance(found, Found):
                continue
            photo = name_of(found.relative)
            if name.casefold() in photo.casefold() and name in [joint.name for joint in after.joints(photo)]:
                raise Taken(f"The photo {photo} of another joint would count for a joint named {name}. Choose another "
                            "name.")

    @_honest
    def survey(self) -> list[Judged]:
        """Every joint as `collargap job` would judge it now, without looking at any photo."""
        if self._survey and self._survey[0] == self._changes and time.monotonic() - self._survey[1] < _FRESH_S:
            return self._survey[2]
        store, course = Store(), Course()
        try:
            plan(self.job, store, course)
            keeper = Keeper(self.job, store, self._ledger, course)
            keeper.recall()
            sent = {photo.name: photo for photo in self._notes.all()}
            for waiting in list(store.waiting()):
                if (photo := sent.get(waiting.name)) and photo.state == "checked":
                    keeper.recall_as(waiting, photo.sha256)  # too new for its times to prove anything
            found = list(judged(store, clues(store, listed_order=course.listed), self.job.confidence))
        except JobError:  # a folder without a photo and without a list
            found = []
        finally:
            store.close()
        self._survey = self._changes, time.monotonic(), found
        return found

    def _changed(self) -> None:
        self._changes += 1

    # --- photos ----------------------------------------------------------------------------------------------

    @_honest
    def known(self, photo_id: str, joint: str, sha256: str, kind: names.Kind = "after") -> Sent | None:
        """The photo that this one is, if it has come before."""
        sent = self._notes.sent(photo_id)
        if sent and (sent.sha256, sent.joint) != (sha256, self._joint(joint).name):
            raise Taken("Another photo was sent under this one's number. Take the photo again.")
        sent = sent or self._notes.same(self._joint(joint).name, sha256)
        if sent and sent.kind != kind:
            raise Taken(f"This very photo is in the job already, as one of the {_SHOWS[sent.kind]}. Take one of the "
                        f"{_SHOWS[kind]}.")
        return sent

    @_honest
    def keep(self, photo_id: str, joint: str, incoming: intake.Incoming, kind: names.Kind = "after") -> Sent:
        """Put a whole photo into the job under a name of its own; sent twice, it is there once."""
        sent = self.known(photo_id, joint, incoming.sha256, kind)
        if sent is None:
            row = self._joint(joint)
            name = self._free_name(row, incoming.suffix, kind)
            sent = Sent(photo_id, row.name, name, incoming.sha256, kind, now())
            self._notes.add(sent)
        while not _lies_there(self.top / sent.name, incoming):
            sent = replace(sent, name=self._free_name(self._joint(joint), incoming.suffix, kind))
            self._notes.rename(sent.id, sent.name)  # something else took the name since it was noted
        self._changed()
        return sent

    def _free_name(self, joint: Joint, suffix: str, kind: names.Kind) -> str:
        """A name that nothing has, and by which the photo is this joint's and no other's."""
        matcher = Matcher(self._listing())
        first = len(self._notes.of_kind(joint.name, kind)) + 1
        for number in range(first, first + _MOST_TRIED):
            for name in names.photo_names(joint.name, number, suffix, kind):
                fits = [each.name for each in matcher.joints(name)] == [joint.name]
                fits = fits and matcher.marked(name) == (kind == "before")
                if fits and not os.path.lexists(self.top / name) and not self._notes.has_name(name):
                    return name
        raise Taken(f"No file name could be found that {LIST_NAME} reads as joint {joint.name}. Give the joint a photo "
                    "pattern in the list, or another name.")

    @_honest
    def photo(self, photo_id: str) -> Told:
        """A photo and its answer.  Raises NotThere."""
        return self._told(self._sent(photo_id))

    def _sent(self, photo_id: str) -> Sent:
        sent = self._notes.sent(photo_id)
        if sent is None:
            raise NotThere("There is no such photo in this job. Go back to the joint, and take it again.")
        return sent

    def _told(self, sent: Sent) -> Told:
        answer = self._ledger.answer(sent.check_id)[0] if sent.check_id is not None else None
        if answer and sent.state == "checked" and not is_premark(answer):
            before = self._before(sent.joint)
            answer = joined(answer, before, self.job.confidence) if before else answer
        views = [each.id for each in self._notes.of_kind(sent.joint, sent.kind)]
        return Told(sent, answer, os.path.lexists(beside(self.top / sent.name)), views.index(sent.id) + 1, len(views))

    def _before(self, joint: str) -> dict[str, Any] | None:
        """What the photos of a joint's marked pipe say, as `collargap job` takes it."""
        found = next((each for each in self.survey() if each.joint.name == joint), None)
        photos = found.photos if found else ()
        return best([photo.answer for photo in photos if photo.answer and is_premark(photo.answer)])

    @_honest
    def path(self, photo_id: str) -> str:
        """Where the photo lies."""
        return str(self.top / self._sent(photo_id).name)

    @_honest
    def overlay(self, photo_id: str) -> bytes:
        """The picture with the reading drawn in, or b"" where there is none."""
        sent = self._sent(photo_id)
        return self._ledger.overlay(sent.check_id) if sent.check_id is not None else b""

    @_honest
    def photos_of(self, joint: str) -> list[Told]:
        """The photos of a joint, the newest first; also those that came into the folder another way."""
        row = self._joint(joint)
        for each in self.survey():
            if each.joint.name == row.name:
                self._adopt(row.name, {photo.name: "before" if photo.kind == "premark" else "after"
                                       for photo in each.photos})
        return [self._told(sent) for sent in self._notes.of_joint(row.name)]

    def _adopt(self, joint: str, found: dict[str, names.Kind]) -> None:
        noted = {sent.name for sent in self._notes.all()}
        for name in sorted(found.keys() - noted):
            with suppress(OSError):  # one that can't be read is told by the job's own report
                sha256 = hashlib.sha256(read_photo(str(self.top / name))).hexdigest()
                self._notes.add(Sent(str(uuid.uuid4()), joint, name, sha256, found[name], now()))

    @_honest
    def waiting(self) -> list[str]:
        """Photos that nobody has looked at yet."""
        return [sent.id for sent in self._notes.waiting()]

    # --- looking at one --------------------------------------------------------------------------------------

    @_honest
    def begin(self, photo_id: str) -> Task | None:
        """What has to be looked at; None where the ledger knows the answer, or there can be none."""
        sent = self._sent(photo_id)
        store, course = Store(), Course()
        keeper = Keeper(self.job, store, self._ledger, course)
        joint = self._joint(sent.joint)
        trouble = Rows(self.job).trouble(joint)
        kind: Kind = "premark" if Matcher(self._listing()).marked(sent.name) else "joint"  # as the job will see it
        store.add_photo(store.add_joint(joint, trouble), self._found(sent), trouble, kind)
        keeper.recall()
        task = next(keeper.tasks(), None)
        self._under_way[photo_id] = store, keeper
        if task is None:
            self._conclude(photo_id)
        return task

    @_honest
    def finish(self, photo_id: str, task: Task, outcome: Checked | Exception) -> None:
        """Keep what came of it."""
        self._under_way[photo_id][1].done(task, outcome)
        self._conclude(photo_id)

    def _conclude(self, photo_id: str) -> None:
        store, _ = self._under_way.pop(photo_id)
        try:
            _, trouble, photos = next(store.joints())
            photo = photos[0]
        finally:
            store.close()
        if photo.check_id is not None:
            self._notes.settle(photo_id, "checked", check_id=photo.check_id)
        else:
            lost = "" if photo.answer is None else "Its answer could not be kept in the ledger. Check it again."
            self._notes.settle(photo_id, "failed", photo.error or trouble or lost or "It could not be checked.")
        self._changed()

    @_honest
    def fail(self, photo_id: str, why: str) -> None:
        """Note that a photo could not be looked at."""
        if self._under_way.pop(photo_id, None):
            self._notes.settle(photo_id, "failed", why)
            self._changed()

    def _found(self, sent: Sent) -> Found:
        """The file as `collargap job` will see it."""
        path = os.path.join(self.top, *sent.name.split("/"))
        facts = os.stat(path, follow_symlinks=False)
        return Found(path, sent.name, facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns)

    @_honest
    def again(self, photo_id: str) -> None:
        """Let a photo be looked at once more."""
        sent = self._sent(photo_id)
        self._notes.settle(photo_id, "kept", check_id=sent.check_id)

    # --- what people say -------------------------------------------------------------------------------------

    @_honest
    def of_joint_itself(self, photo_id: str) -> Sent:
        """A photo of a made joint.  Raises BadRequest for one of a marked pipe: it has other edges."""
        sent = self._sent(photo_id)
        if sent.kind != "after":
            raise BadRequest("Lines are placed on photos of the made joint. Take the photo of the marked pipe again, "
                             "with the cut end and the mark in the middle.")
        return sent

    @_honest
    def place(self, photo_id: str, lines: Lines) -> None:
        """Lay a person's lines beside the photo; it is then to be looked at again."""
        sent = self.of_joint_itself(photo_id)
        fitted = lines.model_copy(update={"sha256": sent.sha256, "placed_at": now()})
        text = json.dumps(fitted.model_dump(mode="json"), indent=1)
        whole_file(Path(beside(self.top / sent.name)), text.encode())
        self.again(photo_id)
        self._changed()

    @_honest
    def unplace(self, photo_id: str) -> None:
        """Take the lines away again; what was read with them stays in the ledger."""
        Path(beside(self.top / self._sent(photo_id).name)).unlink(missing_ok=True)
        self.again(photo_id)
        self._changed()

    @_honest
    def checklist(self, joint: str) -> dict[str, str]:
        """The last answers for a joint."""
        return self._ledger.checklists(self.job.site).get(self._joint(joint).name, {})

    @_honest
    def note_checklist(self, joint: str, answers: dict[str, str]) -> None:
        """Keep an installer's answers for a joint; the same answers again change nothing."""
        name = self._joint(joint).name
        if answers != self._ledger.checklists(self.job.site).get(name, {}):
            self._ledger.note_checklist(self.job.site, name, answers)


def _lies_there(path: Path, incoming: intake.Incoming) -> bool:
    """Move a photo to its name, unless it lies there already; False where something else does."""
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        try:
            os.link(incoming.path, path)  # unlike a rename it never writes over what is there
        except FileExistsError:
            raise
        except OSError:  # a disk without links
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
            os.replace(incoming.path, path)
    except FileExistsError:
        return hashlib.sha256(read_photo(str(path))).hexdigest() == incoming.sha256
    os.chmod(path, 0o644)
    incoming.path.unlink(missing_ok=True)
    _settle(path.parent)
    return True


def _settle(folder: Path) -> None:
    """Write a folder's entries through to the disk, where the system can."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
