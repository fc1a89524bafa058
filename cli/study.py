"""`collargap study`: qualify the method with repeated checks, or with verdicts of several raters.

The only part of the study that reads a disk and prints; the sums are `calibration.study`'s.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer
from rich import box
from rich.console import Console
from rich.markup import escape
from rich.table import Table as Grid

from calibration import study as st
from cli.study_page import agreement_page, gauge_page, per_cent, rate_words, reading, significant, unit_words

MISUSE, INTERNAL = 2, 1


class Unit(StrEnum):
    """Unit of the gaps in the file, of the tolerance and of the answer."""

    inch = "in"
    mm = "mm"


def study_command(
    file: Annotated[
        Path | None,
        typer.Argument(
            help="CSV of repeated checks with the columns part, appraiser, trial, gap; or, with --fitting, a "
            "folder of repeated photos named PART_APPRAISER_TRIAL.jpg or PART/APPRAISER/TRIAL.jpg.",
            metavar="FILE|FOLDER", show_default=False,
        ),
    ] = None,
    fitting: Annotated[
        str | None,
        typer.Option(
            help="With a folder: id of a catalog row, or a nominal size that names one row.", metavar="ID",
            show_default=False,
        ),
    ] = None,
    catalog: Annotated[
        Path | None,
        typer.Option(
            help="With a folder: your catalog of fittings (TOML); else COLLARGAP_CATALOG, else the "
            "demonstration rows.", metavar="FILE", show_default=False,
        ),
    ] = None,
    camera: Annotated[
        Path | None,
        typer.Option(
            help="With a folder: profile of the camera that took the photos.", metavar="FILE",
            show_default=False,
        ),
    ] = None,
    verdicts: Annotated[
        Path | None,
        typer.Option(
            help="Instead: CSV of verdicts with the columns part, rater, verdict.", show_default=False
        ),
    ] = None,
    tolerance: Annotated[
        float | None,
        typer.Option(
            help="Full width of the tolerance, in the file's unit. For a gap from 0 to a limit: the limit.",
            show_default=False,
        ),
    ] = None,
    unit: Annotated[
        Unit | None,
        typer.Option(
            help="Unit of the gaps; else the header's, and in where it names none; of a folder, else the "
            "fitting's own.", show_default=False,
        ),
    ] = None,
    alpha: Annotated[
        float, typer.Option(help="Pool the part-by-appraiser interaction when its p is above this.")
    ] = 0.25,
    reference: Annotated[
        str | None,
        typer.Option(help="With --verdicts: the rater who is held to be right.", show_default=False),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object on standard output.")] = False,
    html: Annotated[
        Path | None, typer.Option(help="Also write the study as a page to this file.", show_default=False)
    ] = None,
) -> None:
    """How much of what you see is the measuring itself, and how well people and the tool agree.

    Ten joints, three people, three photos each are a good study. The page of --html has the pictures.

    Take joints whose gaps differ and are well above 0: gaps of 0 hide the spread.
    """
    source = file or verdicts
    if source is None or (file is not None and verdicts is not None):
        _refuse("Name one file: a CSV of checks or a folder of photos, or --verdicts with a CSV of verdicts.")
    if file is not None and reference is not None:
        _refuse("--reference goes with --verdicts; a study of gaps has no reference.")
    folder = file is not None and file.is_dir()
    if not folder and (fitting or catalog or camera):
        _refuse("--fitting, --catalog and --camera go with a folder of photos; a CSV has its gaps already.")
    try:
        _refuse_overwriting(html, source, catalog, camera)
        if folder:
            rows, said = _photos(source, fitting, catalog, camera, unit)
            _gauge(rows, said, source, tolerance, alpha, as_json, html)
        elif file is not None:
            rows, said = _csv(source, unit)
            _gauge(rows, said, source, tolerance, alpha, as_json, html)
        else:
            _agreement(_text_of(source), source, reference, as_json, html)
    except st.StudyError as problem:
        where = f"{source}, line {problem.line}" if problem.line else f"{source}"
        _refuse(f"{where}: {problem}")


def _refuse(sentence: str) -> NoReturn:
    typer.echo(sentence, err=True)
    raise typer.Exit(MISUSE)


def _text_of(source: Path) -> str:
    """The file's text.  Spreadsheets write UTF-8 or UTF-16 with a byte order mark."""
    if source.is_dir():
        _refuse(f"{source} is a folder. Put the verdicts into a CSV with the columns part, rater, verdict, and "
                "name that file.")
    try:
        data = source.read_bytes()
    except OSError as problem:
        _refuse(f"{source} could not be read: {problem.strerror}. Check the name.")
    try:
        return data.decode("utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError:
        _refuse(f"{source} is not text in UTF-8. Save it as CSV UTF-8.")


def _refuse_overwriting(html: Path | None, source: Path, catalog: Path | None, camera: Path | None) -> None:
    """Leaves with a sentence where the page would take the place of what it is made from."""
    from calibration.fittings import Misuse
    from cli import disk
    from cli.jobs.folder import Found, walk

    if html is None:
        return
    photos = [Path(each.path) for each in walk(source) if isinstance(each, Found)] if source.is_dir() else []
    try:
        disk.refuse_overwriting(html, "--html", [source, *photos, disk.catalog_file(catalog), camera])
    except Misuse as problem:
        _refuse(str(problem))


def _write(html: Path | None, page: str) -> None:
    if html is None:
        return
    try:
        html.write_text(page, encoding="utf-8")
    except OSError as problem:
        _refuse(f"{html} could not be written: {problem.strerror}. Name a file in a folder that exists.")
    typer.echo(f"Page written to {html}", err=True)


# --- gaps -------------------------------------------------------------------------------------------------


def _csv(source: Path, unit: Unit | None) -> tuple[list[st.Check], str]:
    """Rows and unit of a CSV."""
    rows, said = st.read_checks(_text_of(source))
    if unit is not None and said not in ("", unit.value):
        _refuse(f"{source}: the header gives the gaps in {said}, --unit says {unit.value}. Make them agree.")
    return rows, unit.value if unit else said or "in"


def _photos(
    folder: Path, fitting: str | None, catalog: Path | None, camera: Path | None, unit: Unit | None
) -> tuple[list[st.Check], str]:
    """Rows and unit of a folder of photos."""
    from calibration.fittings import Misuse, find_fitting
    from cli import disk
    from cli.study_photos import NAMES, BrokenError, photo_rows

    if fitting is None:
        _refuse(f"{folder} is a folder: name the fitting of its photos with --fitting. The photos' names are "
                f"{NAMES}.")
    try:
        row = find_fitting(disk.read_catalog(catalog), fitting)
        known = disk.read_camera(camera)
        said = unit.value if unit else row.unit
        rows = photo_rows(folder, row, said, known)
    except Misuse as problem:
        _refuse(str(problem))
    except BrokenError as problem:
        typer.echo(str(problem), err=True)
        raise typer.Exit(INTERNAL) from problem
    none = sum(check.gap == 0 for check in rows)
    if none:
        typer.echo(f"{none} of {len(rows)} gaps are 0, the least there is: the spread of such parts looks smaller "
                   "than it is. Take joints whose marks show.", err=True)
    return rows, said


def _gauge(
    rows: list[st.Check], unit: str, source: Path, tolerance: float | None, alpha: float, as_json: bool,
    html: Path | None,
) -> None:
    name = source.name or source.resolve().name
    found = st.gauge_study(rows, unit, tolerance, alpha)
    _write(html, gauge_page(found, name))
    if as_json:
        typer.echo(json.dumps(gauge_json(found, name), allow_nan=False))
    else:
        _print_gauge(found)


def gauge_json(found: st.Study, name: str) -> dict[str, Any]:
    """The study as plain values; percentages as numbers, what is not defined as null."""
    parts, people, trials = found.table.values.shape
    return {
        "file": name, "parts": parts, "appraisers": people, "trials": trials,
        "unit": found.unit, "tolerance": found.tolerance,
        "alpha": found.alpha, "interaction_pooled": found.pooled,
        "anova": _method_json(found.anova) | {
            "table": [_term_json(term) for term in found.terms],
            "table_with_interaction": [_term_json(term) for term in found.full_terms],
        },
        "average_and_range": _method_json(found.range),
    }


def _method_json(found: st.Components) -> dict[str, Any]:
    parts = {part.code: {key: value for key, value in asdict(part).items() if key != "code"}
             for part in found.parts}
    return {"components": parts, "ndc": found.ndc, "ndc_exact": found.ndc_exact, "grade": found.grade,
            "notes": list(found.notes)}


def _term_json(term: st.Term) -> dict[str, Any]:
    made = asdict(term)
    return made | {"f": None if term.f is None or math.isinf(term.f) else term.f}


def _print_gauge(found: st.Study) -> None:
    screen = Console(highlight=False)
    parts, people, trials = found.table.values.shape
    screen.print(f"{parts} parts, {people} appraisers, {trials} trials; gaps in {unit_words(found.unit)}\n")
    for title, method in (("ANOVA", found.anova), ("Average and range", found.range)):
        screen.print(_components_grid(title, method, found))
        ndc = "without limit" if method.ndc is None else str(method.ndc)
        screen.print(f"Distinct categories (ndc): {ndc}", *map(escape, method.notes), "", sep="\n")
    screen.print(_terms_grid(found), "", *map(escape, reading(found)), sep="\n")


def _grid(title: str, *columns: str) -> Grid:
    grid = Grid(title=title, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    for at, column in enumerate(columns):
        grid.add_column(column, justify="right" if at else "left", no_wrap=at > 0)
    return grid


def _components_grid(title: str, method: st.Components, found: st.Study) -> Grid:
    heads = ["Source", f"sd ({found.unit})", "% variance", "% total"]
    grid = _grid(title, *heads, *(["% tolerance"] if found.tolerance else []))
    for part in method.parts:
        cells = [f"{part.code}  {part.name}", significant(part.sd), per_cent(part.contribution)]
        cells.append(per_cent(part.of_total))
        grid.add_row(*cells, *([] if part.of_tolerance is None else [per_cent(part.of_tolerance)]))
    return grid


def _terms_grid(found: st.Study) -> Grid:
    grid = _grid("Analysis of variance", "Source", "df", "SS", "MS", "F", "p")
    for term in found.full_terms:
        tests = ["" if value is None else f"{value:.4g}" for value in (term.f, term.p)]
        grid.add_row(term.name, str(term.df), significant(term.ss), significant(term.ms), *tests)
    return grid


# --- verdicts ---------------------------------------------------------------------------------------------


def _agreement(text: str, source: Path, reference: str | None, as_json: bool, html: Path | None) -> None:
    found = st.agreement(st.read_judgements(text), reference)
    _write(html, agreement_page(found, source.name))
    if as_json:
        typer.echo(json.dumps({"file": source.name} | asdict(found), allow_nan=False))
    else:
        _print_agreement(found)


def _print_agreement(found: st.Agreement) -> None:
    screen = Console(highlight=False)
    screen.print(f"{found.parts} parts, {len(found.raters)} raters, {found.trials} trials")
    fleiss = "not defined" if found.fleiss is None else f"{found.fleiss:.3f}"
    who = f"All raters but {found.reference}" if found.reference else "All raters"
    same = f"the same verdict on {rate_words(found.all_agree)} parts" if found.all_agree.of else "one verdict a part"
    screen.print(escape(f"{who}: Fleiss' kappa {fleiss}; {same}\n"))
    pairs = _grid("Pairs", "Raters", "agree", "Cohen's kappa", "u")
    for pair in found.pairs:
        numbers = ["-" if value is None else f"{value:.3f}" for value in (pair.kappa, pair.u)]
        pairs.add_row(escape(f"{pair.first} - {pair.second}"), rate_words(pair.agreed), *numbers)
    screen.print(pairs)
    if found.steady:
        steady = _grid("Each with themselves", "Rater", "same verdict in all trials")
        for name, rate in found.steady.items():
            steady.add_row(escape(name), rate_words(rate))
        screen.print(steady)
    if found.against:
        title = escape(f"Against {found.reference}")
        grid = _grid(title, "Rater", "right", "missed", "false alarm", "unproven")
        for line in found.against:
            rates = (line.right, line.missed, line.alarmed, line.withheld)
            grid.add_row(escape(line.rater), *(rate_words(rate) for rate in rates))
        screen.print(grid, "Missed: short, called full. False alarm: full, called short.", sep="\n")
    for note in found.notes:
        screen.print(escape(note))
