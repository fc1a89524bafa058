"""A list that a person keeps in a spreadsheet, as its CSV file has it: letters, separator, rows of cells."""

from __future__ import annotations

import codecs
import csv
import io
import re

_BOTH = {codecs.BOM_UTF16_LE: "utf-16-le", codecs.BOM_UTF16_BE: "utf-16-be"}
_LAST = "the last row of all"
_NAMED = re.compile(r'\A"?sep=([,;\t|])"?[ \t]*(?:\r\n|\r|\n|\Z)', re.IGNORECASE)  # spreadsheets write and heed it


class Unclosed(csv.Error):
    """A quotation mark is never closed; row: where it stands, counted from 1."""

    def __init__(self, row: int) -> None:
        super().__init__(f"a quotation mark in row {row} is never closed")
        self.row = row


def encoding_of(data: bytes) -> str:
    """UTF-16 where its mark says so, UTF-8, or Windows-1252 where it is not."""
    if data[:2] in _BOTH:
        return _BOTH[data[:2]]
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def decoded(data: bytes) -> str:
    """The file's text, without the mark of its encoding."""
    return data.decode(encoding_of(data), "replace").removeprefix("\ufeff").replace("\0", "")


def dialect_of(text: str) -> type[csv.Dialect]:
    """CSV with the separator that the first line names, or else uses most."""
    named, first = _NAMED.match(text), text.split("\n", 1)[0]

    class Found(csv.excel):
        delimiter = named[1] if named else max((",", ";", "\t"), key=first.count)

    return Found


def rows_of(text: str) -> list[list[str]]:
    """Every row's cells, an empty list for an empty line; that which only names the separator left out.  Raises
    csv.Error, Unclosed for a quotation mark."""
    dialect, text = dialect_of(text), _NAMED.sub("", text)
    whole = text if text.endswith(("\n", "\r")) else text + "\n"
    rows = list(csv.reader(io.StringIO(whole + _LAST, newline=""), dialect))
    if rows[-1] != [_LAST]:  # an open quotation mark takes in all that follows
        raise Unclosed(len(rows))
    return rows[:-1]
