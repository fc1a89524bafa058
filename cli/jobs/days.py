"""Calendar days as people write them, and whether month or day comes first."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

_MONTH_FIRST, _DAY_FIRST = ("%m/%d/%Y", "%m/%d/%y"), ("%d/%m/%Y", "%d/%m/%y")
_OTHERS = ("%Y-%m-%d", "%d.%m.%Y", "%Y/%m/%d", "%Y%m%d", "%d %b %Y", "%b %d, %Y")


def parse_day(text: str, day_first: bool = False) -> date | None:
    """A calendar day from 2026-05-04 (with or without a time), 5/4/2026 (month first, or day first) or 04.05.2026."""
    try:
        return datetime.fromisoformat(text).date()
    except ValueError:
        return _by((*(_DAY_FIRST if day_first else _MONTH_FIRST), *_OTHERS), text)


def is_day_first(texts: Iterable[str]) -> bool | None:
    """Whether days written as 5/4/2026 name the day first: some of them can be read in one order only.

    False also where none is written so; None where each may be meant either way, or they contradict each other.
    """
    both = [(_by(_MONTH_FIRST, text), _by(_DAY_FIRST, text)) for text in texts]
    month_first = any(month and not day for month, day in both)
    day_first = any(day and not month for month, day in both)
    if month_first != day_first:
        return day_first
    return None if day_first or any(month != day for month, day in both) else False


def _by(patterns: tuple[str, ...], text: str) -> date | None:
    for pattern in patterns:
        try:
            return datetime.strptime(text, pattern).date()
        except ValueError:
            continue
    return None
