"""The photos of a job folder, in any depth, one after the other, in a steady order."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from cli.files import is_drawn_file
from cli.jobs.errors import JobError
from cli.jobs.findings import listed
from cli.jobs.listing import LIST_NAME
from cli.jobs.text import name_of, visible

SUFFIXES = frozenset({".jpg", ".jpeg", ".jpe", ".jfif", ".mpo", ".png", ".webp", ".heic", ".heif", ".hif", ".tif",
                      ".tiff"})  # fmt: skip
# Pictures of other kinds: not opened, and said so.
_OTHERS = frozenset({".avif", ".bmp", ".gif", ".dng", ".raw", ".cr2", ".cr3", ".nef", ".arw", ".jxl", ".jp2", ".psd"})
_DRAWN = re.compile(r"-collargap(?:-\d+)?\.|-check-\d+\.", re.IGNORECASE)  # as `check` and `show` name their pictures
_JPEG = b"\xff\xd8\xff"


@dataclass(frozen=True)
class Found:
    """A photo file.  `relative` is its name under the job folder, with forward slashes.

    mtime_ns, ctime_ns: when its content and its entry changed, in nanoseconds since 1970.
    """

    path: str
    relative: str
    size: int
    mtime_ns: int
    ctime_ns: int


@dataclass(frozen=True)
class Skipped:
    """Something in the folder that was not opened, and why, as a sentence."""

    relative: str
    why: str


def walk(folder: Path) -> Iterator[Found | Skipped]:
    """Every photo under `folder`; what can't be opened comes as a `Skipped` instead of an exception.

    Links are followed only to files inside the folder: a job must not read what lies elsewhere.
    """
    top = os.path.realpath(folder)
    waiting = [top]
    while waiting:
        here = waiting.pop()
        try:
            with os.scandir(here) as entries:
                listed = sorted(entries, key=lambda entry: entry.name)
        except OSError as error:
            yield Skipped(_relative(here, top), f"The folder could not be opened: {error.strerror}.")
            continue
        deeper = []
        for entry in listed:
            if entry.name.startswith("."):
                continue
            if entry.is_dir(follow_symlinks=False):
                deeper.append(entry.path)
            elif os.path.splitext(entry.name)[1].lower() in SUFFIXES:
                yield _looked_at(entry, top)
            elif _is_other_picture(entry):
                yield Skipped(_relative(entry.path, top), "A picture with another ending than those that are opened. "
                              "Save it as JPEG, PNG, WebP, HEIC or TIFF, with the ending that belongs to it.")
            elif entry.is_symlink() and entry.is_dir():
                yield Skipped(_relative(entry.path, top), "It is a link to a folder; links aren't followed.")
        waiting.extend(reversed(deeper))


def list_in(folder: Path) -> Path | None:
    """The job's list, whatever the case of its name (Joints.csv); None where there is none.

    Raises JobError where there are several: nobody knows which one holds.
    """
    try:
        found = sorted(name for name in os.listdir(folder) if name.casefold() == LIST_NAME)
    except OSError:  # what can't be opened is said where its photos are looked for
        return None
    if len(found) > 1:
        raise JobError(f"The folder has {listed(found)}. Keep one list, and call it {LIST_NAME}.")
    return folder / found[0] if found else None


def photos_in(folder: Path) -> Iterator[str]:
    """The names of the photos under `folder`, as any file can hold them."""
    return (name_of(thing.relative) for thing in walk(folder) if isinstance(thing, Found))


def _is_other_picture(entry: os.DirEntry[str]) -> bool:
    """By its ending; a file without one by its first bytes."""
    ending = os.path.splitext(entry.name)[1].lower()
    if ending or not entry.is_file(follow_symlinks=False):
        return ending in _OTHERS and entry.is_file()
    try:
        with open(entry.path, "rb") as file:
            return file.read(len(_JPEG)) == _JPEG
    except OSError:
        return False


def _looked_at(entry: os.DirEntry[str], top: str) -> Found | Skipped:
    relative = _relative(entry.path, top)
    path = entry.path
    try:
        if entry.is_symlink():
            path = os.path.realpath(path)
            if os.path.commonpath([path, top]) != top:
                return Skipped(
                    relative, "It is a link to a file outside the job folder; such links aren't followed."
                )
        facts = os.stat(path, follow_symlinks=False)
    except OSError as error:
        return Skipped(relative, f"It could not be opened: {error.strerror}.")
    if not stat.S_ISREG(facts.st_mode):
        return Skipped(relative, "It is named like a photo but is not a file.")
    if _is_drawn(path):
        return Skipped(relative, "It is a picture that collargap drew of a photo, not a photo.")
    return Found(path, relative, facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns)


def _is_drawn(path: str) -> bool:
    """Only files that are named so are looked into here; a worker reads the others, and knows them too."""
    try:
        return _DRAWN.search(os.path.basename(path)) is not None and is_drawn_file(path)
    except OSError:  # said where it is read
        return False


def _relative(path: str, top: str) -> str:
    return os.path.relpath(path, top).replace(os.sep, "/")


def shown(found: Found | Skipped) -> str:
    """The photo's name as a person may read it."""
    return visible(name_of(found.relative))
