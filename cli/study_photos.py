"""A folder of repeated photos as the rows of a gauge study: part, appraiser and trial from the names."""

from __future__ import annotations

import hashlib
import re
import sys
from collections import Counter
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from calibration.fittings import MM_PER_UNIT, Fitting, Misuse, Unit
from calibration.study import Check, StudyError, complete_table
from cli import check, disk
from cli.answer import why
from cli.jobs.folder import Skipped, walk
from cli.say import shown
from vision.reasons import REASONS

if TYPE_CHECKING:
    from calibration.camera import Profile

NAMES = "PART_APPRAISER_TRIAL.jpg, or in folders PART/APPRAISER/TRIAL.jpg"
_MOST_NAMED = 12
_CONFIDENCE = 0.95  # decides verdicts only; a study takes the gaps


@dataclass(frozen=True)
class Shot:
    """One photo of the study: its file, its name within the folder, and the row it will fill."""

    path: Path
    name: str
    row: Check


class BrokenError(RuntimeError):
    """A fault of the program on one photo; the sentence names it."""


def photo_rows(folder: Path, fitting: Fitting, unit: Unit, camera: Profile | None) -> list[Check]:
    """Every photo of the folder measured, in the order of part, appraiser and trial; gaps in `unit`.

    Names and cells are settled before the first photo is opened.  Raises StudyError for a name that
    doesn't fit, a photo too few, and, with all of them named, photos that give no gap.
    """
    shots = shots_in(folder)
    _settle([shot.row for shot in shots])
    _refuse_copies(shots)
    rows, silent = [], []
    for shot in _counted(shots):
        gap_mm = _gap_mm(shot, fitting, camera)
        if isinstance(gap_mm, str):
            silent.append(f"{shot.name}: {gap_mm}")
        else:
            rows.append(replace(shot.row, gap=gap_mm / MM_PER_UNIT[unit]))
    if silent:
        raise StudyError(
            f"{len(silent)} of {len(shots)} photos give no gap, and a study needs every one.\n"
            f"{_listed(silent, len(silent))}\nTake these photos again under the same names, or take their "
            "parts out of the folder altogether.")
    return rows


def shots_in(folder: Path) -> list[Shot]:
    """The photos in a folder and its folders; hidden files and files of other kinds are passed over."""
    photos, shut = [], []
    for found in walk(folder):
        if isinstance(found, Skipped):
            shut.append(f"{shown(found.relative)}: {found.why}")
        else:
            photos.append(found)
    if shut:
        raise StudyError(f"Not everything in the folder could be opened.\n{_listed(shut)}\nMend this, or take it "
                         "out of the folder.")
    if not photos:
        raise StudyError(f"There are no photos in this folder. Name them {NAMES}.")
    rows = [(photo, _row_of(PurePosixPath(photo.relative))) for photo in photos]
    strange = sorted(shown(photo.relative) for photo, row in rows if row is None)
    if strange:
        raise StudyError(f"From these names no part, appraiser and trial can be read:\n{_listed(strange)}\n"
                         f"Name them {NAMES}, or take them out of the folder.")
    shots = [Shot(Path(photo.path), shown(photo.relative), row) for photo, row in rows if row]
    shots.sort(key=_order)
    for one, other in pairwise(shots):
        if one.row == other.row:
            raise StudyError(f"Trial {one.row.trial} of part {one.row.part} by {one.row.appraiser} is there "
                             f"twice: {one.name} and {other.name}. Number the trials or take one out.")
    return shots


def _order(shot: Shot) -> tuple[object, ...]:
    """By part, appraiser, trial; 10 after 9."""
    words = (shot.row.part, shot.row.appraiser, shot.row.trial)
    return (*map(_natural, words), *words, shot.name)


def _row_of(name: PurePosixPath) -> Check | None:
    """`7_Ann_2.jpg` or `7/Ann/2.jpg`.  A part may hold `_`; appraiser and trial may not, unless in folders."""
    words = (*name.parts[:-1], name.stem) if len(name.parts) > 1 else name.stem.rsplit("_", 2)
    cleaned = [shown(word).strip() for word in words]
    if len(cleaned) != 3 or not all(cleaned):
        return None
    part, appraiser, trial = cleaned
    return Check(part, appraiser, trial, 0.0)


def _natural(name: str) -> tuple[tuple[str, int], ...]:
    pairs = re.findall(r"(\D*)(\d*)", name.casefold())
    return tuple((word, int(number or 0)) for word, number in pairs)


def _settle(rows: Sequence[Check]) -> None:
    """Refuse what can't become a study, before any photo is opened."""
    count = Counter((row.part, row.appraiser) for row in rows)
    most = max(count.values())
    people = dict.fromkeys(row.appraiser for row in rows)
    lacking = [f"part {part} by {who}: {count[part, who]} of {most} photos"
               for part in dict.fromkeys(row.part for row in rows) for who in people
               if count[part, who] < most]
    if lacking:
        raise StudyError(
            "Every appraiser has to photograph every part equally often, and some photos are missing.\n"
            f"{_listed(lacking)}\nAdd them, or take these parts out of the folder.")
    complete_table(rows)


def _refuse_copies(shots: Sequence[Shot]) -> None:
    """A copied file repeats nothing: its trials agree whatever the method is worth.  Raises StudyError."""
    by_size: dict[int, list[Shot]] = {}
    for shot in shots:
        by_size.setdefault(_size(shot.path), []).append(shot)
    first: dict[str, Shot] = {}
    copies = []
    for shot in (shot for alike in by_size.values() if len(alike) > 1 for shot in alike):
        with suppress(OSError, Misuse):  # said when its turn comes
            kept = first.setdefault(hashlib.sha256(disk.read_photo(shot.path)).hexdigest(), shot)
            if kept is not shot:
                copies.append(f"{shot.name} is the same file as {kept.name}")
    if copies:
        raise StudyError("A trial has to be a photo of its own, and some are copies.\n"
                         f"{_listed(copies)}\nTake these photos anew, or take their parts out of the folder.")


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return -1


def _gap_mm(shot: Shot, fitting: Fitting, camera: Profile | None) -> float | str:
    """The gap, or why there is none and what to do."""
    try:
        verdict = check.inspect(disk.read_photo(shot.path), fitting, camera, _CONFIDENCE)
    except Misuse as error:
        return str(error)
    except Exception as error:  # named with its photo, as `check` does
        raise BrokenError(f"{shot.name}: internal error ({type(error).__name__}: {error}). This is a fault of "
                          "collargap, not of the photo: please report it with the photo.") from error
    if verdict.measurement:
        return verdict.measurement.gap.value_mm
    said = [why(doubt, "mm") for doubt in verdict.reasons if REASONS[doubt.reason].bars]
    return " ".join(f"{each.text} {each.advice} [{each.code}]" for each in said)


def _listed(lines: Sequence[str], most: int = _MOST_NAMED) -> str:
    more = len(lines) - most
    kept = lines if more <= 0 else [*lines[:most], f"and {more} more"]
    return "\n".join(f"  {line}" for line in kept)


def _counted(shots: Sequence[Shot]) -> Iterable[Shot]:
    """With a bar on a terminal; in silence elsewhere."""
    if not sys.stderr.isatty():
        return shots
    from rich.console import Console
    from rich.progress import track

    return track(shots, "", console=Console(stderr=True), transient=True)
