"""A photo's file as it lies in the job folder now, against what was noted of it: people work in that folder too."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from cli.jobs.text import visible
from cli.jobs.worker import read_photo
from cli.phone.notes import Lay, Notes, Sent


def lay_of(path: Path) -> Lay | None:
    """How a file lies; None where there is none."""
    try:
        facts = os.stat(path, follow_symlinks=False)
    except (FileNotFoundError, NotADirectoryError):
        return None
    return facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns


def as_it_lies(top: Path, notes: Notes, sent: Sent) -> Sent:
    """The photo by what its file is now: gone, back again, or other bytes, which nobody has looked at."""
    lay = lay_of(top / sent.name)
    if lay is None and sent.state != "gone":
        notes.settle(sent.id, "gone", f"The file {visible(sent.name)} is not in the job folder any more.")
    elif lay is not None and (lay != sent.lay or sent.state == "gone"):
        _renew(top, notes, sent, lay)
    else:
        return sent
    return notes.sent(sent.id) or sent


def _renew(top: Path, notes: Notes, sent: Sent, lay: Lay) -> None:
    try:
        sha256 = hashlib.sha256(read_photo(str(top / sent.name))).hexdigest()
    except OSError as error:
        notes.lie(sent.id, sent.sha256, lay)
        notes.settle(sent.id, "failed", f"The file {visible(sent.name)} could not be read ({error.strerror or error}).")
        return
    notes.lie(sent.id, sha256, lay)
    if sha256 != sent.sha256 or sent.state == "gone":
        notes.settle(sent.id, "kept")
