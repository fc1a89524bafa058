"""Plain files as bytes, and files that appear as a whole or not at all."""

from __future__ import annotations

import errno
import os
import stat
import tempfile
from collections.abc import Container, Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import IO, Any

LARGEST_BYTES = 256 * 2**20
NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
MADE_HERE = b"collargap: a photo with the reading drawn into it"  # in every picture that is drawn of a photo
_HEAD_BYTES = 4096


class NotPlain(OSError):
    """A pipe, a device: it may never end."""


class TooLarge(OSError):
    """More bytes than any photo has."""


def is_drawn(data: bytes) -> bool:
    """Whether a file's bytes, the first of them at least, are those of a picture that was drawn here, and no photo."""
    return MADE_HERE in data[:_HEAD_BYTES]


def is_drawn_file(path: Path | str) -> bool:
    """The same of a file on disk.  Raises OSError."""
    with open(path, "rb") as file:
        return is_drawn(file.read(_HEAD_BYTES))


def own_place(folder: Path, stem: str, taken: Container[str] = ()) -> Path:
    """Where a drawn picture may lie: STEM.jpg, or STEM-2.jpg and so on where that is somebody's photo, or `taken`."""
    names = (f"{stem}{'' if number == 1 else f'-{number}'}.jpg" for number in count(1))
    return next(folder / name for name in names if name not in taken and _is_ours(folder / name))


def _is_ours(path: Path) -> bool:
    """Whether nothing lies there but an earlier picture of this kind, which may be replaced."""
    try:
        return is_drawn_file(path)
    except IsADirectoryError:
        return False
    except OSError:  # nothing there, or writing says what is wrong
        return True


def plain_bytes(path: Path | str, links: bool = True) -> bytes:
    """All bytes of a plain file; links: whether it may be named by one.

    Raises OSError: IsADirectoryError for a folder, NotPlain, TooLarge above 256 MiB, and what the disk has to say.
    """
    if os.path.isdir(path):  # some systems only say that it may not be read
        raise IsADirectoryError(None, "it is a folder")
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    flags |= 0 if links else getattr(os, "O_NOFOLLOW", 0)
    with open(path, "rb", opener=lambda name, _: os.open(name, flags)) as file:  # shut too where it can't be a file
        facts = os.fstat(file.fileno())
        if not stat.S_ISREG(facts.st_mode):
            raise NotPlain(None, "it is not a plain file")
        if facts.st_size > LARGEST_BYTES:
            raise TooLarge(None, f"the file is larger than {LARGEST_BYTES // 2**20} MiB")
        return file.read(LARGEST_BYTES)


def is_output_lost(error: Exception) -> bool:
    """Whether standard output can take no more: files that are written by name tell of it themselves."""
    return isinstance(error, OSError) and error.errno in NO_ROOM | {errno.EIO} and error.filename is None


@contextmanager
def whole_file(path: Path, binary: bool = False) -> Iterator[IO[Any]]:
    """A file that appears under its name only when it is complete; the one before stays until then, and the new one
    has its permissions.  Of text unless `binary`.

    Raises OSError, and then leaves nothing behind.
    """
    handle, draft = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    try:
        with open(handle, "wb") if binary else open(handle, "w", encoding="utf-8", newline="") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        os.chmod(draft, path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_UMASK)
        os.replace(draft, path)
    except BaseException:
        Path(draft).unlink(missing_ok=True)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


_UMASK = _umask()  # once: it can only be read by setting it, for all threads, and these may be writing files
