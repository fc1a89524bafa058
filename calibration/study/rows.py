"""From the text of a CSV to rows, and from rows to a complete table; refusals name the line."""

from __future__ import annotations

import csv
import math
import re
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Row = TypeVar("Row", "Check", "Judgement")


class StudyError(ValueError):
    """The rows do not make a study.  `line`: the line of the file that shows it, 0 where none does."""

    def __init__(self, sentence: str, line: int = 0) -> None:
        super().__init__(sentence)
        self.line = line


@dataclass(frozen=True)
class Check:
    """One check of one part.  gap: in the study's unit.  line: where it stood in the file, 0 if nowhere."""

    part: str
    appraiser: str
    trial: str
    gap: float
    line: int = 0


@dataclass(frozen=True)
class Judgement:
    """One verdict on one part by one rater, a person or the tool."""

    part: str
    rater: str
    trial: str
    verdict: str
    line: int = 0


@dataclass(frozen=True, eq=False)
class Table:
    """A complete study: values (parts, appraisers, trials), names in the order of their first row."""

    parts: tuple[str, ...]
    appraisers: tuple[str, ...]
    values: Floats


_HEADERS = {
    "part": ("part", "parts", "joint", "sample", "item", "piece", "specimen"),
    "appraiser": ("appraiser", "operator", "rater", "person", "inspector", "who", "phone"),
    "trial": ("trial", "repeat", "repetition", "replicate", "rep", "run", "photo"),
    "gap": ("gap", "value", "measurement", "measured", "reading", "result"),
    "verdict": ("verdict", "rating", "decision", "call", "result"),
}
VERDICTS = ("full", "short", "unproven")


def read_checks(text: str) -> tuple[list[Check], str]:
    """Rows of a CSV with the columns part, appraiser, gap and, if there, trial; and the header's unit.

    Header names are read loosely ("Operator", "gap (mm)"); the unit is "in", "mm" or "" where the header
    names none.  Without a trial column the rows of a part and appraiser are numbered as they come.
    Raises StudyError for a missing column, an empty cell, a gap that is no number, the same trial twice.
    """
    table = _Sheet(text, ("part", "appraiser", "gap"))
    made = [
        Check(part, who, trial, _number(cells["gap"], line), line)
        for line, part, who, trial, cells in table.trials("appraiser")
    ]
    return made, table.unit


def read_judgements(text: str) -> list[Judgement]:
    """Rows of a CSV with the columns part, rater, verdict and, if there, trial.

    Raises StudyError as `read_checks` does, and for a verdict other than full, short or unproven.
    """
    table = _Sheet(text, ("part", "appraiser", "verdict"))
    return [
        Judgement(part, who, trial, _verdict(cells["verdict"], line), line)
        for line, part, who, trial, cells in table.trials("appraiser")
    ]


class _Sheet:
    """The cells of a CSV under the names that `_HEADERS` gives its columns."""

    def __init__(self, text: str, needed: Sequence[str]) -> None:
        lines = text.lstrip("\ufeff").splitlines()
        self.first = next((n for n, line in enumerate(lines) if _says_something(line)), -1)
        if self.first < 0:
            raise StudyError(
                f"The file is empty. It needs a header line ({_wanted(needed)}) and below it rows.")
        self.mark = _delimiter(lines[self.first])
        self.lines = lines
        header = next(csv.reader([lines[self.first]], delimiter=self.mark))
        self.places = _places(header, needed, self.first + 1)
        self.unit = _unit_of(header[self.places["gap"]]) if "gap" in self.places else ""

    def rows(self) -> Iterator[tuple[int, dict[str, str]]]:
        """Line number and named cells of every row that says something."""
        for number, line in enumerate(self.lines[self.first + 1 :], self.first + 2):
            if not _says_something(line.replace(self.mark, "")):
                continue
            cells = next(csv.reader([line], delimiter=self.mark))
            named = {name: cells[at].strip() if at < len(cells) else "" for name, at in self.places.items()}
            for name, cell in named.items():
                if not cell:
                    raise StudyError(f"The {name} is missing. Fill it in or take the row out.", number)
            if "gap" in named and self.mark != ",":
                named["gap"] = named["gap"].replace(",", ".")
            yield number, named

    def trials(self, who: str) -> Iterator[tuple[int, str, str, str, dict[str, str]]]:
        """Rows with their trial's name, refused where it occurs twice; numbered where the file has none."""
        seen: dict[tuple[str, str, str], int] = {}
        count: dict[tuple[str, str], int] = defaultdict(int)
        for line, cells in self.rows():
            part, name = cells["part"], cells[who]
            count[part, name] += 1
            trial = cells.get("trial", str(count[part, name]))
            before = seen.setdefault((part, name, trial), line)
            if before != line:
                raise StudyError(
                    f"Trial {trial} of part {part} by {name} is there twice, first in line {before}. "
                    "Number the trials or take one row out.", line)
            yield line, part, name, trial, cells
        if not seen:
            raise StudyError("The file has a header and no rows. Add one row a check.", self.first + 1)


