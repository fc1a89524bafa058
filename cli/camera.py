"""`collargap camera`: print a chart, solve a phone's camera from photos of it, look at what was solved.

Reads and writes files and prints; the chart and the sums are `calibration.chart`'s and `calibration.solve`'s.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Annotated, NoReturn

import numpy as np
import typer
from PIL import Image

from calibration import chart
from calibration.camera import Lens, Profile, parse_profile, read_lens
from calibration.fittings import Misuse
from calibration.solve import LEAST_VIEWS, Solution, View, solve
from cli.disk import refuse_overwriting

MISUSE = 2
_EXIF_IFD = 0x8769
_PICTURES = {".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif"}
# How to take back what a HEIF decoder did for an EXIF orientation.
_TURN = Image.Transpose
_UNDO = {2: _TURN.FLIP_LEFT_RIGHT, 3: _TURN.ROTATE_180, 4: _TURN.FLIP_TOP_BOTTOM, 5: _TURN.TRANSPOSE,
         6: _TURN.ROTATE_90, 7: _TURN.TRANSVERSE, 8: _TURN.ROTATE_270}

app = typer.Typer(no_args_is_help=True, help="Solve a phone's camera once, and measure better with it.")


class Paper(StrEnum):
    """Paper to print on."""

    A4 = "A4"
    Letter = "Letter"


@dataclass(frozen=True)
class ChartPhoto:
    """A photo of the chart: its stored size (width, height), the lens, and the chart's corners if found."""

    name: str
    size_px: tuple[int, int]
    lens: Lens
    view: View | None


@app.command("chart")
def chart_command(
    paper: Annotated[Paper, typer.Option(help="Paper in the printer.", case_sensitive=False)] = Paper.A4,
    output: Annotated[
        Path | None, typer.Option(help="PDF to write.", show_default="collargap-chart-PAPER.pdf")
    ] = None,
) -> None:
    """Write the chart as a PDF at true size, to be printed at 100 % and fixed to something flat."""
    to = output or Path(f"collargap-chart-{paper.value}.pdf")
    _write(to, chart.pdf(paper.value))
    typer.echo(f"Chart written to {to}. Print it at 100 % and check that both rulers are "
               f"{chart.RULER_MM} mm long.")


@app.command("solve")
def solve_command(
    photos: Annotated[
        list[Path],
        typer.Argument(help="8 to 20 photos of the chart, or a folder of them.", show_default=False),
    ],
    name: Annotated[str, typer.Option(help="What to call the camera.", show_default=False)],
    output: Annotated[Path, typer.Option(help="Profile to write (TOML).", show_default=False)],
    square_mm: Annotated[
        float,
        typer.Option(help="Side of a square as printed. It sets distances, not the focal length.", min=1),
    ] = chart.SQUARE_MM,
    chessboard: Annotated[
        str | None,
        typer.Option(help="The photos show a plain chessboard with COLUMNSxROWS inner corners, such as 9x6.",
                     show_default=False),
    ] = None,
) -> None:
    """Solve a camera from photos of the chart and store it for `check --camera`.

    Photos that don't agree with the others are left out by name. Give the originals: chat programs shrink
    pictures and drop what names the lens.
    """
    try:
        inner, files = _inner(chessboard), _listed(photos)
        refuse_overwriting(output, "--output", files)
        taken = [_look(path, square_mm, inner) for path in files]
        _check(taken)
        solution = solve([photo.view for photo in taken if photo.view], taken[0].size_px)
        profile = solution.profile(name, _common_lens(taken))
        parse_profile(text := profile.dumps(), str(output))
    except (Misuse, ValueError) as problem:
        _refuse(str(problem))
    _write(output, text.encode())
    typer.echo(report(solution, profile))
    typer.echo(f"Profile written to {output}.")


@app.command("show")
def show_command(
    file: Annotated[Path, typer.Argument(help="Profile that `camera solve` wrote.", show_default=False)],
) -> None:
    """Show a stored camera."""
    try:
        typer.echo("\n".join(_lens_lines(load_profile(file))))
    except Misuse as problem:
        _refuse(str(problem))


def load_profile(file: Path) -> Profile:
    """The profile in this file.  Raises Misuse (ProfileError for its content) with the remedy."""
    try:
        text = file.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as problem:
        raise Misuse(f"{file} is no camera profile: it is not text. Name the TOML file that "
                     "`collargap camera solve` wrote.") from problem
    except OSError as problem:
        raise Misuse(f"{file} could not be read: {problem.strerror}. Check the name.") from problem
    return parse_profile(text, str(file))


def report(solution: Solution, profile: Profile) -> str:
    """The solution as text: the lens, the views, what was left out, what to mend."""
    lines = [*_lens_lines(profile), "", f"{'view':<32} residual    tilt  distance"]
    lines += [f"{view.name:<32} {view.residual_px:5.2f} px {view.tilt_deg:4.0f} deg "
              f"{view.distance_mm:6.0f} mm" for view in solution.views]
    lines += [f"Left out: {each.name}: {each.why}." for each in solution.rejected]
    lines += [f"Note: {warning}" for warning in solution.warnings]
    if not profile.lens.same(profile.lens):
        lines.append("Note: the photos don't name maker, model and focal length (EXIF), so the profile can't "
                     "be matched to a photo by itself; it is used where --camera names it.")
    return "\n".join(lines)


