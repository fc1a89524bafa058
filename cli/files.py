"""Plain files as bytes."""

from __future__ import annotations

import os
import stat
from pathlib import Path

LARGEST_BYTES = 256 * 2**20


class NotPlain(OSError):
    """A pipe, a device: it may never end."""


class TooLarge(OSError):
    """More bytes than any photo has."""


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
