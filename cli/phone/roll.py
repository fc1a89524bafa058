"""The joints of the job as its list has them: found, begun, and named so that no photo changes hands."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from calibration.fittings import Fitting, Misuse, find_fitting
from cli.jobs.asked import Job
from cli.jobs.bynames import lying_apart
from cli.jobs.folder import photos_in
from cli.jobs.listing import LIST_NAME, Joint, Listing
from cli.jobs.matching import Matcher, folded
from cli.phone import names
from cli.phone.listfile import add_joint, read_listing
from cli.phone.troubles import BadRequest, NotThere, Taken

_MOST_TRIED = 200  # numbers after the count of a joint's photos, for those that came another way


class Roll:
    """joints.csv of a job folder, read anew whenever it is asked: people may write in it too."""

    def __init__(self, job: Job, top: Path) -> None:
        self.job, self.top = job, top

    def begin(self) -> None:
        """Photos that lie here without a list keep their joints when the page begins one."""
        if read_listing(self.top) is not None:
            return
        photos: dict[str, list[str]] = {}
        matcher = Matcher(None, self.job.fitting, lying_apart(photos_in(self.top)))
        for relative in photos_in(self.top):
            for joint in matcher.joints(relative):
                photos.setdefault(joint.name, []).append(relative)
        for name, files in photos.items():
            add_joint(self.top, name, self.job.fitting, "|".join(files))

    def listing(self) -> Listing:
        """The list, empty where there is none yet."""
        return read_listing(self.top) or Listing(())

    def joint(self, name: str) -> Joint:
        """A joint of the list.  Raises NotThere."""
        for joint in self.listing().joints:
            if folded(joint.name) == folded(name):
                return joint if joint.fitting else replace(joint, fitting=self.job.fitting)
        raise NotThere(f'There is no joint "{name}" in this job. Choose one of the list, or begin a new one.')

    def next_name(self) -> str:
        """The number that a new joint is offered."""
        listing, photos = self.listing(), list(photos_in(self.top))
        known = {folded(joint.name) for joint in listing.joints}
        return next(name for name in names.next_names(joint.name for joint in listing.joints)
                    if folded(name) not in known and _stolen(name, photos, listing) is None)

    def given(self, name: str, offered: bool, fitting: str) -> tuple[str, bool]:
        """The joint that someone gets who asks for this name, and whether it is a new one.

        offered: the name was offered as the next number; where another phone was faster, the number after it is
        given.  A name that a person wrote is that joint, also when it has photos already.
        """
        listing = self.listing()
        known = {" ".join(folded(each.name).split()): each.name for each in listing.joints}
        if offered and folded(name) in known:
            name = self.next_name()
        if there := known.get(" ".join(folded(name).split())):
            return there, False
        return self._new(names.joint_name(name), fitting, listing), True

    def _new(self, name: str, fitting: str, listing: Listing) -> str:
        row = self.fitting(fitting)
        if photo := _stolen(name, list(photos_in(self.top)), listing):
            raise Taken(f"The photo {photo} of another joint would count for a joint named {name}. Choose another "
                        "name.")
        add_joint(self.top, name, row.id)
        return name

    def fitting(self, name: str) -> Fitting:
        """The catalog's row for a size.  Raises BadRequest."""
        try:
            return find_fitting(self.job.catalog, name)
        except Misuse as error:
            raise BadRequest(str(error)) from error

    def shows(self, photo: str) -> names.Kind:
        """What a file of the folder shows, as `collargap job` reads it from list and name."""
        return "before" if Matcher(self.listing()).marked(photo) else "after"

    def free_name(self, joint: Joint, first: int, suffix: str, kind: names.Kind, noted: Callable[[str], object]) -> str:
        """A name that nothing has, and by which the photo is this joint's, of this kind, and no other's.

        first: the number to begin with.  noted: what a name is given to already, though no file may have it yet.
        """
        matcher = Matcher(self.listing())
        for number in range(first, first + _MOST_TRIED):
            for name in names.photo_names(joint.name, number, suffix, kind):
                fits = [each.name for each in matcher.joints(name)] == [joint.name]
                fits = fits and matcher.marked(name) == (kind == "before")
                if fits and not os.path.lexists(self.top / name) and not noted(name):
                    return name
        raise Taken(f"No file name could be found that {LIST_NAME} reads as joint {joint.name}. Give the joint a photo "
                    "pattern in the list, or another name.")


def _stolen(name: str, photos: list[str], listing: Listing) -> str | None:
    """A photo of another joint that a new name would make look like its own: J-1_2.jpg is J-1's second."""
    alike = [photo for photo in photos if folded(name) in folded(photo)]
    after = Matcher(Listing((*listing.joints, Joint(name, "", order=len(listing.joints))))) if alike else None
    return next((photo for photo in alike if after and name in [joint.name for joint in after.joints(photo)]), None)
