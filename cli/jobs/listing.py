"""joints.csv: which joints the job has, and what is known about each."""

from __future__ import annotations

import csv
import difflib
import re
from dataclasses import dataclass, replace

from cli.jobs.days import is_day_first, parse_day
from cli.jobs.errors import JobError
from cli.jobs.sheet import decoded, rows_of
from cli.jobs.text import visible

LIST_NAME = "joints.csv"
_OTHERS = {"remark", "remarks"}  # nearly `premark`, and something else
_COLUMNS = {
    "joint": "joint", "joint id": "joint", "fitting": "fitting",
    "photo pattern": "pattern", "pattern": "pattern", "photo": "pattern", "photos": "pattern",
    "premark": "premark", "premark photo": "premark", "before": "premark", "sides": "sides",
    "premark sides": "premark_sides", "premark side": "premark_sides",
    "location": "location", "installer": "installer", "machine": "machine", "date": "date",
}  # fmt: skip


@dataclass(frozen=True)
class Joint:
    """One joint of the job.  `order` is its place in the list, from 0; `date` is ISO or "".

    pattern: of its photos; premark: of photos of its marked pipe before it was pushed in.  sides: from which sides
    its photos were taken, in the order of their names: "0 120 240" or "12h 4h 8h"; or "".  premark_sides: the same of
    the photos of its marked pipe.  twice: the list names it once more, with photos of its own perhaps.
    """

    name: str
    fitting: str
    pattern: str = ""
    location: str = ""
    installer: str = ""
    machine: str = ""
    date: str = ""
    sides: str = ""
    order: int = 0
    premark: str = ""
    premark_sides: str = ""
    twice: bool = False


@dataclass(frozen=True)
class Listing:
    """The joints in the order of the list, and what in it could not be understood, a sentence each."""

    joints: tuple[Joint, ...]
    problems: tuple[str, ...] = ()


def read_list(data: bytes, default_fitting: str = "") -> Listing:
    """The list in the bytes of a CSV file.

    Separators , ; and tab; UTF-8 and UTF-16 (the latter with its mark), or Windows-1252; columns in any
    order and case.  Raises JobError when there is no `joint` column, no joint, or a quotation mark is never closed.
    """
    titles, *rows = rows_in(data)
    columns = [column_of(title) for title in titles]
    if "joint" not in columns:
        raise JobError(
            f"{LIST_NAME} has no column 'joint'. Its first line should name the columns: "
            "joint,fitting,photo pattern,location,installer,machine,date."
        )
    if twice := next((column for column in columns if column and columns.count(column) > 1), ""):
        named = " and ".join(repr(visible(title)) for title in titles if column_of(title) == twice)
        raise JobError(f"{LIST_NAME} has two columns of one meaning, {named}. Keep one of them.")
    unknown = [title for title, column in zip(titles, columns, strict=True) if title.strip() and not column]
    told = [row[:len(columns)] for row in rows]
    cells = [{column: value.strip() for column, value in zip(columns, row, strict=False) if column} for row in told]
    day_first = is_day_first(row.get("date", "") for row in cells)
    problems = [*_not_read(unknown), *_too_long(rows, len(columns)),
                *(_dates_either_way(cells) if day_first is None else [])]
    return _listed(cells, default_fitting, bool(day_first), problems)


def rows_in(data: bytes) -> list[list[str]]:
    """The cells of the list's rows, those of its titles first.  Raises JobError where it is no CSV file."""
    try:
        return rows_of(decoded(data))
    except csv.Error as error:
        raise JobError(f"{LIST_NAME} is not a CSV file: {error}. Correct it, or save the list as CSV anew, and try "
                       "again.") from error


def _not_read(unknown: list[str]) -> list[str]:
    """That columns are not read; raises JobError for one whose name is nearly one that is, and was meant to be it."""
    for raw in unknown:
        if _plain(raw) in _OTHERS:
            continue
        if like := difflib.get_close_matches(_plain(raw), _COLUMNS, 1, 0.8):
            raise JobError(f"{LIST_NAME} has a column {visible(raw)!r}, which is not known; {like[0]!r} is. Correct "
                           "its name, or give it one that is less like it if it is for something else.")
    named = ", ".join(visible(raw) for raw in unknown)
    return [f"{LIST_NAME} has columns that are not read: {named}."] if unknown else []


def _too_long(rows: list[list[str]], most: int) -> list[str]:
    """That a row has more cells than there are columns: one of them holds the separator, and all behind it moved on."""
    return [f"Row {number} of {LIST_NAME} has more cells than the first line has columns, so what stands in it may "
            "have moved into the next column. Put a cell that holds a comma or semicolon in quotation marks."
            for number, row in enumerate(rows, start=2) if any(cell.strip() for cell in row[most:])]


def _dates_either_way(rows: list[dict[str, str]]) -> list[str]:
    """How dates are read that may be meant the other way round, with the first of them."""
    for text in (row.get("date", "") for row in rows):
        day, other = parse_day(text), parse_day(text, day_first=True)
        if day and other and day != other:
            return [f"Dates like {visible(text)} are read with the month first, here as {day}; write {day} or {other} "
                    "to be sure."]
    return []


def _listed(rows: list[dict[str, str]], default_fitting: str, day_first: bool, problems: list[str]) -> Listing:
    joints: dict[str, Joint] = {}
    for number, row in enumerate(rows, start=2):
        name = row.get("joint", "")
        if not any(row.values()):
            continue
        if not name:
            problems.append(f"Row {number} of {LIST_NAME} names no joint; it was left out.")
        elif name in joints:
            problems.append(f"Joint {visible(name)} is in {LIST_NAME} twice; row {number} was left out.")
            joints[name] = replace(joints[name], twice=True)
        else:
            day, trouble = _day(row.get("date", ""), name, day_first)
            problems += trouble
            if row.get("premark_sides") and not row.get("sides"):
                problems.append(f"Joint {visible(name)} has the sides of its marked pipe's photos, but not of its own: "
                                "they say nothing without each other.")
            known = {key: value for key, value in row.items() if key not in ("joint", "fitting", "date")}
            fitting = row.get("fitting") or default_fitting
            joints[name] = Joint(name, fitting, **known, date=day, order=len(joints))  # type: ignore[arg-type]
    if not joints:
        raise JobError(f"{LIST_NAME} names no joint. Add a row for each joint, or remove the file.")
    return Listing(tuple(joints.values()), tuple(problems))


def column_of(raw: str | None) -> str:
    """Our name for a column by its title, or ""."""
    return _COLUMNS.get(_plain(raw or ""), "")


def _plain(raw: str) -> str:
    return re.sub(r"[\s_-]+", " ", raw.strip().lower())


def _day(text: str, joint: str, day_first: bool) -> tuple[str, list[str]]:
    if not text:
        return "", []
    found = parse_day(text, day_first)
    if found is None:
        return "", [
            f"The date {visible(text)!r} of joint {visible(joint)} could not be read; write 2026-05-04."
        ]
    return found.isoformat(), []
