"""A run while it goes on, in a temporary file of its own: memory stays flat however many photos there are."""

from __future__ import annotations

import json
import os
import sqlite3
from array import array
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from calibration.fittings import MM_PER_UNIT
from cli.jobs.folder import Found
from cli.jobs.listing import Joint
from cli.jobs.text import name_of
from cli.jobs.timing import taken_at
from cli.jobs.worker import Kind

_TABLES = """
CREATE TABLE joint (ord INTEGER PRIMARY KEY, name TEXT UNIQUE, facts TEXT, trouble TEXT);
CREATE TABLE photo (
    id INTEGER PRIMARY KEY, ord INTEGER, path BLOB, name TEXT, size INTEGER, mtime_ns INTEGER,
    ctime_ns INTEGER, state TEXT, error TEXT, kind TEXT, answer TEXT, sha256 TEXT, phash BLOB, taken TEXT, gap_mm REAL,
    check_id INTEGER, overlay BLOB);
CREATE INDEX photo_joint ON photo (ord, name);
CREATE TABLE stray (name TEXT, why TEXT);
CREATE TABLE together (name TEXT PRIMARY KEY, answer TEXT);
"""


@dataclass(frozen=True)
class Waiting:
    """A photo that this run still has to answer for."""

    id: int
    joint: Joint
    path: str
    name: str
    size: int
    mtime_ns: int
    ctime_ns: int
    kind: Kind


@dataclass(frozen=True)
class Answered:
    """A photo and what became of it: an answer (the JSON of `check`), or the sentence why there is none."""

    id: int
    name: str
    state: str
    error: str
    answer: dict[str, Any] | None
    taken: str
    check_id: int | None
    overlay: bytes | None
    kind: Kind = "joint"


@dataclass(frozen=True)
class Sides:
    """A joint of which the list names the sides, with its own photos and those of its marked pipe by their names.

    answered: every photo of its own has an answer.
    """

    joint: Joint
    paths: tuple[str, ...]
    names: tuple[str, ...]
    answered: bool
    pipe_paths: tuple[str, ...] = ()
    pipe_names: tuple[str, ...] = ()


