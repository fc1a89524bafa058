"""`collargap check`: photos in, answers out; the other photos are answered whatever happens to one.

Where the marked pipe's photo can't be judged the joint's is not either: by itself it may say what the other would not
bear out.
"""

from __future__ import annotations

import hashlib
import os
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Generic, NoReturn, TypeVar

import typer

if TYPE_CHECKING:
    from calibration.camera import Profile
    from calibration.fittings import Fitting, Unit
    from cli.answer import Answer, Before, PremarkAnswer
    from cli.lines import Lines
    from vision.records import Hand, PremarkVerdict, Verdict

AnyAnswer = TypeVar("AnyAnswer", bound="Answer | PremarkAnswer")
Found = TypeVar("Found")
FULL, SHORT, UNPROVEN, MISUSE, INTERNAL, INTERRUPTED = 0, 10, 11, 2, 1, 130
WHOLE_DEG = 360.0


class UnitName(StrEnum):
    """Unit of the answer."""

    inch = "in"
    mm = "mm"


def inspect(data: bytes, fitting: Fitting, camera: Profile | None, confidence: float,
            hand: Hand | None = None) -> Verdict:
    """The one door to the measuring; imported late, as it brings the networks along."""
    from vision.pipeline import inspect as look

    return look(data, fitting, camera, confidence, hand)


