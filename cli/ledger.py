"""The ledger: every check that was ever made, in one SQLite file.  Rows are only ever added.

* `check`: one inspection of one photo's bytes under one set of settings, with its answer.
* `overlay`: the picture of that inspection.
* `filing`: that a check counts for a joint of a site; a check may be filed more than once.
* `judgement`: the word that a job had for a joint, by all its photos and all that is known across joints.
* `all_round`: what all photos of a joint said together in a job, where the list named their sides.
* `sides`: from which sides a joint's photos were taken, by its list; the last word counts, "" where it has none.
* `checklist`: what an installer answered for a joint; the last answers count, the earlier ones are kept.
* `sight`: a file as it lay on disk and the hash its bytes had, so that unchanged files need not be read
again.

A check is there or it isn't: each is one transaction, written through to the disk.  Triggers refuse every
UPDATE, DELETE and REPLACE.  `PRAGMA user_version` counts the migrations that the file has seen.
"""

from __future__ import annotations

import json
import os
import sqlite3
import time
from collections import defaultdict
from collections.abc import Container, Iterator, Sequence, Set
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from cli.files import NO_ROOM
from cli.jobs.errors import LedgerError
from cli.jobs.schema import MIGRATIONS
from cli.jobs.store import gap_mm

_RACY_NS = 2_000_000_000
_NO_TIME = -1  # no file has it, so that its bytes are read again
_PATIENCE_S = 30

# Where neither the list nor the photo has a day: that on which it was checked, by the local clock as the photo's is.
_DAY = "coalesce(nullif(f.day, ''), date(c.made, 'localtime'))"


def default_path() -> Path:
    """Where the ledger lies unless told otherwise: $COLLARGAP_LEDGER, else the user's data folder."""
    if named := os.environ.get("COLLARGAP_LEDGER"):
        return Path(named)
    home = (
        os.environ.get("XDG_DATA_HOME") or os.environ.get("LOCALAPPDATA") or Path.home() / ".local" / "share"
    )
    return Path(home) / "collargap" / "ledger.sqlite"


@dataclass(frozen=True)
class Filing:
    """For which joint a check counts.  `day`: ISO date of the work, as well as it is known."""

    site: str
    joint: str
    photo: str
    day: str = ""
    location: str = ""
    installer: str = ""
    machine: str = ""


@dataclass(frozen=True)
class Filed:
    """That a photo with these bytes was filed for a joint of a site, under this name."""

    sha256: str
    site: str
    joint: str
    photo: str


@dataclass(frozen=True)
class Pictured:
    """A photo that was filed for a joint, by the hash of its bytes and that of its picture, b"" where it has none."""

    joint: str
    sha256: str
    phash: bytes


@dataclass(frozen=True)
class Sight:
    """A file as it lies on disk: size in bytes, times in nanoseconds since 1970."""

    path: str
    size: int
    mtime_ns: int
    ctime_ns: int

    @property
    def row(self) -> tuple[bytes, int, int, int]:
        """As the ledger keeps it; a path is bytes, because it need not be text."""
        return os.fsencode(self.path), self.size, self.mtime_ns, self.ctime_ns


@dataclass(frozen=True)
class Entry:
    """A check as it is filed, with its answer.  `made`, `filed`: when, UTC, ISO.  `confidence`: of its intervals."""

    check_id: int
    made: str
    filing: Filing
    verdict: str
    taken: str
    phash: bytes
    answer: dict[str, Any]
    confidence: float
    filed: str