def _lens_lines(profile: Profile) -> list[str]:
    k = zip(("k1", "k2", "p1", "p2", "k3"), profile.distortion, profile.u_distortion, strict=True)
    (x, y), (u_x, u_y) = profile.centre_px, profile.u_centre_px
    return [
        f"{profile.name}: {profile.lens}, pictures of {profile.width_px} x {profile.height_px} pixels",
        f"focal length     {profile.focal_px:.2f} px, u = {profile.u_focal_px:.2f}",
        f"principal point  ({x:.2f}, {y:.2f}) px, u = ({u_x:.2f}, {u_y:.2f})",
        "distortion       " + ", ".join(f"{key} {value:.5f} (u {doubt:.5f})" for key, value, doubt in k),
        f"residual         {profile.residual_px:.3f} px over {profile.views} views",
    ]


def _refuse(sentence: str) -> NoReturn:
    typer.echo(sentence, err=True)
    raise typer.Exit(MISUSE)


def _write(to: Path, data: bytes) -> None:
    try:
        to.write_bytes(data)
    except OSError as problem:
        _refuse(f"{to} could not be written: {problem.strerror}. Name a file in a folder that exists.")


def _listed(paths: Sequence[Path]) -> list[Path]:
    """Files as named, folders as the pictures in them."""
    found: list[Path] = []
    for path in paths:
        inside = sorted(path.iterdir()) if path.is_dir() else [path]
        found += [each for each in inside if each is path or each.suffix.lower() in _PICTURES]
    return list(dict.fromkeys(found))


def _inner(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    columns, _, rows = text.lower().partition("x")
    if not (columns.isdecimal() and rows.isdecimal() and min(int(columns), int(rows)) >= 3):
        raise Misuse(f"--chessboard {text}: write the inner corners as COLUMNSxROWS, such as 9x6; at least "
                     "3x3.")
    return int(columns), int(rows)


def _look(path: Path, square_mm: float, inner: tuple[int, int] | None) -> ChartPhoto:
    """Read one photo as stored, before EXIF turns it, and find the chart in it."""
    try:
        data = path.read_bytes()
    except OSError as problem:
        raise Misuse(f"{path} could not be read: {problem.strerror}. Check the name.") from problem
    try:
        image = _open(data)
        exif = image.getexif()
        lens = read_lens(exif.get, exif.get_ifd(_EXIF_IFD).get)
        grey = np.asarray(_unturned(image, data).convert("L"))
    except Exception as problem:  # broken pictures break decoders in every way there is
        raise Misuse(f"{path} could not be read as a photo ({type(problem).__name__}). Leave it out, or take "
                     "it again.") from problem
    view = (chart.find_chessboard(grey, path.name, inner, square_mm) if inner
            else chart.find(grey, path.name, square_mm))
    return ChartPhoto(path.name, (grey.shape[1], grey.shape[0]), lens, view)


def _open(data: bytes) -> Image.Image:
    if data[4:8] == b"ftyp":
        from pillow_heif import register_heif_opener

        register_heif_opener()
    return Image.open(io.BytesIO(data))


def _unturned(image: Image.Image, data: bytes) -> Image.Image:
    """The picture as the sensor saw it, the frame that all photos of a phone share.

    HEIF decoders turn the picture by themselves, if the file has a box that says so (irot or imir).
    """
    turned = b"irot" in data or b"imir" in data
    undo = _UNDO.get(image.info.get("original_orientation") or 1) if turned else None
    return image if undo is None else image.transpose(undo)


def _check(photos: Sequence[ChartPhoto]) -> None:
    """Refuse what can't be one camera's photos of one chart, naming the photos."""
    if len(photos) < LEAST_VIEWS:
        raise Misuse(f"{len(photos)} photos are too few to solve a camera; {LEAST_VIEWS} to 20 are needed. "
                     "Take more, from different sides and with the chart in all parts of the frame.")
    missing = [photo.name for photo in photos if photo.view is None]
    if missing:
        raise Misuse(f"The chart was not found in {_names(missing)}. Leave such photos out, or take them "
                     "again with at least half of the chart in the frame, sharp and evenly lit.")
    first = photos[0]
    sizes = [photo.name for photo in photos if photo.size_px != first.size_px]
    if sizes:
        width, height = first.size_px
        raise Misuse(f"{_names(sizes)}: not the size of {first.name} ({width} x {height} pixels as stored). "
                     "One camera is solved from pictures of one size: give the originals, neither turned nor "
                     "cropped nor shrunk, all in one format.")
    for photo in photos[1:]:
        clash = first.lens.clash(photo.lens)
        if clash:
            raise Misuse(f"{photo.name} was not taken by the camera of {first.name}: {clash}. Give the "
                         "photos of one lens of one phone, without zoom, and solve each lens by itself.")


def _names(names: Sequence[str]) -> str:
    more = f" and {len(names) - 5} more" if len(names) > 5 else ""
    return ", ".join(names[:5]) + more


def _common_lens(photos: Sequence[ChartPhoto]) -> Lens:
    """The lens as the photo that says most about it has it; none of the others contradicts it."""
    return max((photo.lens for photo in photos), key=lambda lens: len(str(lens)))
