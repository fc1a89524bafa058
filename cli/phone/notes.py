"""What the page must remember of a job folder: which joint a phone was given, which photo it has sent.

A small SQLite file in the folder's hidden part.  A photo's name is noted before its file appears under it, so
that a retry after any break finds the same name again and nothing comes twice.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from cli.phone.names import Kind

State = Literal["kept", "checked", "failed", "gone"]
Lay = tuple[int, int, int]  # a file's size in bytes, and when its content and its entry changed, ns since 1970

_TABLES = """
CREATE TABLE IF NOT EXISTS claim (token TEXT PRIMARY KEY, joint TEXT NOT NULL, made TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS begun (joint TEXT PRIMARY KEY);
CREATE TABLE IF NOT EXISTS photo (
    id TEXT PRIMARY KEY, joint TEXT NOT NULL, name TEXT NOT NULL UNIQUE, sha256 TEXT NOT NULL, kind TEXT NOT NULL,
    made TEXT NOT NULL, state TEXT NOT NULL, error TEXT NOT NULL, check_id INTEGER);
CREATE INDEX IF NOT EXISTS photo_joint ON photo (joint);
CREATE TABLE IF NOT EXISTS lay (id TEXT PRIMARY KEY, size INTEGER, mtime_ns INTEGER, ctime_ns INTEGER);
"""


@dataclass(frozen=True)
class Sent:
    """A photo that a phone has sent.  `id` is the phone's own; `name` its file in the job folder.

    state: kept (not looked at yet), checked (`check_id` names the ledger's check), failed (`error` says why), gone
    (its file is).  lay: how the file lay when it had these bytes; None where nobody noted that.
    """

    id: str
    joint: str
    name: str
    sha256: str
    kind: Kind
    made: str
    state: State = "kept"
    error: str = ""
    check_id: int | None = None
    lay: Lay | None = None


class Notes:
    """Open notes.  Used by one thread."""

    def __init__(self, path: Path) -> None:
        """Raises sqlite3.Error or OSError where the folder can't be written to."""
        path.parent.mkdir(parents=True, exist_ok=True)
        self._db = sqlite3.connect(path, isolation_level=None, timeout=10)
        self._db.execute("PRAGMA synchronous = FULL")
        self._db.executescript(_TABLES)

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def claimed(self, token: str) -> str | None:
        """The joint that was given for this token, if any."""
        row = self._db.execute("SELECT joint FROM claim WHERE token = ?", (token,)).fetchone()
        return row[0] if row else None

    def claim(self, token: str, joint: str) -> None:
        """Note which joint a token was given."""
        self._db.execute("INSERT OR IGNORE INTO claim VALUES (?,?,?)", (token, joint, now()))

    def begin(self, joint: str) -> None:
        """Note that a phone added this joint to the list."""
        self._db.execute("INSERT OR IGNORE INTO begun VALUES (?)", (joint,))

    def begun(self) -> set[str]:
        """The joints that phones added to the list."""
        return {joint for (joint,) in self._db.execute("SELECT joint FROM begun")}

    def sent(self, photo_id: str) -> Sent | None:
        """The photo that a phone calls so."""
        return next(self._photos("id = ?", photo_id), None)

    def same(self, joint: str, sha256: str) -> Sent | None:
        """A photo of the joint with these very bytes."""
        return next(self._photos("joint = ? AND sha256 = ?", joint, sha256), None)

    def of_kind(self, joint: str, kind: Kind) -> list[Sent]:
        """The photos of a joint that show this of it, the oldest first."""
        return list(self._photos("joint = ? AND kind = ?", joint, kind))

    def of_joint(self, joint: str) -> list[Sent]:
        """All photos of a joint, the newest first."""
        return list(self._photos("joint = ?", joint))[::-1]

    def waiting(self) -> list[Sent]:
        """Photos that nobody has looked at yet, the oldest first."""
        return list(self._photos("state = 'kept'"))

    def all(self) -> list[Sent]:
        """Every photo, the oldest first."""
        return list(self._photos("1"))

    def add(self, photo: Sent) -> None:
        """Note a photo.  Raises sqlite3.IntegrityError where its id or its name is noted already."""
        self._db.execute(
            "INSERT INTO photo VALUES (?,?,?,?,?,?,?,?,?)",
            (photo.id, photo.joint, photo.name, photo.sha256, photo.kind, photo.made, photo.state, photo.error,
             photo.check_id),
        )  # fmt: skip

    def lie(self, photo_id: str, sha256: str, lay: Lay) -> None:
        """Note which bytes a photo's file has, and how it lies."""
        self._db.execute("UPDATE photo SET sha256 = ? WHERE id = ?", (sha256, photo_id))
        self._db.execute("INSERT OR REPLACE INTO lay VALUES (?,?,?,?)", (photo_id, *lay))

    def named(self, name: str) -> Sent | None:
        """The photo that has this file name."""
        return next(self._photos("name = ?", name), None)

    def rename(self, photo_id: str, name: str) -> None:
        """Note another file name for a photo."""
        self._db.execute("UPDATE photo SET name = ? WHERE id = ?", (name, photo_id))

    def turn(self, photo_id: str, kind: Kind) -> None:
        """Note that a photo shows something else than was thought; nobody has looked at it as such yet."""
        self._db.execute("UPDATE photo SET kind = ?, state = 'kept', error = '', check_id = NULL WHERE id = ?",
                         (kind, photo_id))

    def settle(self, photo_id: str, state: State, error: str = "", check_id: int | None = None) -> None:
        """Note what came of a photo."""
        self._db.execute("UPDATE photo SET state = ?, error = ?, check_id = ? WHERE id = ?",
                         (state, error, check_id, photo_id))  # fmt: skip

    def _photos(self, where: str, *values: str) -> Iterator[Sent]:
        columns = "id, joint, name, sha256, kind, made, state, error, check_id, size, mtime_ns, ctime_ns"
        query = f"SELECT {columns} FROM photo LEFT JOIN lay USING (id) WHERE {where} ORDER BY photo.rowid"
        for *facts, size, mtime_ns, ctime_ns in self._db.execute(query, values).fetchall():
            lay = None if size is None else (size, mtime_ns, ctime_ns)
            yield replace(Sent(*facts), lay=lay)


def now() -> str:
    """UTC, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")