class Ledger:
    """An open ledger.  Not shared between threads; other processes may write to the same file meanwhile."""

    def __init__(self, path: Path, migrations: Sequence[Sequence[str]] = MIGRATIONS) -> None:
        """Open the file, make it if there is none, and bring it to the newest form.

        Raises LedgerError when that can't be done, or when a newer collargap wrote it.
        """
        self.path = path
        with _told(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            self._db = sqlite3.connect(path, timeout=_PATIENCE_S, isolation_level=None)
            try:
                self._ahead()
                self._db.execute("PRAGMA synchronous = FULL")
                self._db.execute("PRAGMA foreign_keys = ON")
                self._db.create_function("folded", 1, str.casefold, deterministic=True)  # lower() knows ASCII alone
                self._migrate(migrations)
            except BaseException:
                self._db.close()
                raise

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def version(self) -> int:
        """How many migrations the file has seen."""
        return int(self._db.execute("PRAGMA user_version").fetchone()[0])

    def _ahead(self) -> None:
        """Switch to write-ahead logging.  SQLite waits for other processes everywhere but here."""
        patience = time.monotonic() + _PATIENCE_S
        while True:
            try:
                self._db.execute("PRAGMA journal_mode = WAL")
                return
            except sqlite3.OperationalError as error:
                if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > patience:
                    raise
                time.sleep(0.02)

    def _migrate(self, migrations: Sequence[Sequence[str]]) -> None:
        while (seen := self.version) != len(migrations):
            if seen > len(migrations):
                raise LedgerError(
                    f"The ledger {self.path} was written by a newer collargap; update this one."
                )
            with self._whole():
                if self.version == seen:  # another process may have been faster
                    for statement in migrations[seen]:
                        self._db.execute(statement)
                    self._db.execute(f"PRAGMA user_version = {seen + 1}")

    @contextmanager
    def _whole(self) -> Iterator[None]:
        """A transaction: all of it is kept, or nothing."""
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")

    @contextmanager
    def together(self) -> Iterator[None]:
        """Many filings and sights in one transaction.  Not for checks: each of them is kept at once."""
        with _told(self.path), self._whole():
            yield

    def record(
        self, answer: dict[str, Any], size: int, settings: tuple[str, str], filing: Filing, *,
        taken: str = "", phash: bytes = b"", overlay: bytes = b"", sight: Sight | None = None,
    ) -> int:  # fmt: skip
        """Keep a check, its overlay, its filing and the file it came from, all or nothing; return its number.

        answer: the JSON object of `collargap check`.  size: of the photo's file, bytes.
        """
        key, told = settings
        with _told(self.path), self._whole():
            made = self._db.execute(
                'INSERT INTO "check" (made, sha256, size, settings, settings_json, version, fitting, '
                'verdict, gap_mm,'
                " taken, phash, answer) VALUES (?,?,?,?,?,?,?,?,?,?,?,?)",
                (_now(), answer["sha256"], size, key, told, answer["version"], answer["fitting"],
                 answer["verdict"], gap_mm(answer), taken, phash, json.dumps(answer)),
            )  # fmt: skip
            check_id = int(made.lastrowid or 0)
            if overlay:
                self._db.execute("INSERT INTO overlay VALUES (?, ?)", (check_id, overlay))
            self.file(check_id, filing)
            if sight:
                self.saw(sight, answer["sha256"])
        return check_id

    def file(self, check_id: int, filing: Filing) -> None:
        """Say that a check counts for a joint.  Saying it again changes nothing."""
        with _told(self.path):
            self._db.execute(
                "INSERT OR IGNORE INTO filing"
                " (check_id, made, site, joint, photo, day, location, installer, machine)"
                " VALUES (?,?,?,?,?,?,?,?,?)",
                (check_id, _now(), filing.site, filing.joint, filing.photo, filing.day, filing.location,
                 filing.installer, filing.machine),
            )  # fmt: skip

    def joints_resting_on(self, hashes: Set[str], site: str) -> set[str]:
        """Joints of a site all of whose photos have these hashes, by the last check of each."""
        photos: dict[str, set[str]] = defaultdict(set)
        for photo in self.pictured(site):
            photos[photo.joint].add(photo.sha256)
        return {joint for joint, own in photos.items() if own <= hashes}

    def judge(self, site: str, joint: str, word: str) -> None:
        """Keep a job's word for a joint."""
        with _told(self.path):
            self._db.execute(
                "INSERT INTO judgement (made, site, joint, word) VALUES (?,?,?,?)", (_now(), site, joint, word))

    def keep_all_round(self, site: str, joint: str, answer: dict[str, Any]) -> None:
        """Keep what a joint's photos said together, with the answers that they had there."""
        with _told(self.path):
            self._db.execute("INSERT INTO all_round (made, site, joint, answer) VALUES (?,?,?,?)",
                             (_now(), site, joint, json.dumps(answer)))

    def all_round(self, site: str, joint: str) -> tuple[str, dict[str, Any]] | None:
        """When they last did, and what; None where no job put them together."""
        query = "SELECT made, answer FROM all_round WHERE joint = ? AND site = ? ORDER BY id DESC LIMIT 1"
        row = self._one(query, joint, site)
        return (row[0], json.loads(row[1])) if row else None

    def filed(self, hashes: Container[str]) -> Iterator[Filed]:
        """Where photos with these hashes were filed, once a site and joint, the first first."""
        query = ("SELECT min(f.id), c.sha256, f.site, f.joint, f.photo"
                 ' FROM filing f JOIN "check" c ON c.id = f.check_id'
                 " GROUP BY c.sha256, f.site, f.joint ORDER BY 1")
        with _told(self.path):
            for _, sha256, *where in self._db.execute(query):
                if sha256 in hashes:
                    yield Filed(sha256, *where)

    def pictured(self, site: str) -> list[Pictured]:
        """Every photo of a site, by its last check."""
        query = ('SELECT f.joint, c.sha256, c.phash, max(c.id) FROM filing f JOIN "check" c ON c.id = f.check_id'
                 " WHERE f.site = ? GROUP BY f.joint, f.photo")  # beside max() stands the rest of its row
        with _told(self.path):
            return [Pictured(*photo) for *photo, _ in self._db.execute(query, (site,))]

    def judgements(self) -> dict[tuple[str, str], tuple[str, str]]:
        """When a job last had a word for a joint, and which, by site and joint."""
        query = "SELECT site, joint, made, word FROM judgement ORDER BY id"
        with _told(self.path):
            return {(site, joint): (made, word) for site, joint, made, word in self._db.execute(query)}

    def note_sides(self, site: str, told: dict[str, str]) -> None:
        """Keep what a list says of the sides of joints, where it says something new."""
        known = self.sides(site)
        with _told(self.path):
            self._db.executemany("INSERT INTO sides (made, site, joint, sides) VALUES (?,?,?,?)", [
                (_now(), site, joint, sides) for joint, sides in told.items() if known.get(joint, "") != sides])

    def sides(self, site: str) -> dict[str, str]:
        """The sides of every joint of a site of which a list ever named some, by joint."""
        query = "SELECT joint, sides FROM sides WHERE site = ? ORDER BY id"
        with _told(self.path):
            return dict(self._db.execute(query, (site,)).fetchall())

    def note_checklist(self, site: str, joint: str, answers: dict[str, str]) -> None:
        """Keep an installer's answers for a joint, beside those given before."""
        with _told(self.path):
            self._db.execute("INSERT INTO checklist (made, site, joint, answers) VALUES (?,?,?,?)",
                             (_now(), site, joint, json.dumps(answers)))  # fmt: skip

    def checklists(self, site: str) -> dict[str, dict[str, str]]:
        """The last answers for every joint of a site that has any, by joint."""
        query = "SELECT joint, answers FROM checklist WHERE site = ? ORDER BY id"
        with _told(self.path):
            return {joint: json.loads(answers) for joint, answers in self._db.execute(query, (site,))}

    def known(self, sha256: str, settings: tuple[str, str]) -> int | None:
        """The number of the check of these bytes under these settings, if there is one."""
        query = 'SELECT max(id) FROM "check" WHERE settings = ? AND sha256 = ?'
        row = self._one(query, settings[0], sha256)
        return int(row[0]) if row and row[0] is not None else None

    def hashes_of_size(self, size: int, settings: tuple[str, str]) -> frozenset[str]:
        """Hashes of the photos with this many bytes that were checked under these settings."""
        query = 'SELECT sha256 FROM "check" WHERE settings = ? AND size = ?'
        with _told(self.path):
            return frozenset(sha256 for (sha256,) in self._db.execute(query, (settings[0], size)))

    def saw(self, sight: Sight, sha256: str) -> None:
        """Keep that a file had these bytes; if it changed so lately that its times prove nothing, where it lay."""
        if time.time_ns() - max(sight.mtime_ns, sight.ctime_ns) < _RACY_NS:
            sight = replace(sight, mtime_ns=_NO_TIME, ctime_ns=_NO_TIME)
        with _told(self.path):
            self._db.execute(
                "INSERT OR IGNORE INTO sight (path, size, mtime_ns, ctime_ns, sha256) VALUES (?,?,?,?,?)",
                (*sight.row, sha256),
            )

    def hash_of(self, sight: Sight) -> str | None:
        """The hash that the file had when it last looked like this; None where it must be read."""
        query = "SELECT sha256 FROM sight WHERE path = ? AND size = ? AND mtime_ns = ? AND ctime_ns = ?"
        row = self._one(f"{query} ORDER BY id DESC LIMIT 1", *sight.row)
        return row[0] if row else None

    def paths_of(self, sha256: str) -> list[str]:
        """Where files with these bytes were seen, the latest first."""
        query = "SELECT path FROM sight WHERE sha256 = ? ORDER BY id DESC"
        with _told(self.path):
            return [os.fsdecode(path) for (path,) in self._db.execute(query, (sha256,))]

    def folders_of(self, site: str) -> list[str]:
        """Job folders from which photos were filed for a site, in the order of their names."""
        query = ('SELECT DISTINCT s.path, f.photo FROM filing f JOIN "check" c ON c.id = f.check_id'
                 " JOIN sight s ON s.sha256 = c.sha256 WHERE f.site = ?")
        with _told(self.path):
            rows = self._db.execute(query, (site,)).fetchall()
        lain = [(os.fsdecode(path).replace(os.sep, "/"), f"/{photo}") for path, photo in rows]
        return sorted({os.path.normpath(path.removesuffix(photo)) for path, photo in lain if path.endswith(photo)})

    def answer(self, check_id: int) -> tuple[dict[str, Any], bytes, str]:
        """A check's answer, perceptual hash and EXIF time."""
        row = self._one('SELECT answer, phash, taken FROM "check" WHERE id = ?', check_id)
        if row is None:
            raise LedgerError(f"The ledger {self.path} has no check {check_id}.")
        with _told(self.path):
            return json.loads(row[0]), row[1], row[2]

    def overlay(self, check_id: int) -> bytes:
        """The JPEG of a check, or b"" where none was drawn."""
        row = self._one("SELECT jpeg FROM overlay WHERE check_id = ?", check_id)
        return row[0] if row else b""

    def _one(self, query: str, *values: object) -> Any:
        """The first row, or None."""
        with _told(self.path):
            return self._db.execute(query, values).fetchone()

    def entries(
        self, *, site: str = "", joint: str = "", since: str = "", until: str = "", exact: bool = False
    ) -> Iterator[Entry]:
        """Filed checks, by site, joint and the order they were made in; each check once a joint.

        site, joint: parts of the names, or the whole names where `exact`; "" for any.
        since, until: ISO days of the work, both included.
        """
        like = "{} = ?" if exact else "instr(folded({}), folded(?)) > 0"
        tests = [(like.format("f.site"), site), (like.format("f.joint"), joint), (f"{_DAY} >= ?", since),
                 (f"{_DAY} <= ?", until)]  # fmt: skip
        used = [(test, value) for test, value in tests if value]
        where = " AND ".join(test for test, _ in used) or "1"
        query = (
            f"SELECT max(f.id), f.check_id, c.made, f.site, f.joint, f.photo, {_DAY}, f.location,"
            " f.installer, f.machine, c.verdict, c.taken, c.phash, c.answer, c.settings_json, f.made"
            ' FROM filing f JOIN "check" c ON c.id = f.check_id'
            f" WHERE {where} GROUP BY f.site, f.joint, f.photo, f.check_id ORDER BY f.site, f.joint, c.id"
        )
        with _told(self.path):
            rows = self._db.execute(query, [value for _, value in used])
            for _, check_id, made, *filed, verdict, taken, phash, answer, settings, filed_at in rows:
                yield Entry(check_id, made, Filing(*filed), verdict, taken, phash, json.loads(answer),
                            json.loads(settings).get("confidence", 0.95), filed_at)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """SQLite's and the disk's errors as sentences."""
    try:
        yield
    except LedgerError:
        raise
    except (sqlite3.Error, OSError, ValueError) as error:
        raise LedgerError(f"The ledger {path} can't be used: {error}. {_remedy(error)}") from error


def _remedy(error: Exception) -> str:
    """What to do about an error of the disk or of SQLite."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF  # the rest of it says more than is asked here
    if code == sqlite3.SQLITE_NOTADB:
        return "It is a file of another kind: name the ledger with --ledger."
    if code == sqlite3.SQLITE_FULL or getattr(error, "errno", None) in NO_ROOM:
        return "Free space on its disk, or name another file with --ledger."
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN) or isinstance(error, OSError):
        return "See whether its folder is there and may be written to, or name another file with --ledger."
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return "Another program holds it: try again when that is done, or name another file with --ledger."
    return "Name another file with --ledger."
