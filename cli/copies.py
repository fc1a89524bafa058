"""Whether two photos of one joint are one picture: what was seen once must not count twice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cli.answer import Answer, PremarkAnswer
    from vision.records import PremarkVerdict, Verdict

_ONE_SIDE_DEG = 20.0  # by which two sides may differ as people name them, and still be one


@dataclass(frozen=True)
class Shot:
    """A photo by its name, its bytes' hash, those of its picture (none where it shows nothing), the side that it was
    taken from and when, by its own clock."""

    name: str
    sha256: str
    phashes: tuple[bytes, ...]
    at_deg: float | None
    taken: str

    @classmethod
    def of(cls, verdict: Verdict | PremarkVerdict, answer: Answer | PremarkAnswer, at_deg: float | None) -> Shot:
        """Of a photo that was looked at."""
        from cli.jobs.duplicates import picture_hashes

        photo = verdict.photo
        phashes = picture_hashes(photo.pixels) if photo else ()
        return cls(answer.photo, answer.sha256, phashes, at_deg, photo.taken if photo else "")

    def shows_the_same(self, other: Shot) -> bool:
        """Whether both are one picture, saved anew, shrunk, turned, mirrored or trimmed a little perhaps."""
        from cli.jobs.duplicates import are_near

        return any(are_near(one, two) for one in self.phashes for two in other.phashes)

    def may_be_another(self, other: Shot) -> bool:
        """Whether a picture like this may yet be a photo of its own: taken from the same side at another time."""
        from cli.jobs.timing import taken_at

        one, two = taken_at(self.taken), taken_at(other.taken)
        if not one or not two or one == two:
            return False
        sides = (self.at_deg or 0.0) - (other.at_deg or 0.0)
        return abs((sides + 180) % 360 - 180) <= _ONE_SIDE_DEG


def refuse_copies(shots: Sequence[Shot]) -> None:
    """Raise Misuse where one file or one picture stands for two photos."""
    from calibration.fittings import Misuse

    for one, other in combinations(shots, 2):
        if one.sha256 == other.sha256:
            named = f"{other.name} is named twice" if one.name == other.name else (
                f"{other.name} is the same file as {one.name}")
            raise Misuse(f"{named}. Name each photo once; a view needs a photo of its own.")
        if one.shows_the_same(other) and not one.may_be_another(other):
            raise Misuse(f"{other.name} shows the same picture as {one.name}. A view needs a photo of its own, named "
                         "for the side that it was taken from.")
