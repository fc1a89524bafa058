"""A job from its folder to its answers: plan, recall what is known, check the rest.

The table of contents of a job.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from cli.jobs.asked import Course, Job
from cli.jobs.bynames import lying_apart, told_apart, told_together
from cli.jobs.engine import Engine, stream
from cli.jobs.errors import EngineError, JobError
from cli.jobs.folder import Skipped, list_in, photos_in, shown, walk
from cli.jobs.keeper import Keeper, Rows
from cli.jobs.listing import LIST_NAME, Joint, Listing, read_list
from cli.jobs.matching import Matcher
from cli.jobs.store import Store
from cli.jobs.text import name_of, visible
from cli.jobs.together import combine_all
from cli.jobs.worker import Kind, check, read_photo
from cli.ledger import Ledger

_MOST_TOLD = 20


class Watcher(Protocol):
    """Someone who wants to see how far the job is."""

    def begin(self, photos: int) -> None:
        """So many photos have to be checked."""

    def photo(self, joint: Joint, answer: dict[str, Any] | None, joint_done: bool) -> None:
        """A photo is done; `answer` is None where it could not be checked."""


def run(
    job: Job, store: Store, ledger: Ledger | None, engine: Callable[[], Engine], watcher: Watcher
) -> Course:
    """Check the folder; every answer is in `store` and `ledger` as soon as it is there.

    engine: makes the engine, only where something is left to check.
    Ctrl-C ends the run and keeps what is done.
    Raises JobError where there is nothing to do or the list can't be used.
    """
    course = Course()
    plan(job, store, course)
    keeper = Keeper(job, store, ledger, course)
    try:
        keeper.recall()
        left = store.count()
        watcher.begin(left)
        if left:
            _check_all(engine(), keeper, store, watcher)
        combine_all(job, store, engine, course)
    except KeyboardInterrupt:
        course.interrupted = True
    except EngineError as error:
        course.engine_gone = True
        course.notices.append(str(error))
    if course.faults:
        course.notices.append(
            f"The program failed on {course.faults} photo{'' if course.faults == 1 else 's'}: "
            "a fault of collargap, not of the photo. Please report it."
        )
    return course


def _check_all(engine: Engine, keeper: Keeper, store: Store, watcher: Watcher) -> None:
    open_photos: dict[str, int] = {}  # of joints that are under way
    for task, outcome in stream(engine, check, keeper.tasks()):
        joint, answer = keeper.done(task, outcome)
        if joint.name not in open_photos:
            open_photos[joint.name] = store.waiting_of(joint.name) + 1
        open_photos[joint.name] -= 1
        done = open_photos[joint.name] == 0
        if done:
            del open_photos[joint.name]
        watcher.photo(joint, answer, done)


def plan(job: Job, store: Store, course: Course) -> None:
    """Put every joint and every photo down.  Raises JobError where that leaves nothing to do."""
    if not job.folder.is_dir():
        raise JobError(
            f"There is no folder {visible(str(job.folder))}. Name the folder with the job's photos."
        )
    listing = _listing(job, course)
    if listing is None and not job.fitting:
        raise JobError(
            f"The folder has no {LIST_NAME}, so the fitting isn't known. Name one for all with --fitting, "
            f"or write a {LIST_NAME} with the columns joint and fitting."
        )
    rows = Rows(job)
    for joint in listing.joints if listing else ():
        store.add_joint(joint, rows.trouble(joint))
    apart = lying_apart(photos_in(job.folder)) if listing is None else {}
    course.notices += told_apart(apart)
    matcher = Matcher(listing, job.fitting, apart)
    for thing in walk(job.folder):
        if isinstance(thing, Skipped):
            store.add_stray(shown(thing), thing.why)
            continue
        name = name_of(thing.relative)
        joints = matcher.joints(name)
        for joint in joints:
            trouble = rows.trouble(joint)
            kind: Kind = "premark" if matcher.marked(name) else "joint"
            store.add_photo(store.add_joint(joint, trouble), thing, trouble, kind)
        if not joints:
            store.add_stray(shown(thing), f"It belongs to no joint of {LIST_NAME}.")
    if listing is None and not store.count(None):
        raise JobError(
            f"There are no photos in {visible(str(job.folder))} and no {LIST_NAME}; nothing to do."
        )
    course.notices += told_together(store, course.listed)


def _listing(job: Job, course: Course) -> Listing | None:
    path = list_in(job.folder)
    if path is None:
        return None
    try:
        data = read_photo(str(path))
    except OSError as error:
        raise JobError(f"{LIST_NAME} could not be read: {error.strerror or error}.") from error
    listing = read_list(data, job.fitting)
    course.listed = True
    course.notices += listing.problems[:_MOST_TOLD]
    if len(listing.problems) > _MOST_TOLD:
        course.notices.append(f"{LIST_NAME} has {len(listing.problems) - _MOST_TOLD} more rows of that kind.")
    return listing