def check_command(
    photos: Annotated[list[Path], typer.Argument(help="Photos of joints: JPEG, PNG, WebP, HEIC or TIFF.",
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
    premark: Annotated[Path | None, typer.Option(
        help="With one photo: photo of its joint's marked pipe before it was pushed in; the insertion is then told "
             "from both.",
        metavar="PHOTO", show_default=False)] = None,
    turned: Annotated[float | None, typer.Option(
        help="With --premark: by how many degrees the photo was taken from further round the pipe than that one, "
             "clockwise for someone who looks along the pipe, the collar at their back; 0 for the same side.",
        metavar="DEGREES", show_default=False)] = None,
    assist: Annotated[Path | None, typer.Option(
        help="Lines that a person placed on the one photo (JSON); the answer is marked as assisted.",
        metavar="FILE", show_default=False)] = None,
) -> None:
    """Judge photos of pressed joints: full, short or unproven.

    Exit status: 0 all full; 10 at least one short; 11 none short, at least one unproven;
    2 misuse; 1 internal error; 130 stopped by Ctrl-C.
    """
    from calibration.fittings import Misuse, find_fitting
    from cli import disk

    try:
        row = find_fitting(disk.read_catalog(catalog), fitting)
        known = disk.read_camera(camera)
        lines = disk.read_lines(assist, len(photos))
        _refuse_pipe(premark, turned, len(photos))
        make_folder(overlay)
    except Misuse as error:
        leave(str(error), MISUSE)
    asked = Asked(row, unit.value if unit else row.unit, known, confidence, overlay, as_json, budget, lines, turned)
    course: Course[Answer] = Course.of(photos)
    try:
        marked = _marked(premark, asked, course) if premark else None
        if marked or not premark:
            answer_all(photos, course, lambda path, data: _answer(path, data, asked, course, marked),
                       Voice(asked, len(photos)))
    except KeyboardInterrupt:
        leave(f"Stopped: {len(course.answers)} of {len(photos)} photos were answered.", INTERRUPTED)
    raise typer.Exit(course.exit_status())


def _refuse_pipe(premark: Path | None, turned: float | None, photos: int) -> None:
    """Raises Misuse where the marked pipe can't be that of the photos: every joint has its own."""
    from calibration.fittings import Misuse

    if turned is not None and premark is None:
        raise Misuse("--turned says where the joint was photographed from the marked pipe: name its photo with "
                     "--premark too.")
    if premark is not None and photos > 1:
        raise Misuse("--premark shows the pipe of one joint, and belongs to one photo of it. Check other joints by "
                     "themselves, each with its own marked pipe; put several photos of one joint together with "
                     "collargap joint.")
    refuse_turn(turned)


def refuse_turn(turned: float | None) -> None:
    """Raises Misuse where a turn is no number of degrees, or more than once round."""
    from calibration.fittings import Misuse

    if turned is not None and not abs(turned) <= WHOLE_DEG:  # what is no number is not
        raise Misuse(f"--turned {turned:g} is no turn. Name degrees from -{WHOLE_DEG:g} to {WHOLE_DEG:g}.")


@dataclass(frozen=True)
class Asked:
    """What the command line asked for."""

    fitting: Fitting
    unit: Unit
    camera: Profile | None
    confidence: float
    overlay: Path | None
    as_json: bool
    budget: bool
    lines: Lines | None = None
    turned_deg: float | None = None


@dataclass
class Course(Generic[AnyAnswer]):
    """How it went: answers in order, and whether anything was misused or broke."""

    answers: list[AnyAnswer] = field(default_factory=list)
    misused: bool = False
    broke: bool = False
    pictures: set[str] = field(default_factory=set)

    @classmethod
    def of(cls, photos: Iterable[Path]) -> Course[AnyAnswer]:
        """Before the first answer.  No overlay takes a photo's name: that may be one of an earlier run, yet to be
        read."""
        return cls(pictures={photo.name for photo in photos})

    def exit_status(self) -> int:
        """The worst of what happened, in the order of the documentation."""
        words = {answer.verdict for answer in self.answers}
        if self.broke:
            return INTERNAL
        if self.misused:
            return MISUSE
        return SHORT if words & {"short", "misplaced"} else UNPROVEN if "unproven" in words else FULL


def answer_all(photos: list[Path], course: Course[AnyAnswer], answer: Callable[[Path, bytes], AnyAnswer],
               voice: Voice[AnyAnswer]) -> None:
    """Answer for every photo and say it."""
    with voice.progress() as step:
        for path in photos:
            told = guarded(path, course, answer)
            if told:
                course.answers.append(told)
                voice.say(told)
            step()
    voice.close(course.answers)


def guarded(path: Path, course: Course[Any], answer: Callable[[Path, bytes], Found]) -> Found | None:
    """What a photo is answered with, or None after a sentence on standard error."""
    from calibration.fittings import Misuse
    from cli import disk
    from cli.say import shown

    try:
        return answer(path, disk.read_photo(path))
    except Misuse as error:
        course.misused = True
        name = shown(path)
        typer.echo(str(error) if name in str(error) else f"{name}: {error}", err=True)
    except Exception as error:  # a fault of the program on one photo must not cost the others their answers
        course.broke = True
        typer.echo(f"{shown(path)}: internal error ({type(error).__name__}: {error}). This is a fault of "
                   "collargap, not of the photo: please report it with the photo.", err=True)
        if os.environ.get("COLLARGAP_TRACEBACK"):
            import traceback

            traceback.print_exc()
    return None


def _answer(path: Path, data: bytes, asked: Asked, course: Course[Answer], marked: Marked | None) -> Answer:
    from cli.answer import answer_of
    from cli.say import shown

    began, lines = time.perf_counter(), asked.lines
    sha256 = hashlib.sha256(data).hexdigest()
    if lines:
        lines.fit_bytes(sha256)
        verdict = inspect(data, asked.fitting, asked.camera, asked.confidence, lines.hand())
        lines.fit_picture(verdict)
    else:
        verdict = inspect(data, asked.fitting, asked.camera, asked.confidence)
    if marked:
        verdict = _beside(verdict, marked.verdict, asked)
    answer = answer_of(verdict, asked.fitting, photo=shown(path), sha256=sha256, unit=asked.unit,
                       seconds=time.perf_counter() - began, before=marked.told if marked else None, lines=lines)
    if asked.overlay:
        from calibration.fittings import Misuse
        from cli.overlay import jpeg, write

        try:
            write(asked.overlay, path, jpeg(verdict, answer, asked.fitting), course.pictures)
        except Misuse as error:  # the answer counts without its picture
            course.misused = True
            typer.echo(f"{shown(path)}: {error}", err=True)
    return answer


def _beside(verdict: Verdict, pipe: PremarkVerdict, asked: Asked) -> Verdict:
    """What the photo of the marked pipe adds; where both sides are known, of the one that the joint's photo shows."""
    from vision.pipeline import with_premark

    if asked.turned_deg is None:
        return with_premark(verdict, pipe, asked.fitting)
    from vision.depths import Depths
    from vision.drawn import Before

    return with_premark(verdict, pipe, asked.fitting, Depths.of([Before(pipe, 0.0)], 0), asked.turned_deg)


@dataclass(frozen=True)
class Marked:
    """The joint's pipe before it was pushed in: what was found, and how an answer names it."""

    verdict: PremarkVerdict
    told: Before


def _marked(path: Path, asked: Asked, course: Course[Answer]) -> Marked | None:
    """The photo of the marked pipe, judged; None after a sentence on standard error."""
    from cli.answer import before_of
    from cli.premark import answer_of_pipe

    def look(path: Path, data: bytes) -> Marked:
        verdict, answer = answer_of_pipe(path, data, asked)
        return Marked(verdict, before_of(answer))

    return guarded(path, course, look)


class Voice(Generic[AnyAnswer]):
    """Standard output: JSON Lines, or blocks for people.  Everything else goes to standard error."""

    def __init__(self, asked: Asked, count: int) -> None:
        self.asked, self.count = asked, count
        self.console: Any = None
        if not asked.as_json:
            from rich.console import Console

            from cli import say

            self.console = Console(highlight=False, markup=False, emoji=False)
            self.console.print(say.heading(asked.fitting, asked.unit), soft_wrap=True)
            if asked.fitting.is_demo:
                self.console.print(say.DEMO, style="bold", soft_wrap=True)
            self.console.print()
            sys.stdout.flush()

    def block(self, answer: Any) -> Any:
        """One answer as people read it."""
        from cli import say

        return say.block(answer, self.asked.confidence, self.asked.budget)

    def table(self, answers: list[Any]) -> Any:
        """Several, a line each."""
        from cli import say

        return say.table(answers)

    def say(self, answer: AnyAnswer) -> None:
        """One answer, as soon as it is there."""
        if self.asked.as_json:
            typer.echo(answer.model_dump_json())
            return
        self.console.print(self.block(answer))

    def close(self, answers: list[AnyAnswer]) -> None:
        """The table of several answers, and the cautions."""
        if self.asked.as_json or not answers:
            return
        from cli import say

        if self.count > 1:
            self.console.print(self.table(answers))
            self.console.print()
        self.console.print(say.CAUTIONS, style="dim")

    @contextmanager
    def progress(self) -> Iterator[Any]:
        """A bar while several photos are checked on a terminal; silence in a pipe."""
        if self.count < 2 or not sys.stderr.isatty():
            yield lambda: None
            return
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

        terminal = self.console if self.console and sys.stdout.isatty() else Console(stderr=True)
        columns = BarColumn(), MofNCompleteColumn(), TimeRemainingColumn()
        with Progress(*columns, console=terminal, transient=True) as bar:
            task = bar.add_task("", total=self.count)
            yield lambda: bar.advance(task)


def make_folder(folder: Path | None) -> None:
    """Make a folder for pictures, if one is asked for.  Raises Misuse where it can't be written to."""
    from calibration.fittings import Misuse
    from cli.say import shown

    if folder is None:
        return
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not os.access(folder, os.W_OK):
            raise PermissionError
    except OSError as error:
        raise Misuse(f"The folder {shown(folder)} for overlays can't be written to "
                     f"({error.strerror or 'no permission'}). Name another.") from None


def leave(sentence: str, status: int) -> NoReturn:
    """A sentence on standard error, and out."""
    typer.echo(sentence, err=True)
    raise typer.Exit(status)
