"""What the desk hands over: a joint that was given, a photo with its answer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from cli.phone.notes import Sent


@dataclass(frozen=True)
class Claimed:
    """The joint that a phone was given.  photos: how many there are of it already.  new: it was added to the list."""

    joint: str
    fitting: str
    photos: int
    new: bool = False


@dataclass(frozen=True)
class Next:
    """The joint to go to next.  listed: it stands in the list and waits for its photo; else it would be added."""

    joint: str
    listed: bool


@dataclass(frozen=True)
class Told:
    """A photo with its answer (the JSON of `check` or of `premark`), where there is one.

    The answer for a joint has in it what the photo of its marked pipe told.  lines: a person placed some on it.
    view: which of the joint's `views` it is, from 1, the oldest first.  counts: of the photos of a marked pipe, whether
    this is the one whose depth is taken.  made: the joint was pressed and measured since.  alone: the word of this
    photo by itself, which its overlay shows too.  joint_word: that of the joint by all that is known of it;
    apart: that is open since only a job puts its sides together.
    """

    sent: Sent
    answer: dict[str, Any] | None
    lines: bool
    view: int = 1
    views: int = 1
    counts: bool = False
    made: bool = False
    alone: str = ""
    joint_word: str = ""
    apart: bool = False