def _says_something(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _delimiter(header: str) -> str:
    return max(",;\t", key=header.count)


def _wanted(needed: Sequence[str]) -> str:
    return ", ".join(_shown(name, needed) for name in needed)


def _shown(name: str, needed: Sequence[str]) -> str:
    return "rater" if name == "appraiser" and "verdict" in needed else name


def _places(header: Sequence[str], needed: Sequence[str], line: int) -> dict[str, int]:
    """Column of each name.  A column serves one name; `trial` is taken along where it is there."""
    bare = [_bare(cell) for cell in header]
    places: dict[str, int] = {}
    for name in (*needed, "trial"):
        fits = [at for word in _HEADERS[name] for at, cell in enumerate(bare) if cell == word]
        if fits:
            places[name] = fits[0]
    for name in needed:
        if name not in places:
            found = ", ".join(cell.strip() or "an empty name" for cell in header)
            raise StudyError(
                f"No column is named {_shown(name, needed)}; the header has {found}. "
                f"Name the columns {_wanted(needed)}.", line)
    return places


def _bare(cell: str) -> str:
    """A header cell without case, unit and number: "Gap (mm)" and "gap_mm" are "gap"."""
    word = re.sub(r"[\[(].*?[\])]", "", cell.strip().lower())
    word = re.sub(r"[\s_-]+(mm|in|inch|inches|id|no|number|name)\.?$", "", word.strip(" ._#-"))
    return word.strip(" ._#-")


def _unit_of(cell: str) -> str:
    found = re.search(r"(?:^|[\s_(\[-])(mm|in|inch|inches)\.?[\])]?\s*$", cell.strip().lower())
    return "" if found is None else ("mm" if found[1] == "mm" else "in")


def _number(cell: str, line: int) -> float:
    try:
        value = float(cell)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise StudyError(
            f"The gap {cell!r} is not a number. Write a decimal number such as 0.031, without a unit; "
            "a check without a gap can't take part, so repeat it.", line)
    return value


def _verdict(cell: str, line: int) -> str:
    if cell.lower() not in VERDICTS:
        raise StudyError(f"The verdict {cell!r} is not one of full, short, unproven. Correct the word.", line)
    return cell.lower()


def complete_table(rows: Sequence[Check]) -> Table:
    """Every part by every appraiser equally often, at least twice.

    Raises StudyError for one part, one appraiser, one trial, or cells that are not equally full.
    """
    parts, people, cells = cells_of(rows, lambda row: row.appraiser)
    last = max((row.line for row in rows), default=0)
    if len(people) < 2:
        raise StudyError(
            f"Only one appraiser, {people[0]}: what people add can't be told from what the tool adds. "
            "Let at least two people check the same parts.", last)
    if len(parts) < 2:
        raise StudyError(
            f"Only one part, {parts[0]}: a study needs parts that differ. Take about ten.", last)
    trials = even_trials(cells, "appraiser", last)
    if trials < 2:
        raise StudyError(
            "Each part was checked only once by each appraiser: repeatability needs at least two trials. "
            "Let everyone check every part again.", last)
    values = np.array([[[row.gap for row in cells[part, who]] for who in people] for part in parts])
    return Table(parts, people, values)


def cells_of(
    rows: Sequence[Row], who: Callable[[Row], str]
) -> tuple[tuple[str, ...], tuple[str, ...], dict[tuple[str, str], list[Row]]]:
    """Names of parts, names of people, both in order of appearance, and the rows of each pair."""
    if not rows:
        raise StudyError("There are no rows to study.")
    parts = tuple(dict.fromkeys(row.part for row in rows))
    people = tuple(dict.fromkeys(who(row) for row in rows))
    cells: dict[tuple[str, str], list[Row]] = {(part, name): [] for part in parts for name in people}
    for row in rows:
        cells[row.part, who(row)].append(row)
    return parts, people, cells


def even_trials(cells: dict[tuple[str, str], list[Row]], who: str, last: int) -> int:
    """How often each pair occurs.  Raises StudyError at the first one that occurs less often than others."""
    full = max(len(found) for found in cells.values())
    for (part, name), found in cells.items():
        if len(found) < full:
            raise StudyError(
                f"Part {part} has {len(found)} of {full} trials by {who} {name}. Every {who} has to check "
                "every part equally often: add the missing rows, or take this part out.",
                max((row.line for row in found), default=last))
    return full
