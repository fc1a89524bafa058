"""Which joint a photo belongs to: the list's patterns first, then the names of file and folder."""

from __future__ import annotations

import fnmatch
import hashlib
import re
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Container, Iterable
from pathlib import PurePosixPath

from cli.jobs.listing import Joint, Listing

_CAMERA = re.compile(
    r"(img|dsc[fn]?|pxl|mvimg|pic|photo|image|screenshot|whatsapp image|wa|vid|gopr|cimg|sam)[-_ ]?e?\d.*|p\d{6,}.*",
    re.IGNORECASE,
)
_BARE = re.compile(r"\d[-\d_ ]*")
_NUMBERED = re.compile(r"(?P<joint>.*\d.*?)(?:_\d{1,2}|\s*\(\d+\)|[ _](?:copy|edited))", re.IGNORECASE)
MARKED = re.compile(r"(?P<joint>.+)[ _.-](?:before|premark)(?:[ _-]?\d{1,2}|\s*\(\d+\))?", re.IGNORECASE)
# J-014, 14 and L2-J 14 are a joint's folder; Monday 12 and those named for a day or by a camera, 100ABCDE, hold many.
_JOINTS_FOLDER = re.compile(r"(?=.*\d)\S+|(?:\S*[^\sA-Z])?J(?:OINT)?\s+\d+[A-Z]?", re.IGNORECASE)
_OTHER_FOLDER = re.compile(r"(?:19|20)\d\d[-._]?\d\d(?:[-._]?\d\d)?(?:\D.*)?|\d{1,2}[-._]\d{1,2}[-._]\d{2,4}"
                           r"|\d{3}(?=\d*[A-Z_])\w{5}", re.IGNORECASE)
_SEPARATORS = " _-.(["
_WILD = re.compile(r"[*?\[]")
# What no file's name can hold on every disk, and the sign of the same shape that it can.
_WIDE = {ord(sign): chr(ord(sign) + 0xFEE0) for sign in '/\\:*?"<>|'}
_JOINERS = "\u200c\u200d"  # of letters, in some scripts
_LONGEST_BYTES = 180  # of a file's name 255 are allowed, and numbers and ending follow


class Matcher:
    """Finds the joints of a photo.  Made once a job; a look-up costs about the length of the name.

    apart: names that, without a list, stand for another joint in every folder (`bynames.lying_apart`).
    """

    def __init__(self, listing: Listing | None, default_fitting: str = "", apart: Container[str] = ()) -> None:
        self._default, self._apart = default_fitting, apart
        self._listed = listing is not None
        joints = listing.joints if listing else ()
        self._names = _by_file_form(joints) | {folded(joint.name): joint for joint in joints}
        self._patterns: dict[str, list[tuple[str, Joint]]] = defaultdict(list)
        self._marked: dict[str, list[tuple[str, Joint]]] = defaultdict(list)
        for joint in joints:
            for patterns, buckets in ((joint.pattern, self._patterns), (joint.premark, self._marked)):
                for pattern in filter(None, map(str.strip, patterns.casefold().replace("\\", "/").split("|"))):
                    # Bucketed by what stands before the first wildcard, so that thousands of patterns stay
                    # cheap.
                    buckets[_WILD.split(pattern, maxsplit=1)[0]].append((pattern, joint))

    def joints(self, relative: str) -> list[Joint]:
        """The joints of a photo: none, one, or several.  relative: its name in the job folder."""
        by_pattern = _found(relative.casefold(), self._marked) or _found(relative.casefold(), self._patterns)
        if by_pattern:
            return by_pattern
        if self._listed:
            named = self._by_listed_name(relative)
            return [named] if named else []
        name = joint_name(relative)
        place = place_of(relative, name) if name in self._apart else ""
        return [Joint(f"{place}/{name}" if place else name, self._default)]

    def marked(self, relative: str) -> bool:
        """Whether a photo shows a marked pipe before it was pushed in: by the list, else by its name."""
        if _found(relative.casefold(), self._marked):
            return True
        return MARKED.fullmatch(PurePosixPath(relative).stem) is not None

    def _by_listed_name(self, relative: str) -> Joint | None:
        """The file's own name decides; then its folders, the nearest first."""
        parts = PurePosixPath(folded(relative)).parts
        for part in (PurePosixPath(parts[-1]).stem, *reversed(parts[:-1])):
            for length in range(len(part), 0, -1):
                joint = self._names.get(part[:length])
                if joint and (length == len(part) or part[length] in _SEPARATORS):
                    return joint
        return None


