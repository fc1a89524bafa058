"""Names that phones send: of joints, and the file names made from them.  None is ever used as a path as it came."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Literal

from cli.phone.troubles import BadRequest

Kind = Literal["after", "before"]  # the joint after pressing; its marked pipe before it was pushed in

_JOINT = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9 ._#-]{0,38}[A-Za-z0-9#])?")
_NUMBERED = re.compile(r"(?P<before>.*?)(?P<number>\d{1,6})")
_FIRST_NAME = "J-001"
# Names that some systems keep for devices, whatever follows the dot.
_DEVICES = frozenset({"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))})


def joint_name(text: str) -> str:
    """A name for a new joint, or BadRequest: it has to do as a file's name on any disk."""
    name = " ".join(text.split())
    if not _JOINT.fullmatch(name) or name.casefold().split(".")[0] in _DEVICES:
        raise BadRequest("A joint's name has 1 to 40 letters, digits, blanks and . _ - #, and begins with a letter or "
                         "a digit, such as J-014. Write it that way.")
    return name


def next_name(names: Iterable[str]) -> str:
    """The number after the highest one that is written like the last numbered name."""
    found = [match for name in names if (match := _NUMBERED.fullmatch(name))]
    if not found:
        return _FIRST_NAME
    before, width = found[-1]["before"], len(found[-1]["number"])
    numbers = [int(match["number"]) for match in found if match["before"] == before]
    return f"{before}{max(numbers) + 1:0{width}}"


def photo_names(joint: str, number: int, suffix: str, kind: Kind = "after") -> Iterator[str]:
    """File names, relative to the job folder, by which `collargap job` may know a photo of the joint.

    The plain one first; the others are for lists in which it would be read as another joint's.
    """
    stem = re.sub(r"[^A-Za-z0-9 ._#-]+", "_", joint).strip(". ") or "joint"
    middle = "" if kind == "after" else f"_{kind}"
    yield f"{stem}{middle}_{number}{suffix}"
    yield f"{stem}/{stem}{middle}_{number}{suffix}"
    yield f"{stem}/photo{middle}-{number}{suffix}"
