"""The ledger: every check that was ever made, in one SQLite file.  Rows are only ever added.

* `check`: one inspection of one photo's bytes under one set of settings, with its answer.
* `overlay`: the picture of that inspection.
* `filing`: that a check counts for a joint of a site; a check may be filed more than once.
* `sight`: a file as it lay on disk and the hash its bytes had, so that unchanged files need not be read
again.

A check is there or it isn't: each is one transaction, written through to the disk.  Triggers refuse every
UPDATE, DELETE and REPLACE.  `PRAGMA user_version` counts the migrations that the file has seen.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, is_dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from cli.jobs.errors import LedgerError
from cli.jobs.store import gap_mm

_RACY_NS = 2_000_000_000

_FIRST = (
    """CREATE TABLE "check" (
        id INTEGER PRIMARY KEY, made TEXT NOT NULL, sha256 TEXT NOT NULL, size INTEGER NOT NULL,
        settings TEXT NOT NULL, settings_json TEXT NOT NULL, version TEXT NOT NULL, fitting TEXT NOT NULL,
        verdict TEXT NOT NULL, gap_mm REAL, taken TEXT NOT NULL, phash BLOB NOT NULL, answer TEXT NOT
        NULL)""",
    'CREATE INDEX check_known ON "check" (settings, sha256)',
    'CREATE INDEX check_size ON "check" (settings, size)',
    'CREATE TABLE overlay (check_id INTEGER PRIMARY KEY REFERENCES "check" (id), jpeg BLOB NOT NULL)',
    """CREATE TABLE filing (
        id INTEGER PRIMARY KEY, check_id INTEGER NOT NULL REFERENCES "check" (id), made TEXT NOT NULL,
        site TEXT NOT NULL, joint TEXT NOT NULL, photo TEXT NOT NULL, day TEXT NOT NULL, location TEXT NOT
        NULL,
        installer TEXT NOT NULL, machine TEXT NOT NULL,
        UNIQUE (site, joint, photo, check_id, day, location, installer, machine))""",
    """CREATE TABLE sight (
        id INTEGER PRIMARY KEY, path BLOB NOT NULL, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL,
        ctime_ns INTEGER NOT NULL, sha256 TEXT NOT NULL, UNIQUE (path, size, mtime_ns, ctime_ns, sha256))""",
    *(
        f"""CREATE TRIGGER {table}_{verb.lower()} BEFORE {verb} ON "{table}"
            BEGIN SELECT RAISE(ABORT, 'the ledger only grows: rows are never changed or removed'); END"""
        for table in ("check", "overlay", "filing", "sight")
        for verb in ("UPDATE", "DELETE")
    ),
    # INSERT OR REPLACE removes rows without asking the triggers above.
    *(
        f"""CREATE TRIGGER {table}_replace BEFORE INSERT ON "{table}"
            WHEN EXISTS (SELECT 1 FROM "{table}" WHERE {key} = NEW.{key})
            BEGIN SELECT RAISE(ABORT, 'the ledger only grows: rows are never changed or removed'); END"""
        for table, key in (("check", "id"), ("overlay", "check_id"), ("filing", "id"), ("sight", "id"))
    ),
)
_DAY = "coalesce(nullif(f.day, ''), substr(c.made, 1, 10))"  # a list without dates: the day it was checked
_BY_JOINT = ("CREATE INDEX filing_joint ON filing (joint, site)", "CREATE INDEX filing_day ON filing (day)")

MIGRATIONS: tuple[tuple[str, ...], ...] = (_FIRST, _BY_JOINT)


def default_path() -> Path:
    """Where the ledger lies unless told otherwise: $COLLARGAP_LEDGER, else the user's data folder."""
    if named := os.environ.get("COLLARGAP_LEDGER"):
        return Path(named)
    home = (
        os.environ.get("XDG_DATA_HOME") or os.environ.get("LOCALAPPDATA") or Path.home() / ".local" / "share"
    )
    return Path(home) / "collargap" / "ledger.sqlite"


