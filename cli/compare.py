"""`collargap compare`: has the pipe moved since?  Two photos named, or a joint's first and latest in the ledger."""

from __future__ import annotations

import math
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.check import UnitName, refuse_turn

if TYPE_CHECKING:
    from calibration.fittings import Fitting, Unit
    from cli.change import ChangeAnswer
    from cli.several import Viewed
    from vision.compare import Comparison, Turn

STILL, MOVED, UNPROVEN = 0, 10, 11
_STATUS = {"still": STILL, "moved": MOVED, "unproven": UNPROVEN}


def compare_command(
    photos: Annotated[list[Path] | None, typer.Argument(
        help="The earlier photo, then the later one; or none, with --joint.", metavar="[OLD NEW]",
        show_default=False)] = None,
    fitting: Annotated[str, typer.Option(
        help="Id of a catalog row, or a nominal size that names one row; with --joint the ledger knows it.",
        metavar="ID", show_default=False)] = "",
    joint: Annotated[str, typer.Option(help="A joint of the ledger: its first and its latest photo.",
                                       metavar="NAME", show_default=False)] = "",
    site: Annotated[str, typer.Option(help="Part of the site's name, where several have such a joint.",
                                      show_default=False)] = "",
    ledger: Annotated[Path | None, typer.Option(
        help="The ledger; else COLLARGAP_LEDGER, else the one in your data folder.", metavar="FILE",
        show_default=False)] = None,
    photos_in: Annotated[Path | None, typer.Option(
        "--photos", help="Folder in which the ledger's photos lie now, where they were moved.", metavar="FOLDER",
        show_default=False)] = None,
    turned: Annotated[float | None, typer.Option(
        help="By how many degrees round the pipe the later photo was taken from the earlier one, clockwise for "
             "someone who looks along the pipe, the collar at their back; 0: from the same side. Else found from "
             "what both photos show.", metavar="DEGREES", show_default=False)] = None,
    movement: Annotated[float | None, typer.Option(
        help="The smallest movement that matters, in the answer's unit; else the fitting's largest gap.",
        metavar="LENGTH", show_default=False)] = None,
    picture: Annotated[Path | None, typer.Option(
        help="Writes both photos at one scale, aligned on the mouth, as a JPEG.", metavar="FILE",
        show_default=False)] = None,
    catalog: Annotated[Path | None, typer.Option(
        help="Your catalog of fittings (TOML); else COLLARGAP_CATALOG, else the demonstration rows.",
        metavar="FILE", show_default=False)] = None,
    unit: Annotated[UnitName | None, typer.Option(help="Unit of the answer; else the fitting's own.",
                                                  show_default=False)] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object.")] = False,
    budget: Annotated[bool, typer.Option("--budget", help="Show what the uncertainty is made of.")] = False,
    confidence: Annotated[float, typer.Option(help="Coverage of the interval that decides.", min=0.8,
                                              max=0.999)] = 0.95,
    camera: Annotated[Path | None, typer.Option(
        help="Profile of the camera that took both photos, as `camera solve` wrote it.", metavar="FILE",
        show_default=False)] = None,
) -> None:
    """Compare two photos of one joint: moved, still or unproven.

    moved: the interval of the movement leaves 0 out. still: all of it lies within the smallest movement that
    matters. unproven: anything else, with the smallest movement that these photos could have shown.

    Exit status: 0 still; 10 moved; 11 unproven; 2 misuse; 1 internal error; 130 stopped by Ctrl-C.
    """
    from cli.several import ended

    def work() -> int:
        from cli import disk
        from cli.several import Look

        refuse_turn(turned)
        pair, row = _asked(photos or [], fitting, joint, site, ledger, photos_in, disk.read_catalog(catalog))
        disk.refuse_overwriting(picture, "--picture", [*pair, disk.catalog_file(catalog), camera, ledger])
        look = Look(row, unit.value if unit else row.unit, disk.read_camera(camera), confidence)
        began = time.perf_counter()
        old, new = look.at_all(pair)
        said = _compared(old, new, row, _least_mm(movement, look.unit), turned, confidence)
        answer = _answer(said, old, new, row, look.unit, time.perf_counter() - began)
        if picture:
            _draw(picture, said, answer, row)
        _tell(answer, row, as_json, budget, confidence)
        return _STATUS[answer.verdict]

    ended(work)


