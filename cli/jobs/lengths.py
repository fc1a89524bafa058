"""Lengths out of stored answers, said as everywhere else."""

from __future__ import annotations

from typing import Any

from calibration.fittings import MM_PER_UNIT, Unit
from cli import say
from cli.answer import Range

_PLACES = {"in": 3, "mm": 1}  # of lengths of a chart: they stand beside it


def gap_of(answer: dict[str, Any]) -> str:
    """The gap, such as "3/32 in (0.094)"; "" where none was measured."""
    return _said(answer, "gap")


def insertion_of(answer: dict[str, Any]) -> str:
    """The insertion, or ""."""
    return _said(answer, "insertion")


def depth_of(answer: dict[str, Any]) -> str:
    """The depth of a marked pipe's mark, or ""."""
    return _said(answer, "depth")


def mark_depth_of(answer: dict[str, Any]) -> str:
    """The depth that the catalog gives the mark."""
    return say.limit_of(answer["mark_depth"], answer["unit"])


def cut_of(answer: dict[str, Any]) -> str:
    """How far a marked pipe's cut is out of square, or ""."""
    angle = (answer["cut"] or {}).get("angle_deg")
    return f"{angle['value']:.1f}° ({angle['low']:.1f} to {angle['high']:.1f}°)" if angle else ""


def limit_of(answer: dict[str, Any]) -> str:
    """The limit with every digit that the catalog gives it."""
    return say.limit_of(answer["limit"], answer["unit"])


def least_of(answer: dict[str, Any]) -> str:
    """The least insertion, where it decides: the catalog gives one, and both photos told the insertion; else ""."""
    least = answer.get("min_insertion")
    if least is None or answer.get("insertion_from") != "premark":
        return ""
    return say.limit_of(least, answer["unit"])


def interval_of(answer: dict[str, Any], what: str = "gap") -> str:
    """The interval of the gap, or of another length, rounded outwards; "" where there is none."""
    found = answer[what]
    if found is None:
        return ""
    return say.interval(_span(found), answer["unit"])


def sure_of(answer: dict[str, Any], what: str, confidence: float) -> str:
    """A length with its interval and how sure that is, such as "3/32 in (0.094), 95 % sure: 0.080 to 0.107 in"; of a
    range alone, the range once."""
    told, ends = _said(answer, what), interval_of(answer, what)
    sure = f"{100 * confidence:g} % sure: {ends}"
    return sure if told == ends else f"{told}, {sure}"


def plain(unit: Unit, *lengths_mm: float) -> str:
    """Lengths of a chart: "6.4 mm", or "0.010 to 0.250 in"."""
    return " to ".join(f"{each / MM_PER_UNIT[unit]:.{_PLACES[unit]}f}" for each in lengths_mm) + f" {unit}"


def _said(answer: dict[str, Any], what: str) -> str:
    found = answer[what]
    return say.told(_span(found), answer["unit"]) if found else ""


def _span(found: dict[str, Any]) -> Range:
    """Named one by one: answers in old ledgers may know keys that this version doesn't."""
    return Range(value=found["value"], low=found["low"], high=found["high"], u=found["u"])
