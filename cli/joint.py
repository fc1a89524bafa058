"""`collargap joint`: several photos of one joint, and the gap all round the pipe."""

from __future__ import annotations

import re
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.check import FULL, SHORT, UNPROVEN, UnitName

if TYPE_CHECKING:
    from calibration.fittings import Fitting
    from cli.all_round import JointAnswer

_STATUS = {"full": FULL, "short": SHORT, "unproven": UNPROVEN}


def joint_command(
    photos: Annotated[list[Path], typer.Argument(help="Photos of one joint, each from another side.",
                                                 metavar="PHOTO...", show_default=False)],
    fitting: Annotated[str, typer.Option(help="Id of a catalog row, or a nominal size that names one row.",
                                         metavar="ID", show_default=False)],
    at: Annotated[str, typer.Option(
        help="The side of each photo, in the photos' order: degrees round the pipe, clockwise for someone who looks "
             "along the pipe, the collar at their back (0,120,240), or hours of that clock (12h,4h,8h). "
             "Else found from what the photos share.", metavar="SIDES", show_default=False)] = "",
    premark: Annotated[list[Path] | None, typer.Option(
        help="Photo of the marked pipe before it was pushed in: tells a cocked pipe from a mark drawn askew, and the "
             "insertion. Repeat for more sides.", metavar="PHOTO", show_default=False)] = None,
    premark_at: Annotated[str, typer.Option(
        help="The sides of those photos, as for --at. Count by the pipe itself, its print line say: a pipe may turn "
             "as it is pushed in.", metavar="SIDES", show_default=False)] = "",
    catalog: Annotated[Path | None, typer.Option(
        help="Your catalog of fittings (TOML); else COLLARGAP_CATALOG, else the demonstration rows.",
        metavar="FILE", show_default=False)] = None,
    unit: Annotated[UnitName | None, typer.Option(help="Unit of the answer; else the fitting's own.",
                                                  show_default=False)] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object.")] = False,
    overlay: Annotated[Path | None, typer.Option(
        help="Folder for a picture a photo with the reading drawn in.", metavar="FOLDER",
        show_default=False)] = None,
    confidence: Annotated[float, typer.Option(help="Coverage of the interval that decides.", min=0.8,
                                              max=0.999)] = 0.95,
    camera: Annotated[Path | None, typer.Option(
        help="Profile of the camera that took the photos, as `camera solve` wrote it.", metavar="FILE",
        show_default=False)] = None,
) -> None:
    """Judge one joint by several photos: the gap all round the pipe, its worst place, how much was seen.

    The joint is full where the worst gap all round, seen or not, lies at or under the limit with all of its
    interval, and at least half of the circumference was seen. Where the row gives a `min_insertion`, and --premark
    told the mark's depth, the insertion where the pipe is in least decides in place of the gap.

    Exit status: 0 full; 10 short; 11 unproven; 2 misuse; 1 internal error; 130 stopped by Ctrl-C.
    """
    from cli.several import ended

    def work() -> int:
        from calibration.fittings import find_fitting
        from cli import disk
        from cli.all_round import Before, joint_of
        from cli.several import Look, Piped
        from vision.views import join

        row = find_fitting(disk.read_catalog(catalog), fitting)
        sides = sides_deg(at, len(photos)) if at else None
        pipe_sides = _pipe_sides(premark or [], premark_at, sides)
        _make(overlay)
        look = Look(row, unit.value if unit else row.unit, disk.read_camera(camera), confidence)
        began = time.perf_counter()
        before = look.at_pipes(premark or [])
        piped = Piped.of(before, pipe_sides, in_order=True)
        views = look.at_all(photos, piped, sides)
        verdicts = [view.verdict for view in views]
        said = join(verdicts, row, at_deg=sides, mark_askew=piped.mark, pipe=piped.told(verdicts, row, sides),
                    confidence=confidence)
        answer = joint_of(said, row, [view.answer for view in views], look.unit, time.perf_counter() - began,
                          [Before(at_deg=side, photo=pipe) for (_, pipe), side in zip(before, pipe_sides, strict=True)])
        if overlay:
            from cli.overlay import jpeg, write

            taken = {path.name for path in [*photos, *(premark or [])]}
            for view in views:
                write(overlay, view.path, jpeg(view.verdict, view.answer, row), taken)
        _tell(answer, row, as_json, confidence)
        return _STATUS[answer.verdict]

    ended(work)


def _pipe_sides(premark: list[Path], text: str, sides: list[float] | None) -> list[float]:
    """From where the marked pipe was photographed; raises Misuse where that can't be set against the joint's sides."""
    from calibration.fittings import Misuse

    if bool(premark) != bool(text):
        raise Misuse("--premark and --premark-at belong together: name the photos of the marked pipe, and their sides.")
    if premark and sides is None:
        raise Misuse("--premark tells where the mark slants only against sides that are named: say those of the "
                     "joint's photos with --at, counted by the same line on the pipe.")
    return sides_deg(text, len(premark), "--premark-at") if premark else []


def sides_deg(text: str, photos: int, said_by: str = "--at") -> list[float]:
    """`0,120,240` or `12h,4h,8h` as degrees; raises Misuse where it can't be read or doesn't fit the photos.

    said_by: the option or column that it stands in.
    """
    from calibration.fittings import Misuse
    from cli.say import shown

    sides = [_side_deg(part) for part in re.split(r"\s*,\s*|\s+", text.strip())]
    known = [side for side in sides if side is not None]
    if len(known) != len(sides):
        raise Misuse(f"{said_by} {shown(text)} can't be read. Write degrees like 0,120,240 or hours like 12h,4h,8h.")
    if len(known) != photos:
        there = "is 1 photo" if photos == 1 else f"are {photos} photos"
        raise Misuse(f"{said_by} names {len(known)} side{'' if len(known) == 1 else 's'}, but there {there}. "
                     "Name one side a photo, in their order.")
    return known


def _side_deg(part: str) -> float | None:
    hours = part[-1:] in ("h", "H")
    try:
        number = float(part[:-1] if hours else part)
    except ValueError:
        return None
    if hours:
        return 30 * (number % 12) if 0 <= number <= 12 else None
    return number % 360 if -360 <= number <= 360 else None


def _make(folder: Path | None) -> None:
    from cli.check import make_folder

    make_folder(folder)


def _tell(answer: JointAnswer, row: Fitting, as_json: bool, confidence: float) -> None:
    if as_json:
        typer.echo(answer.model_dump_json())
        return
    from rich.console import Console

    from cli import say
    from cli.all_round import block

    console: Any = Console(highlight=False, markup=False, emoji=False)
    console.print(say.heading(row, answer.unit), soft_wrap=True)
    if row.is_demo:
        console.print(say.DEMO, style="bold", soft_wrap=True)
    console.print()
    console.print(block(answer, confidence))
    console.print(say.CAUTIONS, style="dim")