def _asked(photos: list[Path], fitting: str, joint: str, site: str, ledger: Path | None, folder: Path | None,
           catalog: tuple[Fitting, ...]) -> tuple[list[Path], Fitting]:
    """The two photos and the fitting, as they were named or as the ledger has them."""
    from calibration.fittings import Misuse, UnknownFitting, find_fitting
    from cli.say import shown

    if joint:
        if photos:
            raise Misuse("Name two photos, or a joint with --joint, not both.")
        from cli.jobs.recall import first_and_latest

        found = first_and_latest(joint, site, ledger, folder)
        try:
            return found.paths, find_fitting(catalog, fitting or found.fitting)
        except UnknownFitting as error:
            if fitting:
                raise
            raise Misuse(f"{error} The ledger has joint {shown(joint)} with it; name the catalog of its job with "
                         "--catalog.") from None
    if len(photos) != 2:
        raise Misuse(f"compare takes two photos, the earlier one first; {len(photos)} "
                     f"{'was' if len(photos) == 1 else 'were'} named. Or name a joint of the ledger with --joint.")
    if not fitting:
        raise Misuse("The fitting isn't known. Name a row of the catalog with --fitting.")
    return photos, find_fitting(catalog, fitting)


def _least_mm(movement: float | None, unit: Unit) -> float | None:
    from calibration.fittings import MM_PER_UNIT, Misuse

    if movement is None:
        return None
    if not 0 < movement < math.inf:
        raise Misuse(f"A movement of {movement:g} {unit} can't matter. Name a length above 0 with --movement.")
    return movement * MM_PER_UNIT[unit]


def _compared(old: Viewed, new: Viewed, row: Fitting, least_mm: float | None, turned: float | None,
              confidence: float) -> Comparison:
    from vision.compare import compare

    return compare(old.verdict, new.verdict, row, turn=_turn(old, new, turned), least_mm=least_mm,
                   confidence=confidence)


def _turn(old: Viewed, new: Viewed, turned: float | None) -> Turn | None:
    """By the user's word, else by what both photos show, else not known."""
    from vision import turn_between
    from vision.compare import Turn
    from vision.wave import TOLD_U_DEG

    if turned is not None:
        return Turn((turned + 180) % 360 - 180, TOLD_U_DEG, "word")
    found = turn_between.match(old.verdict, new.verdict)
    return Turn(found.turn_deg, turn_between.U_DEG, "features") if found and found.sure else None


def _answer(said: Comparison, old: Viewed, new: Viewed, row: Fitting, unit: Unit, seconds: float) -> ChangeAnswer:
    from cli.change import change_of

    return change_of(said, row, old.answer, new.answer, unit, seconds)


def _draw(path: Path, said: Comparison, answer: ChangeAnswer, row: Fitting) -> None:
    from calibration.fittings import Misuse
    from cli.pair import jpeg
    from cli.say import shown

    try:
        path.write_bytes(jpeg(said, answer, row))
    except OSError as error:
        raise Misuse(f"The picture {shown(path)} could not be written ({error.strerror}). Name another.") from None


def _tell(answer: ChangeAnswer, row: Fitting, as_json: bool, budget: bool, confidence: float) -> None:
    if as_json:
        typer.echo(answer.model_dump_json())
        return
    from rich.console import Console

    from cli import say
    from cli.change import block

    console: Any = Console(highlight=False, markup=False, emoji=False)
    console.print(say.heading(row, answer.unit), soft_wrap=True)
    if row.is_demo:
        console.print(say.DEMO, style="bold", soft_wrap=True)
    console.print()
    console.print(block(answer, confidence, budget))
    console.print(say.CAUTIONS, style="dim")
