"""`collargap premark`: photos of marked pipes before they are pushed in, judged by the mark's depth."""

from __future__ import annotations

import hashlib
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.check import INTERRUPTED, MISUSE, Asked, Course, UnitName, Voice, answer_all, leave, make_folder

if TYPE_CHECKING:
    from calibration.camera import Profile
    from calibration.fittings import Fitting
    from cli.answer import PremarkAnswer
    from vision.records import PremarkVerdict


def inspect(data: bytes, fitting: Fitting, camera: Profile | None, confidence: float) -> PremarkVerdict:
    """The one door to the measuring; imported late, as it brings the networks along."""
    from vision.pipeline import inspect_premark

    return inspect_premark(data, fitting, camera, confidence)


def premark_command(
    photos: Annotated[list[Path], typer.Argument(help="Photos of marked pipes, cut end and mark in the frame.",
                                                 metavar="PHOTO...", show_default=False)],
    fitting: Annotated[str, typer.Option(help="Id of a catalog row, or a nominal size that names one row.",
                                         metavar="ID", show_default=False)],
    catalog: Annotated[Path | None, typer.Option(
        help="Your catalog of fittings (TOML); else COLLARGAP_CATALOG, else the demonstration rows.",
        metavar="FILE", show_default=False)] = None,
    unit: Annotated[UnitName | None, typer.Option(help="Unit of the answer; else the fitting's own.",
                                                  show_default=False)] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a photo, one a line.")] = False,
    overlay: Annotated[Path | None, typer.Option(
        help="Folder for a picture a photo with the reading drawn in.", metavar="FOLDER",
        show_default=False)] = None,
    budget: Annotated[bool, typer.Option("--budget", help="Show what the uncertainty is made of.")] = False,
    confidence: Annotated[float, typer.Option(help="Coverage of the interval that decides.", min=0.8,
                                              max=0.999)] = 0.95,
    camera: Annotated[Path | None, typer.Option(
        help="Profile of the camera that took the photos, as `camera solve` wrote it.", metavar="FILE",
        show_default=False)] = None,
) -> None:
    """Judge marked pipes before they are pushed in: is the mark at its depth, and the cut square?

    The depth runs from the cut end to the mark's edge that faces it. It is judged only where the catalog gives a
    `mark_tolerance`; else the number and its interval are told.

    Exit status: 0 all placed; 10 at least one misplaced; 11 none misplaced, at least one unproven;
    2 misuse; 1 internal error; 130 stopped by Ctrl-C.
    """
    from calibration.fittings import Misuse, find_fitting
    from cli import disk

    try:
        row = find_fitting(disk.read_catalog(catalog), fitting)
        known = disk.read_camera(camera)
        make_folder(overlay)
    except Misuse as error:
        leave(str(error), MISUSE)
    asked = Asked(row, unit.value if unit else row.unit, known, confidence, overlay, as_json, budget)
    course: Course[PremarkAnswer] = Course.of(photos)
    try:
        answer_all(photos, course, lambda path, data: _answer(path, data, asked, course), _Voice(asked, len(photos)))
    except KeyboardInterrupt:
        leave(f"Stopped: {len(course.answers)} of {len(photos)} photos were answered.", INTERRUPTED)
    raise typer.Exit(course.exit_status())


def _answer(path: Path, data: bytes, asked: Asked, course: Course[PremarkAnswer]) -> PremarkAnswer:
    verdict, answer = answer_of_pipe(path, data, asked)
    if asked.overlay:
        from cli.overlay import write
        from cli.premark_overlay import jpeg

        write(asked.overlay, path, jpeg(verdict, answer, asked.fitting), course.pictures)
    return answer


def answer_of_pipe(path: Path, data: bytes, asked: Asked) -> tuple[PremarkVerdict, PremarkAnswer]:
    """What was found of a marked pipe, and how it is told."""
    from cli.answer import premark_answer_of
    from cli.say import shown

    began = time.perf_counter()
    verdict = inspect(data, asked.fitting, asked.camera, asked.confidence)
    answer = premark_answer_of(verdict, asked.fitting, photo=shown(path), sha256=hashlib.sha256(data).hexdigest(),
                               unit=asked.unit, seconds=time.perf_counter() - began)
    return verdict, answer


class _Voice(Voice["PremarkAnswer"]):
    """Says what was found of marked pipes."""

    def block(self, answer: Any) -> Any:
        """One answer as people read it."""
        from cli import say

        return say.premark_block(answer, self.asked.confidence, self.asked.budget)

    def table(self, answers: list[Any]) -> Any:
        """Several, a line each."""
        from cli import say

        return say.premark_table(answers)
