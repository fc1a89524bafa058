"""What a job was asked for, and how its run went."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calibration.fittings import Fitting
from calibration.fittings import Unit as LengthUnit
from cli.answer import program_version
from cli.jobs.worker import Inspector


@dataclass(frozen=True)
class Job:
    """What is asked for.  `fitting`: for every joint that the list gives none; "" for none.

    site: "" for one that is named after its folder (`sitename.site_of`).
    camera: of all photos, or None.  confidence: of the intervals.  unit: of the answers, None for each
    fitting's.
    combiner: puts photos of one joint together whose sides the list names (`together.combine`); None: no one does.
    """

    folder: Path
    site: str
    catalog: Sequence[Fitting]
    inspector: Inspector
    fitting: str = ""
    camera: Any = None
    confidence: float = 0.95
    unit: LengthUnit | None = None
    combiner: Callable[[Any], dict[str, Any]] | None = None
    version: str = field(default_factory=program_version)


@dataclass
class Course:
    """How a run went: sentences for the person who started it, and whether it came to its end."""

    notices: list[str] = field(default_factory=list)
    listed: bool = False
    interrupted: bool = False
    engine_gone: bool = False
    ledger_lost: bool = False
    faults: int = 0
