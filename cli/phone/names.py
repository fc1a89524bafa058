"""Names that phones send: of joints, and the file names made from them.  None is ever used as a path as it came."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator
from itertools import count
from typing import Literal

from cli.jobs.matching import file_form
from cli.phone.troubles import BadRequest

LONGEST_ASKED = 500  # of a joint's name; a list may hold far longer ones than can be begun here
Kind = Literal["after", "before"]  # the joint after pressing; its marked pipe before it was pushed in

_LONGEST = 40
_BETWEEN = " ._#-"  # what a new name may have besides letters and digits
_NUMBERED = re.compile(r"(?P<before>.*?)(?P<number>\d{1,6})")
_MOST_OFFERED = 1000
# Names that some systems keep for devices, whatever follows the dot.
_DEVICES = frozenset({"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))})


def joint_name(text: str) -> str:
    """A name for a new joint, or BadRequest: it has to do as a file's name on any disk."""
    name = unicodedata.normalize("NFC", " ".join(text.split()))
    if not is_name(name):
        raise BadRequest("A joint's name has 1 to 40 letters, digits, blanks and . _ - #, and begins with a letter or "
                         "a digit, such as J-014. Write it that way.")
    return name


def is_name(name: str) -> bool:
    """Whether a new joint may be called so; letters and digits are those of any script."""
    return (0 < len(name) <= _LONGEST and _is_letter(name[0]) and (_is_letter(name[-1]) or name[-1] == "#")
            and all(_is_letter(sign) or sign in _BETWEEN for sign in name)
            and name.casefold().split(".")[0] not in _DEVICES)


def _is_letter(sign: str) -> bool:
    """Letters, the marks on them, and digits."""
    return unicodedata.category(sign)[0] in "LMN"


def next_names(names: Iterable[str]) -> Iterator[str]:
    """The numbers after the highest one that is written like the last numbered name; only such as are taken."""
    found = [match for name in names if is_name(name) and (match := _NUMBERED.fullmatch(name))]
    if found:
        before, width = found[-1]["before"], len(found[-1]["number"])
        highest = max(int(match["number"]) for match in found if match["before"] == before)
        yield from filter(is_name, (f"{before}{n:0{width}}" for n in range(highest + 1, highest + _MOST_OFFERED)))
    yield from (f"J-{n:03}" for n in count(1))


def photo_names(joint: str, number: int, suffix: str, kind: Kind = "after") -> Iterator[str]:
    """File names, relative to the job folder, by which `collargap job` may know a photo of the joint.

    The plain one first; the others are for lists in which it would be read as another joint's.
    """
    stem = file_form(joint)
    middle = "" if kind == "after" else f"_{kind}"
    yield f"{stem}{middle}_{number}{suffix}"
    yield f"{stem}/{stem}{middle}_{number}{suffix}"
    yield f"{stem}/photo{middle}-{number}{suffix}"
