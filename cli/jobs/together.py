"""Joints of which the list says from which sides their photos were taken: what all photos say together.

The photos are looked at again, in a worker, as the gap all round takes more than their answers hold.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from calibration.fittings import Fitting, Misuse, Unit
from cli.jobs.asked import Course, Job
from cli.jobs.engine import Engine, stream
from cli.jobs.findings import Finding, finding
from cli.jobs.keeper import Rows
from cli.jobs.lengths import interval_of, limit_of
from cli.jobs.store import Sides, Store
from cli.jobs.text import visible
from cli.jobs.worker import read_photo
from cli.lines import lines_beside
from cli.say import decimal

if TYPE_CHECKING:
    from cli.answer import PremarkAnswer
    from vision.records import PremarkVerdict


@dataclass(frozen=True)
class Views:
    """Photos of one joint, and of its marked pipe, and where they were taken from, degrees round the pipe.

    pipe_sides_deg: empty where the list doesn't say them.
    """

    joint: str
    paths: tuple[str, ...]
    names: tuple[str, ...]
    sides_deg: tuple[float, ...]
    fitting: Fitting
    camera: Any
    confidence: float
    unit: Unit | None
    pipe_paths: tuple[str, ...] = ()
    pipe_names: tuple[str, ...] = ()
    pipe_sides_deg: tuple[float, ...] = ()


def combine(views: Views) -> dict[str, Any]:
    """The JSON of `collargap joint` for these photos, with their names in place of their answers; and `answers`: these,
    by the names."""
    import hashlib
    import time

    from cli.all_round import joint_of
    from cli.answer import answer_of, before_of
    from cli.copies import Shot, refuse_copies
    from cli.several import Piped
    from vision.pipeline import as_marked, inspect
    from vision.views import join

    began = time.perf_counter()
    unit, row = views.unit or views.fitting.unit, views.fitting
    piped = Piped.of([_pipe(views, path, name, unit) for path, name in zip(views.pipe_paths, views.pipe_names,
                                                                           strict=True)], views.pipe_sides_deg)
    verdicts, answers = [], []
    for path, name, side in zip(views.paths, views.names, views.sides_deg, strict=True):
        data = read_photo(path)
        sha256, lines = hashlib.sha256(data).hexdigest(), lines_beside(path)
        if lines:
            lines.fit_bytes(sha256)
        verdict = inspect(data, row, views.camera, views.confidence, lines.hand() if lines else None)
        for pipe in piped.verdicts:
            verdict = as_marked(verdict, pipe, row)
        verdicts.append(verdict)
        answers.append(answer_of(piped.beside(verdict, row, side), row, photo=name, sha256=sha256, unit=unit,
                                 seconds=0.0, lines=lines, before=before_of(piped.best[1]) if piped.best else None))
    shots = (Shot.of(*photo) for photo in zip(verdicts, answers, views.sides_deg, strict=True))
    refuse_copies([*piped.shots, *shots])
    said = join(verdicts, row, at_deg=views.sides_deg, mark_askew=piped.mark,
                pipe=piped.told(verdicts, row, views.sides_deg), confidence=views.confidence)
    told = joint_of(said, row, answers, unit, time.perf_counter() - began).model_dump(mode="json")
    sides = views.pipe_sides_deg or (None,) * len(views.pipe_names)
    return told | {"answers": {view["photo"]["photo"]: view["photo"] for view in told["views"]},
                   "views": [view | {"photo": view["photo"]["photo"]} for view in told["views"]],
                   "premark": [{"at_deg": side, "photo": name} for name, side in zip(views.pipe_names, sides,
                                                                                   strict=True)]}


def _pipe(views: Views, path: str, name: str, unit: Unit) -> tuple[PremarkVerdict, PremarkAnswer]:
    """What a photo of the marked pipe says."""
    import hashlib

    from cli.answer import premark_answer_of
    from vision.pipeline import inspect_premark

    data = read_photo(path)
    said = inspect_premark(data, views.fitting, views.camera, views.confidence)
    return said, premark_answer_of(said, views.fitting, photo=name, sha256=hashlib.sha256(data).hexdigest(), unit=unit,
                                   seconds=0.0)


def combine_all(job: Job, store: Store, engine: Callable[[], Engine], course: Course) -> None:
    """Combine every joint whose sides are known; what can't be combined is said, and stays as its photos have it."""
    tasks = list(_tasks(job, store, course))
    if not tasks or job.combiner is None:
        return
    for views, outcome in stream(engine(), job.combiner, tasks):
        if isinstance(outcome, Exception):
            course.notices.append(f"The photos of joint {visible(views.joint)} could not be put together ({outcome}); "
                                  "each of them counts by itself, and none makes it full.")
        else:
            store.put_together(views.joint, outcome)


def _tasks(job: Job, store: Store, course: Course) -> Iterator[Views]:
    rows = Rows(job)
    for sides in store.sides():
        trouble = _trouble(sides)
        if trouble:
            course.notices.append(f"Joint {visible(sides.joint.name)}: {trouble} Its photos count each by itself, and "
                                  "none makes it full.")
            continue
        yield Views(sides.joint.name, sides.paths, sides.names, tuple(_degrees(sides)), rows.row(sides.joint.fitting),
                    job.camera, job.confidence, job.unit, sides.pipe_paths, sides.pipe_names,
                    tuple(_pipe_degrees(sides)))


def _trouble(sides: Sides) -> str:
    """Why the sides of the list can't be used, or ""."""
    if not sides.answered:
        return "not all of its photos could be checked."
    try:
        _degrees(sides)
        _pipe_degrees(sides)
    except Misuse as error:
        return str(error)
    return ""


def _degrees(sides: Sides) -> list[float]:
    from cli.joint import sides_deg

    return sides_deg(sides.joint.sides, len(sides.names), "its column 'sides'")


def _pipe_degrees(sides: Sides) -> list[float]:
    from cli.joint import sides_deg

    told = sides.joint.premark_sides
    return sides_deg(told, len(sides.pipe_names), "its column 'premark sides'") if told else []


def _inserted(together: dict[str, Any]) -> str:
    """The insertion, where it is what decides."""
    least = together.get("min_insertion")
    if not together.get("insertion") or least is None:
        return ""
    return (f" Where the pipe is in least it is in by {interval_of(together, 'insertion')}; "
            f"{limit_of(together | {'limit': least})} is the least allowed.")


def findings_of(together: dict[str, Any]) -> list[Finding]:
    """What a joint that was put together shows."""
    worst, unit, seen = together["worst"], together["unit"], together["seen"]
    if worst is None:
        return []
    count = len(together["views"])
    alone = ", by the joint's photos alone," if together.get("premark") else ""
    text = (f"Seen from {count} side{'' if count == 1 else 's'}, {seen:.0%} of the circumference: worst gap all round"
            f"{alone} {decimal(worst['value'], unit)} {unit} ({interval_of(together, 'worst')}) at "
            f"{together['worst_at_deg']:.0f} degrees.{_inserted(together)}")
    reasons = [each for each in together["reasons"] if each["code"] != "demo-fitting"]
    return [finding("all-round", text, weighs=False),
            *(Finding(each["code"], each["text"], each["advice"], weighs=together["verdict"] != "full")
              for each in reasons)]
