"""`collargap reasons` and `collargap fittings`: what the tool knows, listed."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from calibration.fittings import Fitting, Misuse
from cli import disk, say
from vision.reasons import REASONS

MISUSE = 2


def reasons_command() -> None:
    """Every reason to doubt or to refuse, and what to do about it.

    Reasons marked with * leave room for a verdict; any other makes it unproven.
    """
    console = Console(highlight=False, markup=False, emoji=False)
    grid = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 1, 0))
    grid.add_column("code", no_wrap=True)
    grid.add_column("what is wrong, and what to do")
    for reason in REASONS.values():
        grid.add_row(reason.code + ("" if reason.bars else " *"), f"{reason.text}\n{reason.advice}")
    console.print(grid)
    console.print("* leaves room for a verdict; any other reason makes it unproven.", style="dim")


def fittings_command(
    file: Annotated[Path | None, typer.Argument(
        help="A catalog to check and list; else COLLARGAP_CATALOG, else the demonstration rows.",
        metavar="[FILE]", show_default=False)] = None,
) -> None:
    """List the catalog of fittings; with FILE, check that file first.

    Exit status: 0 when every row can be used; 2 when one can't, with the row, the key and the remedy.
    """
    try:
        catalog = disk.read_catalog(file)
    except Misuse as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(MISUSE) from None
    console = Console(highlight=False, markup=False, emoji=False)
    console.print(_rows(catalog))
    console.print(_sources(catalog))
    if any(row.is_demo for row in catalog):
        console.print(f"* {say.DEMO}", style="bold")


def _rows(catalog: tuple[Fitting, ...]) -> Table:
    grid = Table(box=None, pad_edge=False, header_style="dim")
    for name in ("id", "size", "unit"):
        grid.add_column(name, no_wrap=True)
    least = any(row.min_insertion for row in catalog)
    for name in ("collar", "pipe", "mark depth", "largest gap", *(["least insertion"] if least else [])):
        grid.add_column(name, justify="right", no_wrap=True)
    for row in catalog:
        name = say.shown(row.id) + (" *" if row.is_demo else "")
        grid.add_row(Text(name), Text(say.shown(row.nominal_size)), row.unit,
                     _with(row.collar_od, row.collar_od_tolerance), _with(row.pipe_od, row.pipe_od_tolerance),
                     _with(row.mark_depth, row.mark_tolerance), f"{row.max_gap:g}",
                     *([f"{row.min_insertion:g}" if row.min_insertion else ""] if least else []))
    return grid


def _with(value: float, tolerance: float | None) -> str:
    sign = "±" if say.speaks_unicode() else "+-"
    return f"{value:g}" + (f" {sign} {tolerance:g}" if tolerance else "")


def _sources(catalog: tuple[Fitting, ...]) -> Text:
    """Each source once, with the rows that cite it."""
    by_source: dict[str, list[str]] = {}
    for row in catalog:
        told = " ".join(part for part in (row.source.rstrip(".") + ".", row.notes) if part)
        by_source.setdefault(told, []).append(row.id)
    lines = [f"{', '.join(ids)}: {source}" for source, ids in by_source.items()]
    return Text("\n" + "\n".join(say.shown(line) for line in lines) + "\n")
