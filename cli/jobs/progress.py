"""How far the job is, for a person at a terminal: joints done, time left, the worst so far."""

from __future__ import annotations

from typing import Any, TextIO

from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from cli.jobs.before import is_premark
from cli.jobs.lengths import gap_of
from cli.jobs.listing import Joint
from cli.jobs.text import visible

_RANK = {"short": 2, "unproven": 1, "full": 0}


class Silent:
    """Watches and says nothing; for pipes and logs."""

    def __enter__(self) -> Silent:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def begin(self, photos: int) -> None:
        """Nothing."""

    def photo(self, joint: Joint, answer: dict[str, Any] | None, joint_done: bool) -> None:
        """Nothing."""


class Bar:
    """A progress bar that leaves no trace when the job is done."""

    def __init__(self, stream: TextIO) -> None:
        self._progress = Progress(
            TextColumn("{task.fields[joints]} joints done"), BarColumn(), MofNCompleteColumn(),
            TextColumn("photos,"),
            TimeRemainingColumn(), TextColumn("left  {task.fields[worst]}"),
            console=Console(file=stream), transient=True,
        )  # fmt: skip
        self._joints = 0
        self._worst: tuple[int, float] = (-1, 0.0)

    def __enter__(self) -> Bar:
        self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._progress.stop()

    def begin(self, photos: int) -> None:
        """Start to count."""
        self._task = self._progress.add_task("", total=photos, joints=0, worst="")

    def photo(self, joint: Joint, answer: dict[str, Any] | None, joint_done: bool) -> None:
        """One photo further."""
        self._joints += joint_done
        self._progress.update(self._task, advance=1, joints=self._joints)
        if answer is None or is_premark(answer):
            return
        gap = answer["gap"]
        rank = (_RANK[answer["verdict"]], gap["value"] / answer["limit"] if gap else 0.0)
        if rank > self._worst:
            self._worst = rank
            size = f", gap {gap_of(answer)}" if gap else ""
            text = f"worst: {visible(joint.name)} {answer['verdict']}{size}"
            self._progress.update(self._task, worst=escape(text))
