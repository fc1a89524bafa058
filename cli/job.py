"""`collargap job FOLDER`: a whole job folder, checked in one go."""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Callable, Iterable, Set
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import IO, Annotated

import typer

from calibration.fittings import Misuse
from cli.disk import catalog_file, read_camera, read_catalog, refuse_overwriting
from cli.files import NO_ROOM, whole_file
from cli.jobs import checklist
from cli.jobs.asked import Course, Job
from cli.jobs.elsewhere import Firsts, add_copies
from cli.jobs.engine import Cluster, Engine, Processes
from cli.jobs.errors import EngineError, JobError, LedgerError
from cli.jobs.findings import CAUTION, listed
from cli.jobs.gather import gather
from cli.jobs.inspection import inspect_photo
from cli.jobs.judge import Clues, Judged, clues, judged
from cli.jobs.outputs import write_csv, write_jsonl
from cli.jobs.progress import Bar, Silent
from cli.jobs.run import run
from cli.jobs.sitename import site_of
from cli.jobs.store import Answered, Store
from cli.jobs.text import name_of, visible
from cli.jobs.together import combine
from cli.ledger import Ledger, default_path
from cli.report import Report, render

FULL, INCOMPLETE, MISUSE, SHORT, UNPROVEN, STOPPED = 0, 1, 2, 10, 11, 130

_MOST_SAID = 12
_RESULTS = "results.csv", "results.jsonl", "report.html"


class Unit(StrEnum):
    """Unit of the answers."""

    inch = "in"
    mm = "mm"


def job(
    folder: Annotated[
        Path,
        typer.Argument(
            help="Folder with the job's photos, in any depth, and joints.csv.", show_default=False
        ),
    ],
    fitting: Annotated[
        str, typer.Option(help="Fitting of every joint to which joints.csv gives none.", show_default=False)
    ] = "",
    catalog: Annotated[
        Path | None,
        typer.Option(
            help="Your catalog (TOML); else COLLARGAP_CATALOG, else the demo rows.", show_default=False
        ),
    ] = None,
    unit: Annotated[
        Unit | None, typer.Option(help="Unit of the answers; else each fitting's own.", show_default=False)
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for the results; else the job's folder itself.", show_default=False),
    ] = None,
    site: Annotated[
        str, typer.Option(help="Name of the site; else that of the folder, with the folders above it where another "
                               "one was filed under that name.", show_default=False)
    ] = "",
    ledger: Annotated[
        Path | None,
        typer.Option(
            help="The ledger; else COLLARGAP_LEDGER, else the one in your data folder.", show_default=False
        ),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(min=1, help="Processes on this machine; else one a core.", show_default=False),
    ] = None,
    cluster: Annotated[
        str,
        typer.Option(
            help="Address of a Dask scheduler to check on; all its machines must see the folder under the "
            "same path.",
            show_default=False,
        ),
    ] = "",
    confidence: Annotated[float, typer.Option(min=0.8, max=0.999, help="Coverage of the intervals.")] = 0.95,
    camera: Annotated[
        Path | None, typer.Option(help="Calibration of the camera of all photos (TOML).", show_default=False)
    ] = None,
) -> None:
    """Check a whole job folder: a verdict for each joint, a table and a report.

    joints.csv has the columns joint, fitting, photo pattern, location, installer, machine, date; the first
    two are required. Several patterns stand with | between them. Without a pattern, or without joints.csv,
    the joint is read from the name of file or folder (J-014_2.jpg is joint J-014). A photo of the marked pipe before
    it was pushed in is named J-014_before.jpg, or stands in the column premark. A second run checks only
    what is new or changed; Ctrl-C keeps what is done.

    Exit status: 0 all joints full; 10 at least one short; 11 none short, at least one not proven or not
    photographed; 2 misuse; 1 a file or the ledger could not be written, the program failed on a photo, or the
    cluster was lost; 130 stopped by Ctrl-C.
    """
    ledger_path = ledger or default_path()
    try:
        for name in _RESULTS:
            refuse_overwriting((out or folder) / name, "--out", [catalog_file(catalog), camera, ledger_path])
        asked = Job(
            folder, name_of(site), read_catalog(catalog), inspect_photo,
            fitting=fitting, camera=read_camera(camera), confidence=confidence,
            unit=unit.value if unit else None, combiner=combine,
        )  # fmt: skip
        code = do_job(asked, out or folder, ledger_path, _engine(workers, cluster))
    except Misuse as error:
        typer.echo(visible_lines(str(error)), err=True)
        raise typer.Exit(MISUSE) from None
    raise typer.Exit(code)


