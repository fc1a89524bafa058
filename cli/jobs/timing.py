"""Do the photos' own times fit the list?  Cameras' clocks are often wrong: this finds, a person judges."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from datetime import date, datetime

_DAYS_APART = 2
_ORDERLY = 0.7


def taken_at(exif: str) -> datetime | None:
    """EXIF's "2026:05:04 10:20:30" as a time; None where it is missing or no time at all, as of a clock never set."""
    try:
        return datetime.strptime(exif.strip("\0 "), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None


def far_from(day: date, taken: datetime) -> str:
    """How far a photo's time is from the day of the job, in words; "" within two days, as clocks err."""
    days = (taken.date() - day).days
    if abs(days) <= _DAYS_APART:
        return ""
    side = "after" if days > 0 else "before"
    if abs(days) < 365:
        return f"{abs(days)} days {side}"
    years = abs(days) / 365.25
    return f"{years:.0f} year{'' if round(years) == 1 else 's'} {side}"


def out_of_order(times: Sequence[datetime]) -> list[int]:
    """The places whose times would have to change for the rest to run forwards; none where nothing does.

    The longest run that never goes back is taken as true.  A list of which less than 70 % runs forwards
    isn't in the order of time at all, and nothing can be said.
    """
    kept = _longest_forward(times)
    if len(kept) < _ORDERLY * len(times):
        return []
    return [place for place in range(len(times)) if place not in kept]


def _longest_forward(times: Sequence[datetime]) -> set[int]:
    """Places of a longest subsequence that never decreases (patience sorting)."""
    tails: list[datetime] = []
    ends: list[int] = []
    before = [-1] * len(times)
    for place, when in enumerate(times):
        pile = bisect_right(tails, when)
        before[place] = ends[pile - 1] if pile else -1
        tails[pile : pile + 1] = [when]
        ends[pile : pile + 1] = [place]
    kept: set[int] = set()
    place = ends[-1] if ends else -1
    while place >= 0:
        kept.add(place)
        place = before[place]
    return kept
