"""Photos that stand for another joint too, as the ledger has them: one of another site, known by its bytes, or in
what was filed for a site itself."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence, Set
from dataclasses import dataclass

from cli.jobs.duplicates import same_pictures
from cli.jobs.findings import finding
from cli.jobs.judge import Clues
from cli.jobs.store import Store
from cli.jobs.text import visible
from cli.ledger import Filed, Ledger

# So many photos, and so much of a job, under the same joints' names at another site: that is this job by another name.
_LEAST_RENAMED, _SHARE_RENAMED = 3, 0.5


class Firsts:
    """Where photos were filed first, by their hashes.  The ledger only grows, so each is asked for once."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._known: dict[str, Filed] = {}

    def of(self, hashes: Set[str]) -> dict[str, Filed]:
        """Those of these photos that were filed at all."""
        if unknown := hashes - self._known.keys():
            for filed in self._ledger.filed(unknown):
                self._known.setdefault(filed.sha256, filed)
        return {sha256: self._known[sha256] for sha256 in hashes & self._known.keys()}


@dataclass(frozen=True)
class Had:
    """Photos that another site had first, by their places.

    renamed: sites that are this one by an earlier name, with how many of its photos they had for the same joints;
    those are no copies and not among `first`.
    """

    first: dict[int, Filed]
    renamed: dict[str, int]


def had_before(photos: Sequence[tuple[str, str]], firsts: Firsts, site: str) -> Had:
    """Which photos of a site another one had first.  photos: of each its hash and its joint."""
    filed = firsts.of({sha256 for sha256, _ in photos})
    other = {place: filed[sha256] for place, (sha256, _) in enumerate(photos)
             if sha256 in filed and filed[sha256].site != site}
    same = Counter(first.site for place, first in other.items() if first.joint == photos[place][1])
    least = max(_LEAST_RENAMED, _SHARE_RENAMED * len(photos))
    renamed = {name: count for name, count in same.items() if count >= least}
    return Had({place: first for place, first in other.items()
                if first.site not in renamed or first.joint != photos[place][1]}, renamed)


def add_copies(seen: Clues, store: Store, firsts: Firsts, site: str) -> list[str]:
    """Say of each joint which of its photos stood for a joint of another site first; they prove nothing here.

    A job that was run before under another site's name is no copy of itself: told are sentences that say so.
    """
    photos = store.db.execute("SELECT p.id, p.sha256, p.name, j.name FROM photo p JOIN joint j USING (ord)"
                              " WHERE p.sha256 > ''").fetchall()
    had = had_before([(sha256, joint) for _, sha256, _, joint in photos], firsts, site)
    for place, filed in had.first.items():
        key, _, name, joint = photos[place]
        seen.copied.add(key)
        seen.by_joint[joint].append(finding(
            "copied", f"{visible(name)} is the same file as {visible(filed.photo)} of joint {visible(filed.joint)} "
                      f"at the site {visible(filed.site)}, which had it first."))
    return [f"{had.renamed[other]} of the {len(photos)} photos were filed before for the same joints of the site "
            f"{visible(other)}; they are taken for this job under an earlier name." for other in sorted(had.renamed)]


class Copies:
    """Which photos stand for another joint too, by all that was ever filed for their site; looked up once a site."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger, self._firsts = ledger, Firsts(ledger)
        self._of: dict[str, set[tuple[str, str]]] = {}

    def of(self, site: str) -> set[tuple[str, str]]:
        """Joint and hash of each."""
        if site not in self._of:
            filed = self._ledger.pictured(site)
            photos = [(photo.joint, photo.sha256) for photo in filed]
            groups = same_pictures((photo.phash, photo.sha256) for photo in filed)
            places = {place for group in groups if len({photos[place][0] for place in group}) > 1 for place in group}
            places |= had_before([(sha256, joint) for joint, sha256 in photos], self._firsts, site).first.keys()
            self._of[site] = {photos[place] for place in places}
        return self._of[site]