def do_job(asked: Job, out: Path, ledger_path: Path, engine: Callable[[], Engine]) -> int:
    """Run the job, write its files, say what came of it; the exit code.

    Raises Misuse where the job can't be begun.
    """
    store = Store()
    ledger, trouble = _ledger(ledger_path)
    try:
        if not asked.site:
            asked, told = _sited(asked, ledger)
            trouble += told
        with Bar(sys.stderr) if sys.stderr.isatty() else Silent() as watcher:
            course = run(asked, store, ledger, engine, watcher)
        course.notices[:0] = trouble
        course.ledger_lost = course.ledger_lost or ledger is None
        return _finish(asked, course, store, ledger, out)
    except sqlite3.Error as error:  # the run's own notes; the ledger's errors are LedgerErrors
        raise JobError(
            f"The run could not keep its notes ({error}). Make room in the temporary folder."
        ) from error
    finally:
        store.close()
        if ledger:
            ledger.close()


def _finish(asked: Job, course: Course, store: Store, ledger: Ledger | None, out: Path) -> int:
    """Judge, write and say; the exit code."""
    seen = clues(store, listed_order=course.listed)
    if ledger:
        with suppress(LedgerError):  # one that fails was said where checks are kept
            course.notices += add_copies(seen, store, Firsts(ledger), asked.site)
            _add_checklists(seen, asked.site, ledger)
    made = datetime.now().astimezone().strftime("%Y-%m-%d %H:%M %Z")
    found = judged(store, seen, asked.confidence)
    report = gather(asked, course, store, found, seen.charts, lambda photo: _picture(photo, ledger), made)
    unwritten = _write(out, store, seen, asked.confidence, render(report))
    if ledger:
        _keep_words(judged(store, seen, asked.confidence), asked, store, ledger)
    for notice in (*course.notices, *unwritten):
        typer.echo(visible(notice), err=True)
    _say(report, store.count_strays(), None if unwritten else out)
    return _status(course, report, bool(unwritten))


def _picture(photo: Answered, ledger: Ledger | None) -> bytes:
    """A photo with the reading drawn in, or b""."""
    if photo.check_id is not None and ledger:
        with suppress(LedgerError):
            return ledger.overlay(photo.check_id)
    return photo.overlay or b""


def _keep_words(found: Iterable[Judged], asked: Job, store: Store, ledger: Ledger) -> None:
    """What this job says of each joint, for good."""
    with suppress(LedgerError), ledger.together():  # a ledger that fails was said where checks are kept
        site, words, hashes = asked.site, dict[str, str](), set[str]()
        for each in found:
            words[each.joint.name] = each.word
            hashes |= {str(photo.answer["sha256"]) for photo in each.photos if photo.answer}
            together = store.together(each.joint.name) if each.together else None
            if together:
                ledger.keep_all_round(site, each.joint.name, together | {"confidence": asked.confidence})
        moved = ledger.joints_resting_on(hashes, site)
        last = {joint: word for (where, joint), (_, word) in ledger.judgements().items() if where == site}
        for joint, word in _standing(words, last, moved).items():
            ledger.judge(site, joint, word)


def _standing(words: dict[str, str], last: dict[str, str], moved: Set[str]) -> dict[str, str]:
    """What the ledger is to say.  last: what it said; moved: joints whose every photo is one of this job.

    A joint that was short stays so though its photo is gone, unless that is another joint's now.  One that is gone
    itself, its photos being another one's, is full by none.
    """
    kept = {joint: word for joint, word in words.items()
            if word != "not photographed" or last.get(joint) != "short" or joint in moved}
    return kept | {joint: "unproven" for joint in moved - words.keys() if last.get(joint) == "full"}