class Store:
    """One run.  Not shared between threads or processes.

    Its SQL knows `moment(taken)`: EXIF's time as "2026-05-04 10:20:30", NULL where it is none.
    """

    def __init__(self) -> None:
        # A private file on disk, gone when it is closed: nothing of it has to survive, so no journal is kept.
        self.db = sqlite3.connect("", isolation_level=None)
        self.db.execute("PRAGMA journal_mode = OFF")
        self.db.execute("PRAGMA synchronous = OFF")
        self.db.execute("PRAGMA cache_size = -16000")
        self.db.create_function("moment", 1, _moment, deterministic=True)
        self.db.executescript(_TABLES)

    def close(self) -> None:
        """Forget the run."""
        self.db.close()

    def add_joint(self, joint: Joint, trouble: str = "") -> int:
        """Put a joint down (once) and return its place.  `trouble`: why its photos can't be checked."""
        row = self.db.execute("SELECT ord FROM joint WHERE name = ?", (joint.name,)).fetchone()
        if row:
            return int(row[0])
        facts = json.dumps(asdict(joint))
        made = self.db.execute(
            "INSERT INTO joint (name, facts, trouble) VALUES (?, ?, ?)", (joint.name, facts, trouble)
        )
        return int(made.lastrowid or 0)

    def add_photo(self, place: int, found: Found, error: str = "", kind: Kind = "joint") -> None:
        """Put a photo of the joint at `place` down as waiting, or as failed where `error` says why."""
        self.db.execute(
            "INSERT INTO photo (ord, path, name, size, mtime_ns, ctime_ns, state, error, kind)"
            " VALUES (?,?,?,?,?,?,?,?,?)",
            (place, os.fsencode(found.path), name_of(found.relative), found.size, found.mtime_ns,
             found.ctime_ns, "failed" if error else "waiting", error, kind),
        )  # fmt: skip

    def add_stray(self, name: str, why: str) -> None:
        """Put down a photo that belongs to no joint, or something that was not opened."""
        self.db.execute("INSERT INTO stray VALUES (?, ?)", (name, why))

    def waiting(self) -> Iterator[Waiting]:
        """The photos that have no answer yet, joint by joint."""
        order = "SELECT id FROM photo WHERE state = 'waiting' ORDER BY ord, name"
        keys = array("q", (key for (key,) in self.db.execute(order)))  # answers come in while this goes on
        for key in keys:
            row = self.db.execute(
                "SELECT j.facts, p.path, p.name, p.size, p.mtime_ns, p.ctime_ns, p.kind"
                " FROM photo p JOIN joint j USING (ord) WHERE p.id = ?", (key,),
            ).fetchone()  # fmt: skip
            yield Waiting(key, Joint(**json.loads(row[0])), os.fsdecode(row[1]), *row[2:])

    def fail(self, key: int, error: str) -> None:
        """The photo could not be checked; `error` is the sentence that says why."""
        self.db.execute("UPDATE photo SET state = 'failed', error = ? WHERE id = ?", (error, key))

    def answer(
        self, key: int, answer: dict[str, Any], phash: bytes, taken: str, *,
        state: str = "checked", check_id: int | None = None, overlay: bytes | None = None,
    ) -> None:  # fmt: skip
        """The photo's answer.  state: "checked" in this run or "known" from an earlier one.

        overlay: only where the ledger could not take it.
        """
        self.db.execute(
            "UPDATE photo SET state = ?, answer = ?, sha256 = ?, phash = ?, taken = ?, gap_mm = ?,"
            " check_id = ?, overlay = ? WHERE id = ?",
            (state, json.dumps(answer), answer["sha256"], phash, taken, gap_mm(answer), check_id, overlay,
             key),
        )  # fmt: skip

    def named(self) -> Iterator[tuple[str, str]]:
        """Joint and name of every photo, joint by joint; those left out whose photos the list names by a pattern."""
        yield from self.db.execute("SELECT j.name, p.name FROM photo p JOIN joint j USING (ord)"
                                   " WHERE json_extract(j.facts, '$.pattern') = '' ORDER BY ord, p.name")

    def waiting_of(self, joint: str) -> int:
        """How many photos of the joint have no answer yet."""
        query = "SELECT count(*) FROM photo JOIN joint USING (ord) WHERE joint.name = ? AND state = 'waiting'"
        return int(self.db.execute(query, (joint,)).fetchone()[0])

    def count(self, state: str | None = "waiting") -> int:
        """How many photos are in this state; None: in any."""
        query = "SELECT count(*) FROM photo WHERE ? IS NULL OR state = ?"
        return int(self.db.execute(query, (state, state)).fetchone()[0])

    def joints(self) -> Iterator[tuple[Joint, str, list[Answered]]]:
        """Every joint in the order of the list, its trouble or "", and its photos."""
        for place, facts, trouble in self.db.cursor().execute(
            "SELECT ord, facts, trouble FROM joint ORDER BY ord"
        ):
            yield Joint(**json.loads(facts)), trouble, list(self._photos(place))

    def _photos(self, place: int) -> Iterator[Answered]:
        rows = self.db.cursor().execute(
            "SELECT id, name, state, error, answer, taken, check_id, overlay, kind FROM photo WHERE ord = ? "
            "ORDER BY name",
            (place,),
        )
        for key, name, state, error, answer, taken, check_id, overlay, kind in rows:
            read = json.loads(answer) if answer else None
            yield Answered(key, name, state, error, read, taken or "", check_id, overlay, kind)

    def sides(self) -> Iterator[Sides]:
        """The joints with photos of which the list names the sides."""
        for place, facts, trouble in self.db.execute("SELECT ord, facts, trouble FROM joint ORDER BY ord").fetchall():
            joint = Joint(**json.loads(facts))
            query = "SELECT path, name, answer FROM photo WHERE ord = ? AND kind = ? ORDER BY name"
            photos, pipes = (self.db.execute(query, (place, kind)).fetchall() if joint.sides and not trouble else []
                             for kind in ("joint", "premark"))
            if photos:
                yield Sides(joint, *_named(photos), all(answer for *_, answer in photos), *_named(pipes))

    def told_sides(self) -> dict[str, str]:
        """What the list says of the sides of each joint, "" where it says nothing."""
        return dict(self.db.execute("SELECT name, json_extract(facts, '$.sides') FROM joint").fetchall())

    def put_together(self, joint: str, answer: dict[str, Any]) -> None:
        """What the photos of a joint say together (the JSON of `joint`)."""
        self.db.execute("INSERT INTO together VALUES (?, ?)", (joint, json.dumps(answer)))

    def together(self, joint: str) -> dict[str, Any] | None:
        """What they say together; None where their sides are not known."""
        row = self.db.execute("SELECT answer FROM together WHERE name = ?", (joint,)).fetchone()
        return json.loads(row[0]) if row else None

    def strays(self, most: int) -> list[tuple[str, str]]:
        """Photos without a joint and things that were not opened: (name, sentence)."""
        return list(self.db.execute("SELECT name, why FROM stray ORDER BY rowid LIMIT ?", (most,)))

    def count_strays(self) -> int:
        """How many of them there are."""
        return int(self.db.execute("SELECT count(*) FROM stray").fetchone()[0])


def _named(photos: list[tuple[bytes, str, str]]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Paths and names."""
    return tuple(os.fsdecode(path) for path, *_ in photos), tuple(name for _, name, _ in photos)


def _moment(exif: str | None) -> str | None:
    when = taken_at(exif or "")
    return when.isoformat(" ") if when else None


def gap_mm(answer: dict[str, Any]) -> float | None:
    """The measured gap of an answer in millimetres; None where none was measured."""
    gap = answer.get("gap")
    return None if gap is None else float(gap["value"]) * MM_PER_UNIT[answer["unit"]]
