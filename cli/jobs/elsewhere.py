"""Photos of this job that another site had before: known by their bytes, from the ledger."""

from __future__ import annotations

from collections import Counter

from cli.jobs.findings import finding
from cli.jobs.judge import Clues
from cli.jobs.store import Store
from cli.jobs.text import visible
from cli.ledger import Filed, Ledger

_RENAMED = 0.5  # so much of a job under the same names at another site: that is this job by an earlier name


def add_copies(seen: Clues, store: Store, ledger: Ledger, site: str) -> None:
    """Say of each joint which of its photos stood for a joint of another site first; they prove nothing here.

    A job that was run before under another site's name is no copy of itself.
    """
    photos = store.db.execute("SELECT p.id, p.sha256, p.name, j.name FROM photo p JOIN joint j USING (ord)"
                              " WHERE p.kind = 'joint' AND p.sha256 > ''").fetchall()
    first: dict[str, Filed] = {}
    there: set[tuple[str, str, str]] = set()
    for filed in ledger.filed({sha256 for _, sha256, _, _ in photos}):
        first.setdefault(filed.sha256, filed)
        there.add((filed.site, filed.sha256, filed.joint))
    same = Counter(other for other in {site for site, _, _ in there}
                   for _, sha256, _, joint in photos if (other, sha256, joint) in there)
    for key, sha256, name, joint in photos:
        before = first.get(sha256)
        if before and before.site != site and same[before.site] < _RENAMED * len(photos):
            seen.copied.add(key)
            seen.by_joint[joint].append(finding(
                "copied", f"{visible(name)} is the same file as {visible(before.photo)} of joint "
                          f"{visible(before.joint)} at the site {visible(before.site)}, which had it first."))
