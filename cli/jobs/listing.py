"""joints.csv: which joints the job has, and what is known about each."""

from __future__ import annotations

import csv
import difflib
import io
import re
from dataclasses import dataclass, replace
from datetime import date, datetime

from cli.jobs.errors import JobError
from cli.jobs.text import visible

LIST_NAME = "joints.csv"
_COLUMNS = {
    "joint": "joint", "joint id": "joint", "fitting": "fitting",
    "photo pattern": "pattern", "pattern": "pattern", "photo": "pattern", "photos": "pattern",
    "premark": "premark", "premark photo": "premark", "before": "premark", "sides": "sides",
    "premark sides": "premark_sides", "premark side": "premark_sides",
    "location": "location", "installer": "installer", "machine": "machine", "date": "date",
}  # fmt: skip
_DATES = ("%Y-%m-%d", "%m/%d/%Y", "%m/%d/%y", "%d.%m.%Y", "%Y/%m/%d", "%Y%m%d", "%d %b %Y", "%b %d, %Y")


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

    Separators , ; and tab; UTF-8 (with or without its mark) or Windows-1252; columns in any order and case.
    Raises JobError when there is no `joint` column, or no fitting for any joint.
    """
    reader = csv.DictReader(io.StringIO(decoded(data), newline=""), dialect=dialect_of(data))
    try:
        names = {raw: column_of(raw) for raw in reader.fieldnames or ()}
        if "joint" not in names.values():
            raise JobError(
                f"{LIST_NAME} has no column 'joint'. Its first line should name the columns: "
                "joint,fitting,photo pattern,location,installer,machine,date."
            )
        unknown = [raw for raw, name in names.items() if raw and not name]
        rows = [_clean(row, names) for row in reader]
    except csv.Error as error:
        raise JobError(
            f"{LIST_NAME} is not a CSV file: {error}. Save the list as CSV and try again."
        ) from error
    return _listed(rows, default_fitting, _not_read(unknown))


def _not_read(unknown: list[str]) -> list[str]:
    """That columns are not read; raises JobError for one whose name is nearly one that is, and was meant to be it."""
    for raw in unknown:
        if like := difflib.get_close_matches(_plain(raw), _COLUMNS, 1, 0.8):
            raise JobError(f"{LIST_NAME} has a column {visible(raw)!r}, which is not known; {like[0]!r} is. Correct "
                           "its name, or give it one that is less like it if it is for something else.")
    named = ", ".join(visible(raw) for raw in unknown)
    return [f"{LIST_NAME} has columns that are not read: {named}."] if unknown else []


def _listed(rows: list[dict[str, str]], default_fitting: str, problems: list[str]) -> Listing:
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
            day, trouble = _day(row.get("date", ""), name)
            problems += trouble
            known = {key: value for key, value in row.items() if key not in ("joint", "fitting", "date")}
            fitting = row.get("fitting") or default_fitting
            joints[name] = Joint(name, fitting, **known, date=day, order=len(joints))  # type: ignore[arg-type]
    if not joints:
        raise JobError(f"{LIST_NAME} names no joint. Add a row for each joint, or remove the file.")
    return Listing(tuple(joints.values()), tuple(problems))


def decoded(data: bytes) -> str:
    """The list's text: UTF-8, or Windows-1252 where it is not."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", "replace")
    return text.replace("\0", "")


def dialect_of(data: bytes) -> type[csv.Dialect]:
    """CSV with the separator that the first line uses most."""
    first = data.split(b"\n", 1)[0]

    class Found(csv.excel):
        delimiter = max((",", ";", "\t"), key=lambda sign: first.count(sign.encode()))

    return Found


def column_of(raw: str | None) -> str:
    """Our name for a column by its title, or ""."""
    return _COLUMNS.get(_plain(raw or ""), "")


def _plain(raw: str) -> str:
    return re.sub(r"[\s_-]+", " ", raw.strip().lower())


def _clean(row: dict[str, str], names: dict[str, str]) -> dict[str, str]:
    return {names[raw]: (value or "").strip() for raw, value in row.items() if names.get(raw)}


def _day(text: str, joint: str) -> tuple[str, list[str]]:
    if not text:
        return "", []
    found = parse_day(text)
    if found is None:
        return "", [
            f"The date {visible(text)!r} of joint {visible(joint)} could not be read; write 2026-05-04."
        ]
    return found.isoformat(), []


def parse_day(text: str) -> date | None:
    """A calendar day from 2026-05-04 (with or without a time), 5/4/2026 (US order) or 04.05.2026."""
    try:
        return datetime.fromisoformat(text).date()
    except ValueError:
        pass
    for pattern in _DATES:
        try:
            return datetime.strptime(text, pattern).date()
        except ValueError:
            continue
    return None
