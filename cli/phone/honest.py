"""Faults of the disk, of SQLite and of the ledger, told to a phone as a sentence that says what to do."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

from cli.jobs.errors import LedgerError
from cli.phone.troubles import Busy

P = ParamSpec("P")
R = TypeVar("R")


def honest(work: Callable[P, R]) -> Callable[P, R]:
    """The same work; what goes wrong with folder or ledger is raised as Busy."""

    @wraps(work)
    def told(*args: P.args, **more: P.kwargs) -> R:
        try:
            return work(*args, **more)
        except (OSError, sqlite3.Error) as error:
            why = getattr(error, "strerror", None) or error
            raise Busy(f"The job folder could not be used ({why}). Make room on its disk, and try again.") from error
        except LedgerError as error:
            raise Busy(str(error)) from error

    return told
