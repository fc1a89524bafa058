"""The catalog: what is known of a fitting before any photo is taken.

A row that can't be trusted is refused with the file, the row, the key and the remedy, because every
measured length hangs on the collar's diameter.  What goes wrong raises::

    Misuse
    ├── CatalogError       a catalog with at least one row that can't be used; lists all of its problems
    └── UnknownFitting     no row, or more than one, answers to the name given
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from importlib import resources
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

Unit = Literal["in", "mm"]
MM_PER_UNIT: dict[str, float] = {"in": 25.4, "mm": 1.0}
DEMO_SOURCE = "Demonstration row"
_SAY_WHERE_FROM = "Say where the numbers come from: a data sheet, a drawing, your own calipers."

# Pressed joints that people carry by hand; outside of these lies a wrong unit or a slip of the key.
_DIAMETERS_MM = (8.0, 700.0)
_DEPTHS_MM = (4.0, 300.0)
_THICKEST_COLLAR = 2.0
_WIDEST_TOLERANCES = (("collar_od_tolerance", "collar_od", 0.1), ("pipe_od_tolerance", "pipe_od", 0.1),
                      ("mark_tolerance", "mark_depth", 0.3))
# Of the pipe's diameter, taken where a row gives no tolerance: ASTM A53 allows steel pipe of NPS 2 and over so much
# (from memory); other pipe varies more or less.  A depth, some thirty times as long as a gap, is told by it.
UNSTATED_SHARE = 0.01


class Misuse(ValueError):
    """The tool was asked for something that can't be done; the message says what to do instead."""


@dataclass(frozen=True)
class Problem:
    """One thing wrong with a catalog: `row` counts from 1 (0: the file itself)."""

    row: int
    key: str
    text: str
    remedy: str
    row_id: str = ""

    def __str__(self) -> str:
        name = f" ({self.row_id})" if self.row_id else ""
        place = [f"row {self.row}{name}"] if self.row else []
        place += [f"key '{self.key}'"] if self.key else []
        return f"{', '.join(place)}: {self.text} {self.remedy}" if place else f"{self.text} {self.remedy}"


class CatalogError(Misuse):
    """A catalog that can't be used, with all that is wrong with it."""

    def __init__(self, file: str, problems: Sequence[Problem]) -> None:
        self.file, self.problems = file, tuple(problems)
        super().__init__("\n".join(f"{file}: {problem}" for problem in problems))


class UnknownFitting(Misuse):
    """No row, or more than one, answers to the name."""


class Fitting(BaseModel):
    """One catalog row.  Lengths as written, in `unit`; the `_mm` properties are what the stages use."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)

    id: str = Field(min_length=1, max_length=80, pattern=r"^[^\s\x00-\x1f][^\x00-\x1f]*$")
    nominal_size: str = Field(min_length=1, max_length=40)
    unit: Unit
    collar_od: float = Field(gt=0)
    pipe_od: float = Field(gt=0)
    mark_depth: float = Field(gt=0)
    max_gap: float = Field(gt=0)
    source: str = Field(min_length=1, pattern=r"\S")
    collar_od_tolerance: float | None = Field(default=None, ge=0)
    pipe_od_tolerance: float | None = Field(default=None, ge=0)
    mark_tolerance: float | None = Field(default=None, gt=0)
    min_insertion: float | None = Field(default=None, gt=0)
    notes: str = ""

    def _mm(self, length: float) -> float:
        return length * MM_PER_UNIT[self.unit]

    @property
    def collar_od_mm(self) -> float:
        """Outside diameter of the collar."""
        return self._mm(self.collar_od)

    @property
    def pipe_od_mm(self) -> float:
        """Outside diameter of the pipe."""
        return self._mm(self.pipe_od)

    @property
    def mark_depth_mm(self) -> float:
        """Distance from the pipe's cut end to the near edge of the depth mark."""
        return self._mm(self.mark_depth)

    @property
    def max_gap_mm(self) -> float:
        """Largest gap that counts as full."""
        return self._mm(self.max_gap)

    @property
    def collar_od_tolerance_mm(self) -> float:
        """Half width of what the collar's diameter may be off; 0 where the row gives none."""
        return self._mm(self.collar_od_tolerance or 0.0)

    @property
    def pipe_od_tolerance_mm(self) -> float:
        """Half width of what the pipe's diameter may be off; UNSTATED_SHARE of it where the row gives none."""
        stated = self.pipe_od_tolerance
        return self._mm(UNSTATED_SHARE * self.pipe_od if stated is None else stated)

    @property
    def mark_tolerance_mm(self) -> float | None:
        """Half width of where an installer may have put the mark; None where the row gives none."""
        return None if self.mark_tolerance is None else self._mm(self.mark_tolerance)

    @property
    def min_insertion_mm(self) -> float | None:
        """Least insertion that the row asks for; None where it gives none."""
        return None if self.min_insertion is None else self._mm(self.min_insertion)

    @property
    def is_demo(self) -> bool:
        """True for the built-in rows, also where a copy of them stands in another file."""
        return self.source.casefold().startswith(DEMO_SOURCE.casefold())


