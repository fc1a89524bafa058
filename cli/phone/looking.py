"""One photo's look: what has to be done, and what came of it, kept as `collargap job` keeps it."""

from __future__ import annotations

import os
from pathlib import Path

from cli.jobs.asked import Course, Job
from cli.jobs.folder import Found
from cli.jobs.keeper import Keeper, Rows
from cli.jobs.listing import LIST_NAME, Joint
from cli.jobs.store import Store
from cli.jobs.worker import Checked, Kind, Task
from cli.ledger import Ledger
from cli.phone.notes import Notes, Sent
from cli.phone.roll import Roll
from cli.phone.troubles import NotThere


class Looking:
    """The looks that are under way, by the photos' numbers."""

    def __init__(self, job: Job, roll: Roll, notes: Notes, ledger: Ledger) -> None:
        self._job, self._roll, self._notes, self._ledger = job, roll, notes, ledger
        self._under_way: dict[str, tuple[Store, Keeper]] = {}

    def begin(self, sent: Sent) -> Task | None:
        """What has to be looked at; None where the ledger knew the answer, or there can be none: that is noted.

        What it raises is to be noted by `fail`.
        """
        joint, found = self._joint_of(sent), _found(self._roll.top, sent)
        trouble = Rows(self._job).trouble(joint)
        kind: Kind = "premark" if self._roll.shows(sent.name) == "before" else "joint"  # as the job will see it
        store = Store()
        keeper = Keeper(self._job, store, self._ledger, Course())
        self._under_way[sent.id] = store, keeper
        store.add_photo(store.add_joint(joint, trouble), found, trouble, kind)
        keeper.recall()
        task = next(keeper.tasks(), None)
        if task is None:
            self._conclude(sent.id)
        return task

    def _joint_of(self, sent: Sent) -> Joint:
        try:
            return self._roll.joint(sent.joint)
        except NotThere as error:
            raise NotThere(f'{LIST_NAME} has no joint "{sent.joint}" any more. Put it back into the list, and check '
                           "the photo again.") from error

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

    def fail(self, photo_id: str, why: str) -> None:
        """Note that a photo could not be looked at, whether or not its look had begun: else it waits for ever."""
        if under_way := self._under_way.pop(photo_id, None):
            under_way[0].close()
        self._notes.settle(photo_id, "failed", why)


def _found(top: Path, sent: Sent) -> Found:
    """The file as `collargap job` will see it.  Raises NotThere where it is gone."""
    path = os.path.join(top, *sent.name.split("/"))
    try:
        facts = os.stat(path, follow_symlinks=False)
    except FileNotFoundError as error:
        raise NotThere(f"The file {sent.name} is not in the job folder any more. Put it back and check it again, or "
                       "take the photo again.") from error
    return Found(path, sent.name, facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns)
