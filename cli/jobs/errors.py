"""What stops a whole job.  The message is a sentence that names the remedy; a stack trace helps nobody.

Misuse
└── JobError         the list, the folder or an option is wrong
    ├── LedgerError  the ledger can't be opened, read or written
    └── EngineError  the processes or the cluster that check photos are gone
"""

from __future__ import annotations

from calibration.fittings import Misuse


class JobError(Misuse):
    """The job can't be done as it was asked for."""


class LedgerError(JobError):
    """The ledger can't be opened, read or written."""


class EngineError(JobError):
    """The processes or the cluster that check photos are gone."""