def parse_catalog(text: str, name: str) -> tuple[Fitting, ...]:
    """All rows of a TOML catalog; `name` is the file as a person would call it.

    Raises CatalogError with every problem found, so that a catalog is mended in one go.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CatalogError(name, [Problem(0, "", f"This is not valid TOML: {error}.",
                                          "Mend that line; texts stand in quotes.")]) from None
    rows, problems = _rows(document)
    fittings: list[Fitting] = []
    for number, row in enumerate(rows, 1):
        result = _row(number, row)
        if isinstance(result, Fitting):
            fittings.append(result)
        else:
            problems += result
    problems += _twice(rows)
    if problems:
        raise CatalogError(name, sorted(problems, key=lambda problem: problem.row))
    return tuple(fittings)


@lru_cache(maxsize=1)
def demo_catalog() -> tuple[Fitting, ...]:
    """The built-in demonstration rows."""
    text = resources.files("calibration").joinpath("fittings.toml").read_text("utf-8")
    return parse_catalog(text, "built-in fittings.toml")


def find_fitting(catalog: Sequence[Fitting], name: str) -> Fitting:
    """The row with this id, or the only row of this nominal size ("2", "2 in", "1-1/2", "1.5")."""
    for fitting in catalog:
        if fitting.id == name:
            return fitting
    wanted = _size(name)
    of_size = [row for row in catalog if _same_size(wanted, _size(row.nominal_size, row.unit))]
    if len(of_size) == 1:
        return of_size[0]
    if of_size:
        raise UnknownFitting(f"More than one fitting has the nominal size {name!r}: "
                             f"{_listed(of_size)}. Name one by its id.")
    raise UnknownFitting(_unknown(catalog, name))


def _rows(document: Mapping[str, Any]) -> tuple[list[Mapping[str, Any]], list[Problem]]:
    strangers = [Problem(0, key, "A catalog holds nothing but [[fitting]] rows.",
                         "Write each row under a line [[fitting]], and remove what is no row.")
                 for key in document if key != "fitting"]
    rows = document.get("fitting", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        return [], [*strangers, Problem(0, "fitting", "Rows were expected here.",
                                        "Write [[fitting]], with two brackets, above each row.")]
    if not rows and not strangers:
        return [], [Problem(0, "fitting", "The catalog has no rows.", "Add at least one [[fitting]] row.")]
    return rows, strangers


def _row(number: int, row: Mapping[str, Any]) -> Fitting | list[Problem]:
    row_id = row.get("id") if isinstance(row.get("id"), str) else ""
    try:
        fitting = Fitting.model_validate(dict(row))
    except ValidationError as error:
        return [_explain(number, row_id or "", details) for details in error.errors()]
    found = [Problem(number, key, text, remedy, fitting.id) for key, text, remedy in _oddities(fitting)]
    return found or fitting


def _explain(number: int, row_id: str, details: Any) -> Problem:
    """Pydantic's finding as a sentence with a remedy."""
    key, kind = str(details["loc"][0]), details["type"]
    text, remedy = f"{details['msg']}, but it is {details['input']!r}.", "Correct the value."
    if kind == "missing":
        text = "It is missing."
        remedy = _SAY_WHERE_FROM if key == "source" else f"Add `{key} = ...` to the row."
    elif kind == "extra_forbidden":
        near = difflib.get_close_matches(key, Fitting.model_fields, 1, 0.6)
        text = "A catalog row has no such key."
        remedy = f"Did you mean '{near[0]}'?" if near else f"Known keys: {', '.join(Fitting.model_fields)}."
    elif kind == "string_type":
        remedy = f'Put it in quotes: {key} = "{details["input"]}".'
    elif kind == "float_type":
        remedy = "Write a plain number without quotes, such as 2.375; fractions as decimals."
    elif kind == "literal_error":
        remedy = 'Write unit = "in" or unit = "mm".'
    elif key == "source":
        text, remedy = "It is empty.", _SAY_WHERE_FROM
    return Problem(number, key, text, remedy, row_id)


def _oddities(fitting: Fitting) -> list[tuple[str, str, str]]:
    """Rows that read well and still can't be true: (key, text, remedy)."""
    odd = [_out_of_range(fitting, key, *_DIAMETERS_MM) for key in ("collar_od", "pipe_od")]
    odd.append(_out_of_range(fitting, "mark_depth", *_DEPTHS_MM))
    found = [each for each in odd if each]
    if found:
        return found
    return [*_shape(fitting), *_tolerances(fitting)]


