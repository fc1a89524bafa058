"""Photos of this job that another site had before: known by their bytes, from the ledger."""

from __future__ import annotations

from collections import Counter

from cli.jobs.findings import finding
from cli.jobs.judge import Clues
from cli.jobs.store import Store
from cli.jobs.text import visible
from cli.ledger import Filed, Ledger

# So many photos, and so much of a job, under the same joints' names at another site: that is this job by another name.
_LEAST_RENAMED, _SHARE_RENAMED = 3, 0.5


def add_copies(seen: Clues, store: Store, ledger: Ledger, site: str) -> list[str]:
    """Say of each joint which of its photos stood for a joint of another site first; they prove nothing here.

    A job that was run before under another site's name is no copy of itself: told are sentences that say so.
    """
    photos = store.db.execute("SELECT p.id, p.sha256, p.name, j.name FROM photo p JOIN joint j USING (ord)"
                              " WHERE p.sha256 > ''").fetchall()
    first: dict[str, Filed] = {}
    for filed in ledger.filed({sha256 for _, sha256, _, _ in photos}):
        first.setdefault(filed.sha256, filed)
    before = [(key, name, joint, first[sha256]) for key, sha256, name, joint in photos
              if sha256 in first and first[sha256].site != site]
    same = Counter(filed.site for _, _, joint, filed in before if filed.joint == joint)
    renamed = {other for other, count in same.items() if count >= max(_LEAST_RENAMED, _SHARE_RENAMED * len(photos))}
    for key, name, joint, filed in before:
        if filed.site not in renamed or filed.joint != joint:
            seen.copied.add(key)
            seen.by_joint[joint].append(finding(
                "copied", f"{visible(name)} is the same file as {visible(filed.photo)} of joint {visible(filed.joint)} "
                          f"at the site {visible(filed.site)}, which had it first."))
    return [f"{same[other]} of the {len(photos)} photos were filed before for the same joints of the site "
            f"{visible(other)}; they are taken for this job under an earlier name." for other in sorted(renamed)]