def _say(report: Report, strays: int, written: Path | None) -> None:
    """What came of the job.  strays: files that stand for no joint; written: where the results are."""
    for sentence in report.course:
        typer.echo(sentence, err=True)
    typer.echo(report.headline + " " + ", ".join(f"{tally.joints} {tally.word}" for tally in report.tallies) + ".")
    _say_worst(report)
    if strays:
        stand = "1 file stands" if strays == 1 else f"{strays} files stand"
        typer.echo(f"{stand} for no joint: see the report.")
    if written:
        typer.echo(f"Results: {visible(str(written))}")
    typer.echo(CAUTION)
    if report.demo:
        typer.echo(
            "Demonstration fittings have invented collars: no verdict on them speaks of a real joint. "
            "Measure your collar with calipers and put it into a catalog of your own."
        )


def _status(course: Course, report: Report, unwritten: bool) -> int:
    """The worst of what happened."""
    words = {tally.word: tally.joints for tally in report.tallies}
    if course.interrupted:
        return STOPPED
    if unwritten or course.faults or course.engine_gone or course.ledger_lost:
        return INCOMPLETE
    if words["short"]:
        return SHORT
    return UNPROVEN if words["unproven"] + words["not photographed"] else FULL


def _add_checklists(seen: Clues, site: str, ledger: Ledger) -> None:
    """What installers answered on the phone page, beside what else is known of each joint."""
    for joint, answers in ledger.checklists(site).items():
        seen.by_joint[joint].append(checklist.told(answers))


def _say_worst(report: Report) -> None:
    """The most urgent joints, a line each."""
    for joint in report.urgent[:_MOST_SAID]:
        photo = joint.photos[0] if joint.photos else None
        why = [found.text for found in (*joint.findings, *(photo.reasons if photo else ()))]
        size = f"gap {photo.gap}, limit {photo.limit}" if photo and photo.gap else ""
        size = f"insertion {photo.insertion}, least {photo.least}" if photo and photo.least else size
        size = "" if joint.together else size
        name = f"{joint.name} (demonstration fitting)" if joint.demo else joint.name
        name += " (assisted)" if photo and photo.assisted else ""
        parts = (f"  {joint.word.upper():<16}", name, size, *why[:1])
        typer.echo("  ".join(part for part in parts if part))
    if len(report.urgent) > _MOST_SAID:
        typer.echo(f"  and {len(report.urgent) - _MOST_SAID} more; they are in the report.")


def _write(out: Path, store: Store, seen: Clues, confidence: float, page: Iterable[str]) -> list[str]:
    """Write the three files, each whatever becomes of the others; sentences about those that failed."""

    def table(file: IO[str]) -> None:
        write_csv(file, judged(store, seen, confidence))

    def lines(file: IO[str]) -> None:
        write_jsonl(file, judged(store, seen, confidence))

    def report(file: IO[str]) -> None:
        file.writelines(page)

    failed: dict[tuple[str, str], list[str]] = {}
    for name, write in zip(_RESULTS, (table, lines, report), strict=True):
        try:
            out.mkdir(parents=True, exist_ok=True)
            with whole_file(out / name) as file:
                write(file)
        except OSError as error:
            failed.setdefault((error.strerror or str(error), _remedy(error)), []).append(name)
    return [
        f"{listed(names)} could not be written to {out}: {why}. {remedy}, or name another folder with --out."
        for (why, remedy), names in failed.items()
    ]


def _remedy(error: OSError) -> str:
    """What to do where a result can't be written."""
    if error.errno in NO_ROOM:
        return "Make room there"
    if isinstance(error, FileExistsError | NotADirectoryError):
        return "There is a file of this name: move it away"
    return "See whether the folder may be written to"


def _ledger(path: Path) -> tuple[Ledger | None, list[str]]:
    try:
        return Ledger(path), []
    except LedgerError as error:
        return None, [f"{error} This run goes on without it."]


def _sited(asked: Job, ledger: Ledger | None) -> tuple[Job, list[str]]:
    """The job under a name for its site, where nobody gave it one, and what is to be said of it."""
    name, told = name_of(asked.folder.resolve().name), list[str]()
    if ledger:
        with suppress(LedgerError):  # one that fails is said where checks are kept
            name, told = site_of(asked.folder, ledger)
    return replace(asked, site=name), told


def _engine(workers: int | None, cluster: str) -> Callable[[], Engine]:
    if cluster and workers:
        raise EngineError("--workers is for this machine and --cluster for others; name one of the two.")
    return (lambda: Cluster(cluster)) if cluster else (lambda: Processes(workers))


def visible_lines(text: str) -> str:
    """A message of several lines, each shown with what hides in it."""
    return "\n".join(visible(line) for line in text.split("\n"))
