"""Photos that names alone put together: which joints have one name in several folders, and what is said of the rest.

Where no list says whose they are, a photo of one joint must not prove another one.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from itertools import groupby
from pathlib import PurePosixPath

from cli.jobs.findings import listed
from cli.jobs.listing import LIST_NAME
from cli.jobs.matching import MARKED, joint_name, place_of
from cli.jobs.store import Store
from cli.jobs.text import visible

_MAY_BE_A_JOINTS = re.compile(r".*(?:_0\d|\(\d+\))")  # B2_01 may be a joint's own number
_MOST_JOINTS, _MOST_PHOTOS = 12, 6


def lying_apart(photos: Iterable[str]) -> dict[str, list[str]]:
    """Names of joints that more than one folder has photos of, with these folders, "" being the job's own.

    Photos of marked pipes may lie in a folder of their own, but not in several.
    """
    places: dict[tuple[str, bool], set[str]] = defaultdict(set)
    for photo in photos:
        name, marked = joint_name(photo), MARKED.fullmatch(PurePosixPath(photo).stem) is not None
        places[name, marked].add(place_of(photo, name))
    apart: dict[str, list[str]] = {}
    for (name, _), folders in places.items():
        if len(folders) > 1:
            apart[name] = sorted(folders.union(apart.get(name, ())))
    return apart


def told_apart(apart: dict[str, list[str]]) -> list[str]:
    """That such names are taken for a joint a folder."""
    named = [f"{visible(name)} ({listed([visible(folder) or 'the job folder' for folder in folders], _MOST_PHOTOS)})"
             for name, folders in apart.items()]
    return [f"Photos in different folders are taken for different joints though they are named alike: "
            f"{listed(named, _MOST_JOINTS)}. If they show one joint, write a {LIST_NAME}."] if named else []


def told_together(store: Store, with_list: bool) -> list[str]:
    """Which photos are taken for one joint by names that might mean several."""
    rows = store.named()
    joints = ((joint, [photo for _, photo in photos]) for joint, photos in groupby(rows, key=lambda row: row[0]))
    doubtful = _across_folders if with_list else _may_be_several
    named = [f"{visible(joint)} ({listed([visible(photo) for photo in photos], _MOST_PHOTOS)})"
             for joint, photos in joints if len(photos) > 1 and doubtful(joint, photos)]
    return [f"Photos are taken for one joint by their names alone: {listed(named, _MOST_JOINTS)}. If some of them show "
            f"another joint, say in {LIST_NAME} which photos are whose."] if named else []


def _across_folders(joint: str, photos: Sequence[str]) -> bool:
    own = [photo for photo in photos if not MARKED.fullmatch(PurePosixPath(photo).stem)]
    return len({place_of(photo, joint) for photo in own}) > 1


def _may_be_several(_: str, photos: Sequence[str]) -> bool:
    """From different folders, by their folder's name, or by numbers that may be joints' own."""
    names = [(photo, joint_name(photo)) for photo in photos]
    by_folder = sum(name in PurePosixPath(photo).parts[:-1] and not PurePosixPath(photo).name.startswith(name)
                    for photo, name in names)
    numbered = any(_MAY_BE_A_JOINTS.fullmatch(PurePosixPath(photo).stem) for photo in photos)
    return numbered or by_folder > 1 or len({place_of(photo, name) for photo, name in names}) > 1
