"""The name of a site that nobody named: its folder's, unless the ledger has another folder's joints under that."""

from __future__ import annotations

import os
from pathlib import Path

from cli.jobs.text import name_of, visible
from cli.ledger import Ledger


def site_of(folder: Path, ledger: Ledger) -> tuple[str, list[str]]:
    """The name, and sentences where there is more to say of it.

    Two folders called `photos` are two sites: as many of the folders above are put before the name as it takes.  A job
    keeps the name that it has; one whose folder was moved takes it along.
    """
    here = os.path.realpath(folder)
    parts = Path(here).parts[1:] or (here,)
    names = [name_of("/".join(parts[-count:])) for count in range(1, len(parts) + 1)]
    folders = {name: ledger.folders_of(name) for name in names}
    others = {name: [each for each in folders[name] if each != here and os.path.isdir(each)] for name in names}
    free = [name for name in names if not others[name]] or names[-1:]
    name = next((each for each in reversed(names) if here in folders[each]), free[0])
    return name, _told(name, names[0], others)


def _told(name: str, usual: str, others: dict[str, list[str]]) -> list[str]:
    if not others[usual]:
        return []
    other = visible(others[usual][0])
    if name != usual:
        return [f"The site name {visible(usual)} is that of the folder {other}; this job is filed as {visible(name)}. "
                "To call it otherwise, name it with --site."]
    return [f"Photos of the folder {other} are filed under the site name {visible(usual)} too, and joints named alike "
            "count as one there. If that is another job, give each a name of its own with --site."]
