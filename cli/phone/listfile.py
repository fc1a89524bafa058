"""joints.csv as the page needs it: read as `collargap job` reads it, and a row added without touching the others."""

from __future__ import annotations

import csv
import io
from datetime import date
from pathlib import Path

from cli.files import whole_file
from cli.jobs.errors import JobError
from cli.jobs.folder import list_in
from cli.jobs.listing import LIST_NAME, Listing, column_of, read_list, rows_in
from cli.jobs.sheet import decoded, dialect_of, encoding_of
from cli.jobs.text import visible
from cli.jobs.worker import read_photo
from cli.phone.troubles import Busy, Taken

_HEADER = "joint,fitting,photo,location,installer,machine,date\n"


def read_listing(folder: Path) -> Listing | None:
    """The list, empty where it has no row yet; None where there is no file.  Raises Busy with the list's own fault."""
    if not folder.is_dir():
        raise Busy(f"The job folder {visible(str(folder))} is not there any more. Put it back where it was, and try "
                   "again.")
    try:
        path = list_in(folder)
        if path is None:
            return None
        data = read_photo(str(path))
        return Listing(()) if _has_no_row(data) else read_list(data)
    except OSError as error:
        raise Busy(f"{LIST_NAME} could not be read ({error.strerror or error}). Close it in other programs and try "
                   "again.") from error
    except JobError as error:
        raise Busy(str(error)) from error


def _has_no_row(data: bytes) -> bool:
    titles, *rows = rows_in(data)
    return "joint" in map(column_of, titles) and not any(cell.strip() for row in rows for cell in row)


def add_joint(folder: Path, joint: str, fitting: str, photo: str = "") -> None:
    """Add a row for a joint.  The file's own separator, columns, line ends and letters are kept.

    Raises Busy where the list can't be read or written, Taken where it has no place for what is to be in the row.
    """
    try:
        path = list_in(folder) or folder / LIST_NAME
        data = read_photo(str(path)) if path.exists() else _HEADER.encode()
        row = _row(data, joint, fitting, photo)
        with whole_file(path, binary=True) as file:
            file.write(data + row)
    except OSError as error:
        raise Busy(f"{LIST_NAME} could not be written ({error.strerror or error}). Make room in the job folder, close "
                   "the list in other programs, and try again.") from error


def _row(data: bytes, joint: str, fitting: str, photo: str) -> bytes:
    columns = [column_of(title) for title in rows_in(data)[0]]
    if "fitting" not in columns:
        raise Taken(f"{LIST_NAME} has no column 'fitting', so a joint of a chosen size can't be added. Add the column "
                    "to its first line.")
    known = {"joint": joint, "fitting": fitting, "pattern": photo, "date": date.today().isoformat()}
    return _written(data, [known.get(column, "") for column in columns])


def _written(data: bytes, cells: list[str]) -> bytes:
    """A row as this file would hold it."""
    text, made = decoded(data), io.StringIO()
    end = "\r\n" if "\r\n" in text else "\n"
    if not text.endswith(("\n", "\r")):
        made.write(end)
    csv.writer(made, dialect_of(text), lineterminator=end).writerow(cells)
    try:
        return made.getvalue().encode(encoding_of(data))
    except UnicodeEncodeError as error:
        signs = error.object[error.start:error.end]
        raise Taken(f"The joint could not be put into {LIST_NAME}: the file is not kept as UTF-8, and as it is kept "
                    f'it has no sign "{signs}". Save the list as CSV UTF-8, and try again.') from error
