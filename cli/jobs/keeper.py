"""Keeps what is found out: into the run's own store, and for good into the ledger."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from typing import Any

from calibration.fittings import Fitting, Misuse, find_fitting
from cli.jobs.asked import Course, Job
from cli.jobs.errors import LedgerError
from cli.jobs.listing import LIST_NAME, Joint
from cli.jobs.settings import settings_of
from cli.jobs.store import Store, Waiting
from cli.jobs.text import visible
from cli.jobs.timing import taken_at
from cli.jobs.worker import Checked, Kind, Looked, Task
from cli.ledger import Filing, Ledger, Sight
from cli.lines import Lines, lines_beside

_BATCH = 1000


class Rows:
    """The catalog's rows by the names that the list uses."""

    def __init__(self, job: Job) -> None:
        self._job = job
        self._found: dict[str, Fitting | str] = {}
        if job.fitting:
            find_fitting(job.catalog, job.fitting)  # wrong for all: say it at once

    def get(self, name: str) -> Fitting | str:
        """The row, or the sentence that says why there is none."""
        if name not in self._found:
            try:
                self._found[name] = find_fitting(self._job.catalog, name)
            except Misuse as error:
                self._found[name] = visible(str(error))
        return self._found[name]

    def row(self, name: str) -> Fitting:
        """The row.  Raises UnknownFitting."""
        found = self.get(name)
        return find_fitting(self._job.catalog, name) if isinstance(found, str) else found

    def trouble(self, joint: Joint) -> str:
        """Why photos of this joint can't be checked, or ""."""
        if not joint.fitting:
            return f"The list names no fitting for it. Add it to {LIST_NAME}, or give --fitting for all."
        row = self.get(joint.fitting)
        return row if isinstance(row, str) else ""


