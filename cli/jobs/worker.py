"""What a worker does with one photo: read it, know it by its hash, look at it.  Runs in other processes, and
on other machines; so everything that goes in and comes out can be pickled and is small.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from calibration.fittings import Fitting, Misuse, Unit
from cli.answer import program_version
from cli.files import is_drawn, plain_bytes
from cli.lines import Lines

Kind = Literal["joint", "premark"]


@dataclass(frozen=True)
class Looked:
    """What an inspection brings back: the answer in the JSON of `check`, and what a job needs besides.

    overlay: a small JPEG with the reading drawn in, or b"".  phash: all of `duplicates.picture_hashes`, or b"".
    taken: the photo's own date and time as EXIF writes it, or "".
    """

    answer: dict[str, Any]
    overlay: bytes = b""
    phash: bytes = b""
    taken: str = ""


Inspector = Callable[["Task", bytes], Looked]


@dataclass(frozen=True)
class Task:
    """One photo to check.

    known: hashes of photos of this size that have an answer under the same settings; they aren't checked
    twice.
    version: of the program that asks; a worker of another version refuses.
    kind: what it shows, a made joint or a marked pipe before it is pushed in.
    lines: those that a person placed on the photo, or None.
    """

    key: int
    path: str
    name: str
    fitting: Fitting
    camera: Any
    confidence: float
    unit: Unit | None
    known: frozenset[str]
    version: str
    inspector: Inspector
    kind: Kind = "joint"
    lines: Lines | None = None


@dataclass(frozen=True)
class Checked:
    """What came of a task.  looked: None where the photo was known already, or failed (`error` says why).

    fault: the failure is the program's, not the photo's.
    """

    key: int
    sha256: str = ""
    looked: Looked | None = None
    error: str = ""
    fault: bool = False


def check(task: Task) -> Checked:
    """Read and check one photo.  Never raises for what a photo or a disk can do; errors come as sentences."""
    _settle()
    if task.version != program_version():
        here = program_version()
        told = f"The worker runs collargap {here}, the job {task.version}: install the same version on both."
        return Checked(task.key, error=told, fault=True)
    try:
        data = read_photo(task.path)
    except OSError as error:
        return Checked(task.key, error=f"The photo could not be read: {error.strerror or error}.")
    sha256 = hashlib.sha256(data).hexdigest()
    if is_drawn(data):
        return Checked(task.key, sha256, error="It is a picture that collargap drew of a photo, not a photo. Take it "
                                               "out of the folder, or put the photo itself in its place.")
    if sha256 in task.known:
        return Checked(task.key, sha256)
    began = time.perf_counter()
    try:
        looked = task.inspector(task, data)
    except Misuse as error:
        return Checked(task.key, sha256, error=str(error))
    except MemoryError:
        return Checked(task.key, sha256, error="The photo needs more memory than there is.")
    except Exception as error:  # a fault of the program must cost one photo, not the job
        told = f"The check failed on this photo ({type(error).__name__}: {error})."
        return Checked(task.key, sha256, error=told, fault=True)
    answer = {"seconds": round(time.perf_counter() - began, 3), **looked.answer}
    answer |= {"photo": task.name, "sha256": sha256, "version": task.version}
    return Checked(task.key, sha256, Looked(answer, looked.overlay, looked.phash, looked.taken))


def read_photo(path: str) -> bytes:
    """All bytes of a file of a job folder.  Raises OSError, also for links, which may lead out of it."""
    return plain_bytes(path, links=False)


@cache
def _settle() -> None:
    """One OpenCV thread a worker: the photos are what runs in parallel."""
    try:
        import cv2
    except ImportError:
        return
    cv2.setNumThreads(1)
