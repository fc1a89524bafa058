"""The ledger's tables, as migrations: each brings a file one version further.

What was released never changes; a new version adds a migration at the end.
"""

from __future__ import annotations

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
_BY_JOINT = ("CREATE INDEX filing_joint ON filing (joint, site)", "CREATE INDEX filing_day ON filing (day)")


def _only_grows(table: str) -> tuple[str, ...]:
    """Triggers that refuse to change or to remove its rows."""
    refusal = "RAISE(ABORT, 'the ledger only grows: rows are never changed or removed')"
    return (
        *(f"CREATE TRIGGER {table}_{verb.lower()} BEFORE {verb} ON {table} BEGIN SELECT {refusal}; END"
          for verb in ("UPDATE", "DELETE")),
        f"CREATE TRIGGER {table}_replace BEFORE INSERT ON {table}"
        f" WHEN EXISTS (SELECT 1 FROM {table} WHERE id = NEW.id) BEGIN SELECT {refusal}; END",
    )  # fmt: skip


_CHECKLIST = (
    """CREATE TABLE checklist (
        id INTEGER PRIMARY KEY, made TEXT NOT NULL, site TEXT NOT NULL, joint TEXT NOT NULL, answers TEXT NOT
        NULL)""",
    "CREATE INDEX checklist_joint ON checklist (site, joint)",
    *_only_grows("checklist"),
)
_JUDGEMENT = (
    """CREATE TABLE judgement (
        id INTEGER PRIMARY KEY, made TEXT NOT NULL, site TEXT NOT NULL, joint TEXT NOT NULL, word TEXT NOT NULL)""",
    "CREATE INDEX judgement_joint ON judgement (site, joint)",
    *_only_grows("judgement"),
)

_SIDES = (
    """CREATE TABLE sides (
        id INTEGER PRIMARY KEY, made TEXT NOT NULL, site TEXT NOT NULL, joint TEXT NOT NULL, sides TEXT NOT NULL)""",
    "CREATE INDEX sides_joint ON sides (site, joint)",
    *_only_grows("sides"),
)

_ALL_ROUND = (
    """CREATE TABLE all_round (
        id INTEGER PRIMARY KEY, made TEXT NOT NULL, site TEXT NOT NULL, joint TEXT NOT NULL, answer TEXT NOT NULL)""",
    "CREATE INDEX all_round_joint ON all_round (joint, site)",
    *_only_grows("all_round"),
)

MIGRATIONS: tuple[tuple[str, ...], ...] = (_FIRST, _BY_JOINT, _CHECKLIST, _JUDGEMENT, _SIDES, _ALL_ROUND)