def _out_of_range(fitting: Fitting, key: str, least_mm: float, most_mm: float) -> tuple[str, str, str] | None:
    written = getattr(fitting, key)
    length = written * MM_PER_UNIT[fitting.unit]
    if least_mm <= length <= most_mm:
        return None
    other = "mm" if fitting.unit == "in" else "in"
    swapped = least_mm <= written * MM_PER_UNIT[other] <= most_mm
    remedy = (f'If it was measured in {other}, write unit = "{other}".' if swapped
              else f"Expected {least_mm:g} to {most_mm:g} mm.")
    return key, f"{written:g} {fitting.unit} is {length:,.6g} mm, which no pressed joint has.", remedy


def _shape(row: Fitting) -> list[tuple[str, str, str]]:
    found = []
    if row.pipe_od >= row.collar_od:
        found.append(("pipe_od", f"The pipe ({row.pipe_od:g}) is not narrower than its collar "
                      f"({row.collar_od:g}).", "Check whether the two were swapped."))
    elif row.collar_od > _THICKEST_COLLAR * row.pipe_od:
        found.append(("collar_od", f"The collar ({row.collar_od:g}) is more than twice as wide as its pipe "
                      f"({row.pipe_od:g}).", "Measure both across the outside again."))
    if row.max_gap >= row.mark_depth:
        found.append(("max_gap", f"The largest gap ({row.max_gap:g}) is not smaller than the mark's depth "
                      f"({row.mark_depth:g}); every joint would pass.",
                      "Write the largest gap allowed between mouth and mark."))
    if row.min_insertion is not None and row.min_insertion > row.mark_depth:
        found.append(("min_insertion", f"It is deeper ({row.min_insertion:g}) than the mark "
                      f"({row.mark_depth:g}).", "Check both against the fitting's instructions."))
    return found


def _tolerances(row: Fitting) -> list[tuple[str, str, str]]:
    return [(key, f"{width:g} is more than {most:.0%} of {of} ({getattr(row, of):g}).",
             "Write the half width of the tolerance: 0.005 for plus or minus 0.005.")
            for key, of, most in _WIDEST_TOLERANCES
            if (width := getattr(row, key) or 0.0) > most * getattr(row, of)]


def _twice(rows: Sequence[Mapping[str, Any]]) -> list[Problem]:
    first: dict[str, int] = {}
    problems = []
    for number, row in enumerate(rows, 1):
        name = row.get("id")
        if isinstance(name, str) and first.setdefault(name, number) != number:
            problems.append(Problem(number, "id", f"{name!r} is already the id of row {first[name]}.",
                                    "Give every row an id of its own.", name))
    return problems


_WORDS = re.compile(r"^(?:nps\s*)?(.*?)\s*(in|inch|inches|mm|\"|″|'')?\.?$")
_VULGAR = {"¼": " 1/4", "½": " 1/2", "¾": " 3/4", "⅛": " 1/8", "⅜": " 3/8", "⅝": " 5/8", "⅞": " 7/8"}


def _size(text: str, unit: str = "") -> tuple[Fraction | str, str]:
    """A nominal size as a number (or, where it is none, as plain text) and its unit, "" where unsaid."""
    plain = text.strip().casefold()
    for sign, fraction in _VULGAR.items():
        plain = plain.replace(sign, fraction)
    found = _WORDS.match(plain)
    number, suffix = (found[1], found[2]) if found else (plain, None)
    said = "" if suffix is None else "mm" if suffix == "mm" else "in"
    parts = re.fullmatch(r"\s*(?:(\d+)(?:\s*-\s*|\s+))?(\d+)/(\d+)|\s*(\d+(?:\.\d+)?)", number)
    if not parts or (parts[3] and int(parts[3]) == 0):
        return " ".join(plain.split()), ""
    if parts[4]:
        return Fraction(parts[4]), said or unit
    return int(parts[1] or 0) + Fraction(int(parts[2]), int(parts[3])), said or unit


def _same_size(wanted: tuple[Fraction | str, str], row: tuple[Fraction | str, str]) -> bool:
    return wanted[0] == row[0] and wanted[1] in ("", row[1])


def _listed(fittings: Sequence[Fitting]) -> str:
    return ", ".join(f"{fitting.id} ({fitting.nominal_size})" for fitting in fittings)


def _unknown(catalog: Sequence[Fitting], name: str) -> str:
    names = {fitting.id.casefold(): fitting.id for fitting in catalog}
    near = difflib.get_close_matches(name.casefold(), names, 3, 0.5)
    hint = f"Did you mean {' or '.join(names[each] for each in near)}? " if near else ""
    shown = catalog[:20]
    more = f" and {len(catalog) - len(shown)} more" if len(catalog) > len(shown) else ""
    return f"No fitting is called {name!r}. {hint}The catalog has: {_listed(shown)}{more}."
