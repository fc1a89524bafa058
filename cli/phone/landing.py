"""A whole photo put under its name in the job folder, over nothing that is there."""

from __future__ import annotations

import hashlib
import os
from contextlib import suppress
from pathlib import Path

from cli.jobs.worker import read_photo
from cli.phone.intake import Incoming


def lies_there(path: Path, incoming: Incoming) -> bool:
    """Move a photo to its name, unless it lies there already; False where something else does."""
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        try:
            os.link(incoming.path, path)  # unlike a rename it never writes over what is there
        except FileExistsError:
            raise
        except OSError:  # a disk without links
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
            os.replace(incoming.path, path)
    except FileExistsError:
        return hashlib.sha256(read_photo(str(path))).hexdigest() == incoming.sha256
    os.chmod(path, 0o644)
    incoming.path.unlink(missing_ok=True)
    _settle(path.parent)
    return True


def _settle(folder: Path) -> None:
    """Write a folder's entries through to the disk, where the system can."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
