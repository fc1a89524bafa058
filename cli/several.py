"""What the commands for several photos of one joint share: reading them, and how such a command ends."""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import typer

from cli import check

if TYPE_CHECKING:
    from calibration.camera import Profile
    from calibration.fittings import Fitting, Unit
    from cli.answer import Answer, PremarkAnswer
    from vision.records import PremarkVerdict, Verdict


@dataclass(frozen=True)
class Viewed:
    """A photo that was looked at."""

    path: Path
    verdict: Verdict
    answer: Answer


@dataclass(frozen=True)
class Look:
    """How photos are looked at."""

    fitting: Fitting
    unit: Unit
    camera: Profile | None
    confidence: float

    def at(self, path: Path, before: Sequence[PremarkVerdict] = ()) -> Viewed:
        """Read and inspect one photo, of a joint whose marked pipe showed this.  Raises Misuse for a file that can't be
        read."""
        from cli import disk
        from cli.answer import answer_of
        from cli.say import shown
        from vision.pipeline import as_marked

        data = disk.read_photo(path)
        began = time.perf_counter()
        verdict = check.inspect(data, self.fitting, self.camera, self.confidence)
        for pipe in before:
            verdict = as_marked(verdict, pipe, self.fitting)
        answer = answer_of(verdict, self.fitting, photo=shown(path), sha256=hashlib.sha256(data).hexdigest(),
                           unit=self.unit, seconds=time.perf_counter() - began)
        return Viewed(path, verdict, answer)

    def at_pipes(self, paths: Sequence[Path]) -> list[tuple[PremarkVerdict, PremarkAnswer]]:
        """Photos of the marked pipe.  Raises Misuse for a file that can't be read."""
        from cli import disk
        from cli.premark import answer_of_pipe

        asked = check.Asked(self.fitting, self.unit, self.camera, self.confidence, None, False, False)
        return [answer_of_pipe(path, disk.read_photo(path), asked) for path in paths]

    def at_all(self, paths: Sequence[Path], before: Sequence[PremarkVerdict] = ()) -> list[Viewed]:
        """Every photo; the same picture may not stand for two views."""
        from calibration.fittings import Misuse
        from cli.say import shown

        seen: dict[str, Path] = {}
        views = []
        for path in paths:
            view = self.at(path, before)
            if view.answer.sha256 in seen:
                raise Misuse(f"{shown(path)} is the same file as {shown(seen[view.answer.sha256])}. "
                             "Name each photo once; a view needs a photo of its own.")
            seen[view.answer.sha256] = path
            views.append(view)
        return views


def ended(work: Callable[[], int]) -> NoReturn:
    """Run a command's work; its exit status, or a sentence and the documented status for what went wrong."""
    from calibration.fittings import Misuse
    from cli.say import shown

    try:
        status = work()
    except Misuse as error:
        leave(shown(str(error)), check.MISUSE)
    except KeyboardInterrupt:
        leave("Stopped before there was an answer.", check.INTERRUPTED)
    except Exception as error:
        if os.environ.get("COLLARGAP_TRACEBACK"):
            import traceback

            traceback.print_exc()
        leave(f"Internal error ({type(error).__name__}: {error}). This is a fault of collargap, not of the photos: "
              "please report it with them.", check.INTERNAL)
    raise typer.Exit(status)


def leave(sentence: str, status: int) -> NoReturn:
    """Say a sentence on standard error and end."""
    typer.echo(sentence, err=True)
    raise typer.Exit(status)