class Keeper:
    """Puts answers where they belong: into this run and into the ledger.

    A ledger that fails (a full disk) is said once; the run goes on without it.
    """

    def __init__(self, job: Job, store: Store, ledger: Ledger | None, course: Course) -> None:
        self._job, self._store, self._ledger, self._course = job, store, ledger, course
        self._rows = Rows(job)
        self._settings: dict[tuple[str, Kind], tuple[str, str]] = {}
        self._first_check: int | None = None  # that this run made: later ones are no answers of earlier runs
        self._under_way: dict[int, tuple[Waiting, tuple[str, str]]] = {}  # with the settings they are checked under

    def recall(self) -> None:
        """Answer what the ledger has an answer for, of the files that have not changed since.

        Before that it is told of which joints the list names the sides: should the run end early, it knows that no
        photo of these makes one full by itself.
        """
        if self._ledger is None:
            return
        try:
            self._ledger.note_sides(self._job.site, self._store.told_sides())
            waiting = self._store.waiting()
            while batch := list(islice(waiting, _BATCH)):
                self._recall(self._ledger, batch)
        except LedgerError as error:
            self._lose(error)

    def _recall(self, ledger: Ledger, photos: list[Waiting]) -> None:
        with ledger.together():  # one transaction for many, but not so long that other jobs wait in vain
            for photo in photos:
                sha256 = ledger.hash_of(_sight(photo))
                if sha256:
                    self._known_now(ledger, photo, sha256)

    def recall_as(self, photo: Waiting, sha256: str) -> None:
        """Answer a photo whose bytes are known to have this hash, where the ledger has an answer for them."""
        if self._ledger:
            try:
                self._known_now(self._ledger, photo, sha256)
            except LedgerError as error:
                self._lose(error)

    def tasks(self) -> Iterator[Task]:
        """What is left to check, joint by joint."""
        job = self._job
        for photo in self._store.waiting():
            fitting = self._rows.row(photo.joint.fitting)
            try:
                lines = _lines_of(photo)
            except Misuse as error:
                self._store.fail(photo.id, visible(str(error)))
                continue
            keys = self._keys(photo, lines)
            known = self._hashes_known(photo, keys)
            self._under_way[photo.id] = photo, keys
            yield Task(photo.id, photo.path, photo.name, fitting, job.camera, job.confidence, job.unit, known,
                       job.version, job.inspector, photo.kind, lines)  # fmt: skip

    def _hashes_known(self, photo: Waiting, keys: tuple[str, str]) -> frozenset[str]:
        try:
            if self._ledger:
                return self._ledger.hashes_of_size(photo.size, keys)
        except LedgerError as error:
            self._lose(error)
        return frozenset()

    def done(self, task: Task, outcome: Checked | Exception) -> tuple[Joint, dict[str, Any] | None]:
        """Keep what came of a task; its joint, and the answer where there is one."""
        photo, keys = self._under_way.pop(task.key)
        if isinstance(outcome, Exception):
            outcome = Checked(task.key, error=f"The photo could not be checked: {outcome}", fault=True)
        if outcome.error:
            self._course.faults += outcome.fault
            self._store.fail(photo.id, visible(outcome.error))
            return photo.joint, None
        if outcome.looked is None:
            return photo.joint, self._recalled(photo, outcome.sha256, keys)
        return photo.joint, self._new(photo, outcome.looked, keys)

    def _new(self, photo: Waiting, looked: Looked, keys: tuple[str, str]) -> dict[str, Any]:
        check_id = None
        try:
            if self._ledger:
                check_id = self._ledger.record(
                    looked.answer, photo.size, keys,
                    self._filing(photo, looked.taken), taken=looked.taken, phash=looked.phash,
                    overlay=looked.overlay, sight=_sight(photo),
                )  # fmt: skip
                self._first_check = self._first_check or check_id
        except LedgerError as error:
            self._lose(error)
        self._store.answer(photo.id, looked.answer, looked.phash, looked.taken, check_id=check_id,
                           overlay=None if check_id else looked.overlay)  # fmt: skip
        return looked.answer

    def _recalled(self, photo: Waiting, sha256: str, keys: tuple[str, str]) -> dict[str, Any] | None:
        """The bytes were read and turned out to be known."""
        try:
            if self._ledger:
                self._ledger.saw(_sight(photo), sha256)
                return self._known(self._ledger, photo, sha256, keys)
        except LedgerError as error:
            self._lose(error)
        self._store.fail(photo.id, "Its answer lies in the ledger, which can't be used.")
        return None

    def _known_now(self, ledger: Ledger, photo: Waiting, sha256: str) -> dict[str, Any] | None:
        try:
            lines = _lines_of(photo)
        except Misuse:  # said when its turn comes
            return None
        return self._known(ledger, photo, sha256, self._keys(photo, lines))

    def _known(self, ledger: Ledger, photo: Waiting, sha256: str, keys: tuple[str, str]) -> dict[str, Any] | None:
        check_id = ledger.known(sha256, keys)
        if check_id is None:
            return None
        answer, phash, taken = ledger.answer(check_id)
        answer["photo"] = photo.name
        ledger.file(check_id, self._filing(photo, taken))
        now = self._first_check is not None and check_id >= self._first_check  # another photo of this run has its bytes
        self._store.answer(photo.id, answer, phash, taken, state="checked" if now else "known", check_id=check_id)
        return answer

    def _keys(self, photo: Waiting, lines: Lines | None) -> tuple[str, str]:
        asked, job = (photo.joint.fitting, photo.kind), self._job
        if not lines and asked in self._settings:
            return self._settings[asked]
        row = self._rows.get(photo.joint.fitting)
        keys = settings_of(row, job.camera, job.confidence, job.version, job.unit, photo.kind, lines)
        if not lines:
            self._settings[asked] = keys
        return keys

    def _filing(self, photo: Waiting, taken: str) -> Filing:
        joint, when = photo.joint, taken_at(taken)
        day = joint.date or (when.date().isoformat() if when else "")
        return Filing(
            self._job.site, joint.name, photo.name, day, joint.location, joint.installer, joint.machine
        )

    def _lose(self, error: LedgerError) -> None:
        self._ledger = None
        self._course.ledger_lost = True
        self._course.notices.append(
            f"{error} This run goes on without it; its checks will be made again next time."
        )


def _lines_of(photo: Waiting) -> Lines | None:
    """Those that a person placed on the photo of a joint.  Raises UnusableLines."""
    return lines_beside(photo.path) if photo.kind == "joint" else None


def _sight(photo: Waiting) -> Sight:
    return Sight(photo.path, photo.size, photo.mtime_ns, photo.ctime_ns)