def settings_of(
    fitting: Any, camera: Any, confidence: float, version: str, unit: str | None
) -> tuple[str, str]:
    """The settings of a check as (key, JSON).  Equal keys: the same photo gets the same answer."""
    told = {"fitting": _plain(fitting), "camera": _plain(camera), "confidence": confidence,
    "version": version,
            "unit": unit}  # fmt: skip
    text = json.dumps(told, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest(), text


def _plain(thing: Any) -> Any:
    if isinstance(thing, BaseModel):
        return thing.model_dump()
    return asdict(thing) if is_dataclass(thing) and not isinstance(thing, type) else thing


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
    """A check as it is filed, with its answer.  `made`: UTC, ISO."""

    check_id: int
    made: str
    filing: Filing
    verdict: str
    taken: str
    phash: bytes
    answer: dict[str, Any]


class Ledger:
    """An open ledger.  Not shared between threads; other processes may write to the same file meanwhile."""

    def __init__(self, path: Path, migrations: Sequence[Sequence[str]] = MIGRATIONS) -> None:
        """Open the file, make it if there is none, and bring it to the newest form.

        Raises LedgerError when that can't be done, or when a newer collargap wrote it.
        """
        self.path = path
        with _told(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            self._db = sqlite3.connect(path, timeout=30, isolation_level=None)
            try:
                self._db.execute("PRAGMA journal_mode = WAL")
                self._db.execute("PRAGMA synchronous = FULL")
                self._db.execute("PRAGMA foreign_keys = ON")
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
        """Write many filings and sights in one transaction.  Not for checks: each is kept at once."""
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
                answer["verdict"],
                 gap_mm(answer), taken, phash, json.dumps(answer)),
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
                "INSERT OR IGNORE INTO filing (check_id, made, site, joint, photo, day, location, "
                "installer, machine)"
                " VALUES (?,?,?,?,?,?,?,?,?)",
                (check_id, _now(), filing.site, filing.joint, filing.photo, filing.day, filing.location,
                 filing.installer, filing.machine),
            )  # fmt: skip

    def known(self, sha256: str, settings: tuple[str, str]) -> int | None:
        """The number of the check of these bytes under these settings, if there is one."""
        row = self._db.execute(
            'SELECT max(id) FROM "check" WHERE settings = ? AND sha256 = ?', (settings[0], sha256)
        ).fetchone()
        return None if row[0] is None else int(row[0])

    def hashes_of_size(self, size: int, settings: tuple[str, str]) -> frozenset[str]:
        """Hashes of the photos with this many bytes that were checked under these settings."""
        rows = self._db.execute(
            'SELECT sha256 FROM "check" WHERE settings = ? AND size = ?', (settings[0], size)
        )
        return frozenset(sha256 for (sha256,) in rows)

    def saw(self, sight: Sight, sha256: str) -> None:
        """Keep that a file had these bytes, unless it changed so lately that its times prove nothing."""
        if time.time_ns() - max(sight.mtime_ns, sight.ctime_ns) < _RACY_NS:
            return
        with _told(self.path):
            self._db.execute(
                "INSERT OR IGNORE INTO sight (path, size, mtime_ns, ctime_ns, sha256) VALUES (?,?,?,?,?)",
                (*sight.row, sha256),
            )

    def hash_of(self, sight: Sight) -> str | None:
        """The hash that the file had when it last looked like this; None where it must be read."""
        row = self._db.execute(
            "SELECT sha256 FROM sight WHERE path = ? AND size = ? AND mtime_ns = ? AND ctime_ns = ?"
            " ORDER BY id DESC LIMIT 1", sight.row,
        ).fetchone()  # fmt: skip
        return row[0] if row else None

    def answer(self, check_id: int) -> tuple[dict[str, Any], bytes, str]:
        """A check's answer, perceptual hash and EXIF time."""
        row = self._db.execute(
            'SELECT answer, phash, taken FROM "check" WHERE id = ?', (check_id,)
        ).fetchone()
        return json.loads(row[0]), row[1], row[2]

    def overlay(self, check_id: int) -> bytes:
        """The JPEG of a check, or b"" where none was drawn."""
        row = self._db.execute("SELECT jpeg FROM overlay WHERE check_id = ?", (check_id,)).fetchone()
        return row[0] if row else b""

    def entries(
        self, *, site: str = "", joint: str = "", since: str = "", until: str = "", exact: bool = False
    ) -> Iterator[Entry]:
        """Filed checks, by site, joint and the order they were made in; each check once a joint.

        site, joint: parts of the names, or the whole names where `exact`; "" for any.
        since, until: ISO days of the work, both included.
        """
        like = "{} = ?" if exact else "instr(lower({}), lower(?)) > 0"
        tests = [(like.format("f.site"), site), (like.format("f.joint"), joint), (f"{_DAY} >= ?", since),
                 (f"{_DAY} <= ?", until)]  # fmt: skip
        used = [(test, value) for test, value in tests if value]
        where = " AND ".join(test for test, _ in used) or "1"
        rows = self._db.execute(
            f"SELECT max(f.id), f.check_id, c.made, f.site, f.joint, f.photo, {_DAY}, f.location, "
            f"f.installer, f.machine,"
            f' c.verdict, c.taken, c.phash, c.answer FROM filing f JOIN "check" c ON c.id = f.check_id '
            f"WHERE {where}"
            " GROUP BY f.site, f.joint, f.photo, f.check_id ORDER BY f.site, f.joint, c.id",
            [value for _, value in used],
        )
        for _, check_id, made, *filed, verdict, taken, phash, answer in rows:
            yield Entry(check_id, made, Filing(*filed), verdict, taken, phash, json.loads(answer))


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """SQLite's and the disk's errors as sentences."""
    try:
        yield
    except (sqlite3.Error, OSError) as error:
        raise LedgerError(
            f"The ledger {path} can't be used: {error}. Free space on its disk, or name another file with "
            f"--ledger."
        ) from error