def folded(name: str) -> str:
    """A name as it is compared: in any case, and with its accents written either way."""
    return unicodedata.normalize("NFC", name.casefold())


def file_form(name: str) -> str:
    """A joint's name as files are named by it: "Riser 2/3" as "Riser 2／3".  Letters of any script stay."""
    form = "".join(sign if _is_seen(sign) else "\ufffd" for sign in name.translate(_WIDE))
    form = re.sub(r"^\.|\.$", "．", form)  # a file is hidden that begins with a dot
    data = form.encode("utf-8", "replace")
    if len(data) <= _LONGEST_BYTES:
        return form
    return data[:_LONGEST_BYTES - 10].decode("utf-8", "ignore") + "~" + hashlib.sha256(name.encode()).hexdigest()[:8]


def _is_seen(sign: str) -> bool:
    return sign.isprintable() or unicodedata.category(sign) == "Zs" or sign in _JOINERS


def _by_file_form(joints: Iterable[Joint]) -> dict[str, Joint]:
    """The joints by what files are named by; not by what would stand for two of them."""
    forms = [(folded(file_form(joint.name)), joint) for joint in joints]
    often = Counter(form for form, _ in forms)
    return {form: joint for form, joint in forms if often[form] == 1}


def _found(relative: str, buckets: dict[str, list[tuple[str, Joint]]]) -> list[Joint]:
    """The joints with a pattern that fits the name, in the order of the list."""
    found: dict[str, Joint] = {}
    for name in {relative, relative.rsplit("/", 1)[-1]}:
        for length in range(len(name) + 1):
            for pattern, joint in buckets.get(name[:length], ()):
                if fnmatch.fnmatchcase(name, pattern):
                    found[joint.name] = joint
    return sorted(found.values(), key=lambda joint: joint.order)


def joint_name(relative: str) -> str:
    """The joint that a name speaks of: J-014_2.jpg, J-014_before.jpg and J-014/IMG_2031.jpg are all J-014.

    Where no name has a number that could be a joint's, the photo is a joint of its own: two joints counted
    as one could hide a short one.  So a number after a blank is a joint's too, and not a photo's.
    """
    path = PurePosixPath(relative)
    if marked := MARKED.fullmatch(path.stem):
        path = path.with_name(marked["joint"] + path.suffix)
    folder = path.parent.name
    by_folder = _JOINTS_FOLDER.fullmatch(folder) and not _OTHER_FOLDER.fullmatch(folder)
    camera = _CAMERA.fullmatch(path.stem) is not None
    if by_folder and (camera or _BARE.fullmatch(path.stem)):
        return folder
    if not camera and _has_digit(path.stem):
        numbered = _NUMBERED.fullmatch(path.stem)
        return numbered["joint"] if numbered else path.stem
    return folder if by_folder else str(path.with_suffix(""))


def place_of(relative: str, joint: str) -> str:
    """The folder in which a photo of the joint lies, that of the joint itself left out; "" for the job's own."""
    folders = PurePosixPath(relative).parts[:-1]
    names = [folder.casefold() for folder in folders]
    return "/".join(folders[:names.index(joint.casefold())] if joint.casefold() in names else folders)


def _has_digit(name: str) -> bool:
    return any(char.isdigit() for char in name)
