"""The real inspection: the same door that `check` goes through, and the picture of what was read."""

from __future__ import annotations

import hashlib
import io
import time
from typing import TYPE_CHECKING

from cli.files import MADE_HERE
from cli.jobs.duplicates import picture_hashes
from cli.jobs.worker import Looked, Task

if TYPE_CHECKING:
    from cli.answer import Answer
    from vision.records import Verdict

_LONG_SIDE_PX = 800
_QUALITY = 66


def inspect_photo(task: Task, data: bytes) -> Looked:
    """Inspect a photo's bytes.  Runs in a worker; what it needs is loaded there, not in the parent."""
    return _pipe(task, data) if task.kind == "premark" else _joint(task, data)


def _joint(task: Task, data: bytes) -> Looked:
    from cli.answer import answer_of
    from vision.pipeline import inspect

    began, lines = time.perf_counter(), task.lines
    sha256 = hashlib.sha256(data).hexdigest()
    if lines:
        lines.fit_bytes(sha256)
    verdict = inspect(data, task.fitting, task.camera, task.confidence, lines.hand() if lines else None)
    if lines:
        lines.fit_picture(verdict)
    answer = answer_of(
        verdict, task.fitting, photo=task.name, sha256=sha256, unit=task.unit or task.fitting.unit,
        seconds=time.perf_counter() - began, lines=lines,
    )  # fmt: skip
    told = answer.model_dump(mode="json")
    if verdict.photo is None:
        return Looked(told)
    return Looked(
        told, _overlay(verdict, answer, task), b"".join(picture_hashes(verdict.photo.pixels)), verdict.photo.taken
    )


def _pipe(task: Task, data: bytes) -> Looked:
    """A marked pipe before it was pushed in."""
    from cli.answer import premark_answer_of
    from cli.premark_overlay import jpeg
    from vision.pipeline import inspect_premark

    began = time.perf_counter()
    verdict = inspect_premark(data, task.fitting, task.camera, task.confidence)
    answer = premark_answer_of(
        verdict, task.fitting, photo=task.name, sha256=hashlib.sha256(data).hexdigest(),
        unit=task.unit or task.fitting.unit, seconds=time.perf_counter() - began,
    )  # fmt: skip
    told, photo = answer.model_dump(mode="json"), verdict.photo
    if photo is None:
        return Looked(told)
    picture = jpeg(verdict, answer, task.fitting, _LONG_SIDE_PX, _QUALITY)
    return Looked(told, picture, b"".join(picture_hashes(photo.pixels)), photo.taken)


def _overlay(verdict: Verdict, answer: Answer, task: Task) -> bytes:
    """Small enough for a ledger and a report: some 60 kB."""
    from cli.overlay import draw

    if verdict.photo is None:
        return b""
    made = io.BytesIO()
    draw(verdict, verdict.photo, answer, task.fitting, _LONG_SIDE_PX).save(
        made, "JPEG", quality=_QUALITY, comment=MADE_HERE)
    return made.getvalue()
