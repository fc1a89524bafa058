"""Names come from strangers: how they are shown on a screen, in a table, in a page.

A file's name may hold line breaks, terminal commands, marks that turn the reading direction, or bytes that
are no text at all.  What a person reads must be what is there, so all of these are shown as `\\u202e`.
"""

from __future__ import annotations

import os
import unicodedata

_FORMULA = "=+-@＝＋－＠"
_HIDDEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


def visible(text: str) -> str:
    """The text with every character that hides or moves others written out as an escape."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(_escape(char) if unicodedata.category(char) in _HIDDEN else char for char in text)


def _escape(char: str) -> str:
    code = ord(char)
    if 0xDC80 <= code <= 0xDCFF:  # a byte that is not UTF-8, as Python carries it in file names
        return f"\\x{code - 0xDC00:02x}"
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def name_of(path: bytes | str | os.PathLike[str]) -> str:
    """A path as text that any file can hold: bytes that are not UTF-8 become `\\xNN`."""
    return os.fsencode(path).decode("utf-8", "backslashreplace")


def cell(text: str) -> str:
    """The text for one cell of a CSV file that a spreadsheet will open.

    Spreadsheets run a cell that starts with = + - @ (also behind blanks, tabs or line breaks) as a formula.
    An apostrophe in front makes it text again; it is the only change.
    """
    shown = visible(text)
    start = text.lstrip()[:1]
    risky = (start and start in _FORMULA) or text[:1] in ("\t", "\r", "\n")
    return "'" + shown if risky else shown
