"""The one place where the job folder and the ledger are touched: one thing after the other, in one thread.

Everything is done by what `collargap job` does it with, so that it later finds the same joints, the same photos
and the same answers.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import uuid
from collections import Counter
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from calibration.fittings import Fitting, Misuse
from cli.files import whole_file
from cli.jobs.asked import Job
from cli.jobs.before import is_premark, joined
from cli.jobs.folder import Found, walk
from cli.jobs.judge import Judged
from cli.jobs.keeper import Rows
from cli.jobs.listing import LIST_NAME, Joint
from cli.jobs.store import Answered
from cli.jobs.worker import Checked, Task, read_photo
from cli.ledger import Ledger
from cli.lines import Lines, beside
from cli.phone import intake, names
from cli.phone.honest import honest
from cli.phone.judged_now import Survey
from cli.phone.landing import lies_there
from cli.phone.listfile import read_listing
from cli.phone.looking import Looking
from cli.phone.lying import as_it_lies, lay_of
from cli.phone.notes import Lay, Notes, Sent, now
from cli.phone.roll import Roll
from cli.phone.told import Claimed, Next, Told
from cli.phone.troubles import BadRequest, Busy, NotThere, Taken

_SHOWS: dict[names.Kind, str] = {"after": "made joint", "before": "marked pipe"}


class Desk:
    """A job folder with its list, notes and ledger.  Every method is called from the same thread."""

    def __init__(self, job: Job, ledger: Path) -> None:
        self.job = job
        self.top = Path(os.path.realpath(job.folder))
        self._ledger_path = ledger
        self.roll = Roll(job, self.top)
        self._taken_up: set[tuple[str, str, Lay | None]] = set()
        self._run, self._changes = uuid.uuid4().hex, 0
        self._answered: Counter[str] = Counter()  # how often a checklist was kept in this run, by joint

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
            self._survey = Survey(self.job, self._notes, self._ledger)
            self._looking = Looking(self.job, self.roll, self._notes, self._ledger)
            self.roll.begin()
        except (OSError, sqlite3.Error) as error:
            raise Misuse(f"The job folder {self.job.folder} can't be written to ({error}). Name another folder, or "
                         "correct its permissions.") from error

    def close(self) -> None:
        """Close notes and ledger."""
        self._notes.close()
        self._ledger.close()

    # --- joints ----------------------------------------------------------------------------------------------

    @honest
    def next_name(self) -> str:
        """The number that a new joint is offered."""
        return self.roll.next_name()

    @honest
    def next_joint(self, after: str = "") -> Next:
        """The next joint of the list without a photo, after this one and then from the list's beginning.

        Where there is none, the number that a new joint is offered.  One that a phone added is passed over: whoever
        has that phone stands before it.
        """
        joints, begun = self._survey.joints(), self._notes.begun()
        at = next((place for place, each in enumerate(joints, 1) if each.joint.name == after), 0)
        for each in (*joints[at:], *joints[:max(at - 1, 0)]):
            if each.word == "not photographed" and each.joint.name not in begun:
                return Next(each.joint.name, listed=True)
        return Next(self.roll.next_name(), listed=False)

    @honest
    def claim(self, token: str, name: str, offered: bool, fitting: str) -> Claimed:
        """Give a phone the joint that it asks for; the same token always gets the same joint.

        offered: the name was offered as the next number; where another phone was faster, the number after it is
        given.  A name that a person wrote is that joint, also when it has photos already.
        """
        joint, new = self._notes.claimed(token), False
        if joint is None:
            joint, new = self.roll.given(name, offered, fitting)
            if new:
                self._notes.begin(joint)
                self._changed()
            self._notes.claim(token, joint)
        row = self.roll.joint(joint)
        return Claimed(row.name, row.fitting, self._count(row.name), new)

    @honest
    def size_of(self, joint: str) -> Fitting | str:
        """The catalog's row of a joint, or the sentence that says why there is none."""
        row = self.roll.joint(joint)
        rows = Rows(self.job)
        return rows.trouble(row) or rows.row(row.fitting)

    def _count(self, joint: str) -> int:
        found = self._survey.joint(joint)
        return found.count if found else 0

    @honest
    def survey(self) -> list[Judged]:
        """Every joint as `collargap job` would judge it now, without looking at any photo."""
        return self._survey.joints()

    def _changed(self) -> None:
        self._changes += 1
        self._survey.changed()

    # --- photos ----------------------------------------------------------------------------------------------

    @honest
    def known(self, photo_id: str, joint: str, sha256: str, kind: names.Kind = "after") -> Sent | None:
        """The photo that this one is, if it has come before."""
        sent = self._notes.sent(photo_id)
        if sent and (sent.sha256, sent.joint) != (sha256, self.roll.joint(joint).name):
            raise Taken("Another photo was sent under this one's number. Take the photo again.")
        sent = sent or self._notes.same(self.roll.joint(joint).name, sha256)
        if sent and sent.kind != kind:
            raise Taken(f"This very photo is in the job already, as one of the {_SHOWS[sent.kind]}. Take one of the "
                        f"{_SHOWS[kind]}.")
        return sent

    @honest
    def keep(self, photo_id: str, joint: str, incoming: intake.Incoming, kind: names.Kind = "after") -> Sent:
        """Put a whole photo into the job under a name of its own; sent twice, it is there once."""
        sent = self.known(photo_id, joint, incoming.sha256, kind)
        if sent is None:
            row = self.roll.joint(joint)
            name = self._free_name(row, incoming.suffix, kind)
            sent = Sent(photo_id, row.name, name, incoming.sha256, kind, now())
            self._notes.add(sent)
        while not lies_there(self.top / sent.name, incoming):
            sent = replace(sent, name=self._free_name(self.roll.joint(joint), incoming.suffix, kind))
            self._notes.rename(sent.id, sent.name)  # something else took the name since it was noted
        if (lay := lay_of(self.top / sent.name)) is not None:
            self._notes.lie(sent.id, incoming.sha256, lay)
        if sent.state in ("failed", "gone"):  # perhaps for want of its file, which is there only now
            self.again(sent.id)
        self._changed()
        return self._followed(self._sent(sent.id))

    def _free_name(self, joint: Joint, suffix: str, kind: names.Kind) -> str:
        first = len(self._notes.of_kind(joint.name, kind)) + 1
        return self.roll.free_name(joint, first, suffix, kind, self._notes.named)

    @honest
    def photo(self, photo_id: str) -> Told:
        """A photo and its answer.  Raises NotThere."""
        return self._told(self._followed(self._sent(photo_id)))

    def _sent(self, photo_id: str) -> Sent:
        sent = self._notes.sent(photo_id)
        if sent is None:
            raise NotThere("There is no such photo in this job. Go back to the joint, and take it again.")
        return self._now(sent)

    def _now(self, sent: Sent) -> Sent:
        """The photo by what its file is now."""
        lies = as_it_lies(self.top, self._notes, sent)
        if lies != sent:
            self._changed()
        return lies

    def _followed(self, sent: Sent) -> Sent:
        """The photo, to be looked at anew where `collargap job` has no answer for it any more, or reads it otherwise.

        So it is when the list, written in since, names another size, or calls a joint's photo a marked pipe's.
        """
        found = self._survey.photo(sent.joint, sent.name) if sent.state in ("checked", "failed") else None
        if found is None:
            return sent
        kind = _shown(found)
        if kind != sent.kind:
            self._notes.turn(sent.id, kind)
        elif sent.state == "checked" and found.state == "waiting":
            self._notes.settle(sent.id, "kept")
        else:
            return sent
        self._changed()
        return self._notes.sent(sent.id) or sent

    def _told(self, sent: Sent) -> Told:
        answer = self._ledger.answer(sent.check_id)[0] if sent.check_id is not None else None
        alone = str(answer["verdict"]) if answer else ""
        before = self._survey.before(sent.joint) if answer and sent.state == "checked" else None
        if answer and before and before.answer and not is_premark(answer):
            answer = joined(answer, before.answer, self.job.confidence)
        name, views = sent.name, [each.id for each in self._notes.of_kind(sent.joint, sent.kind)
                                  if each.state != "gone" or each.id == sent.id]
        joint = self._survey.joint(sent.joint) if answer and sent.state == "checked" else None
        return Told(sent, answer, os.path.lexists(beside(self.top / name)), views.index(sent.id) + 1, len(views),
                    counts=before is not None and before.name == name and bool(answer and answer["depth"]),
                    made=sent.kind == "before" and self._survey.measured(sent.joint), alone=alone,
                    joint_word=joint.word if joint else "", apart=joint.is_apart if joint else False)

    @honest
    def path(self, photo_id: str) -> str:
        """Where the photo lies."""
        return str(self.top / self._sent(photo_id).name)

    @honest
    def overlay(self, photo_id: str) -> bytes:
        """The picture with the reading drawn in, or b"" where there is none."""
        sent = self._sent(photo_id)
        return self._ledger.overlay(sent.check_id) if sent.check_id is not None else b""

    @honest
    def photos_of(self, joint: str) -> list[Told]:
        """The photos of a joint, the newest first; also those that came into the folder another way."""
        row = self.roll.joint(joint)
        for sent in self._notes.of_joint(row.name):
            self._now(sent)
        if found := self._survey.joint(row.name):
            self._adopt(row.name, found)
        followed = [self._followed(sent) for sent in self._notes.of_joint(row.name)]
        return [self._told(sent) for sent in followed]

    @honest
    def page_of(self, joint: str) -> tuple[list[Told], str]:
        """The photos of a joint, and the mark of what they tell."""
        return self.photos_of(joint), self.mark(joint)

    @honest
    def mark(self, joint: str = "") -> str:
        """A mark that changes with what is told of a joint, or of all of them, without looking at any photo."""
        told: list[object] = [self._run, lay_of(self.top / LIST_NAME)]
        if joint:
            name = self.roll.joint(joint).name
            photos = self._notes.of_joint(name)
            told += [self._answered[name], photos, [lay_of(self.top / each.name) for each in photos]]
        else:
            told += [self._changes, lay_of(self.top)]
        return hashlib.sha256(repr(told).encode()).hexdigest()[:16]

    def _adopt(self, joint: str, found: Judged) -> None:
        """Note the photos that came another way; one that only got another name stays what it was."""
        for photo in sorted(found.photos, key=lambda photo: photo.name):
            if self._notes.named(photo.name) is None:
                with suppress(OSError):  # one that can't be read is told by the job's own report
                    self._note(joint, photo)

    def _note(self, joint: str, photo: Answered) -> None:
        path = self.top / photo.name
        if (lay := lay_of(path)) is None:
            return
        sha256 = hashlib.sha256(read_photo(str(path))).hexdigest()
        same = self._notes.same(joint, sha256)
        if same and same.state == "gone":
            self._notes.rename(same.id, photo.name)
            self._now(replace(same, name=photo.name))
        else:
            sent = Sent(str(uuid.uuid4()), joint, photo.name, sha256, _shown(photo), now())
            self._notes.add(sent)
            self._notes.lie(sent.id, sha256, lay)

    @honest
    def waiting(self) -> list[str]:
        """Photos that nobody has looked at yet."""
        return [sent.id for sent in self._notes.waiting()]

    @honest
    def unseen(self) -> list[tuple[str, Answered]]:
        """Photos for which `collargap job` would have no answer yet, with their joints; each is named once a run."""
        found = [(each.joint.name, photo) for each in self._survey.joints() for photo in each.photos
                 if photo.state == "waiting"]
        fresh = [(joint, photo) for joint, photo in found
                 if (joint, photo.name, lay_of(self.top / photo.name)) not in self._taken_up]
        self._taken_up |= {(joint, photo.name, lay_of(self.top / photo.name)) for joint, photo in fresh}
        return fresh

    @honest
    def take_up(self, joint: str, photo: Answered) -> str | None:
        """The number of a photo that is to be looked at though nobody opened it; None where it is not."""
        if self._notes.named(photo.name) is None:
            self._note(joint, photo)
        sent = self._notes.named(photo.name)
        sent = self._now(sent) if sent and sent.joint == joint else None
        if sent is None or sent.state not in ("kept", "checked"):
            return None
        self._notes.settle(sent.id, "kept")
        return sent.id

    # --- looking at one --------------------------------------------------------------------------------------

    @honest
    def begin(self, photo_id: str) -> Task | None:
        """What has to be looked at; None where the ledger knows the answer, or there can be none."""
        sent = self._sent(photo_id)
        task = None if sent.state == "gone" else self._looking.begin(sent)
        if task is None:
            self._changed()
        return task

    @honest
    def finish(self, photo_id: str, task: Task, outcome: Checked | Exception) -> None:
        """Keep what came of it."""
        self._looking.finish(photo_id, task, outcome)
        self._changed()

    @honest
    def fail(self, photo_id: str, why: str) -> None:
        """Note that a photo could not be looked at."""
        self._looking.fail(photo_id, why)
        self._changed()

    @honest
    def again(self, photo_id: str) -> None:
        """Let a photo be looked at once more."""
        sent = self._sent(photo_id)
        self._notes.settle(photo_id, "kept", check_id=sent.check_id)

    # --- what people say -------------------------------------------------------------------------------------

    @honest
    def of_joint_itself(self, photo_id: str) -> Sent:
        """A photo of a made joint.  Raises BadRequest for one of a marked pipe: it has other edges."""
        sent = self._sent(photo_id)
        if sent.state == "gone":
            raise NotThere(f"{sent.error} Put it back, or take the photo again.")
        if sent.kind != "after":
            raise BadRequest("Lines are placed on photos of the made joint. Take the photo of the marked pipe again, "
                             "with the cut end and the mark in the middle.")
        return sent

    @honest
    def place(self, photo_id: str, lines: Lines) -> None:
        """Lay a person's lines beside the photo; it is then to be looked at again."""
        sent = self.of_joint_itself(photo_id)
        fitted = lines.model_copy(update={"sha256": sent.sha256, "placed_at": now()})
        with whole_file(Path(beside(self.top / sent.name))) as file:
            json.dump(fitted.model_dump(mode="json"), file, indent=1)
        self.again(photo_id)
        self._changed()

    @honest
    def unplace(self, photo_id: str) -> None:
        """Take the lines away again; what was read with them stays in the ledger."""
        Path(beside(self.top / self._sent(photo_id).name)).unlink(missing_ok=True)
        self.again(photo_id)
        self._changed()

    @honest
    def checklist(self, joint: str) -> dict[str, str]:
        """The last answers for a joint."""
        return self._ledger.checklists(self.job.site).get(self.roll.joint(joint).name, {})

    @honest
    def note_checklist(self, joint: str, answers: dict[str, str]) -> None:
        """Keep an installer's answers for a joint beside those to other questions; the same again change nothing."""
        name = self.roll.joint(joint).name
        known = self._ledger.checklists(self.job.site).get(name, {})
        if known | answers != known:
            self._ledger.note_checklist(self.job.site, name, known | answers)
            self._answered[name] += 1


def _shown(photo: Answered) -> names.Kind:
    """What a photo shows, as `collargap job` reads it."""
    return "before" if photo.kind == "premark" else "after"
