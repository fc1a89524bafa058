"""The real inspection: the same door that `check` goes through, and the picture of what was read."""

from __future__ import annotations

from cli.jobs.worker import Looked, Task


def inspect_photo(task: Task, data: bytes) -> Looked:
    """Inspect a photo's bytes.  Runs in a worker; what it needs is loaded there, not in the parent."""
    raise NotImplementedError
