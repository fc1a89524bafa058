"""Lengths out of stored answers, said as everywhere else."""

from __future__ import annotations

from typing import Any

from cli import say
from cli.answer import Length


def gap_of(answer: dict[str, Any]) -> str:
    """The gap, such as "3/32 in (0.094)"; "" where none was measured."""
    return _said(answer, "gap")


def insertion_of(answer: dict[str, Any]) -> str:
    """The insertion, or ""."""
    return _said(answer, "insertion")


def limit_of(answer: dict[str, Any]) -> str:
    """The limit with every digit that the catalog gives it."""
    return say.limit_of(answer["limit"], answer["unit"])


def interval_of(answer: dict[str, Any]) -> str:
    """The gap's interval, rounded outwards; "" where there is none."""
    gap = answer["gap"]
    if gap is None:
        return ""
    # Named one by one: answers in old ledgers may know keys that this version doesn't.
    span = Length(value=gap["value"], low=gap["low"], high=gap["high"], u=gap["u"])
    return say.interval(span, answer["unit"])


def _said(answer: dict[str, Any], what: str) -> str:
    found = answer[what]
    return say.length(found["value"], answer["unit"]) if found else ""
