"""What the commands for several photos of one joint share: reading them, and how such a command ends."""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import typer

from cli import check
from cli.copies import Shot, refuse_copies
from cli.files import is_output_lost

if TYPE_CHECKING:
    from calibration.camera import Profile
    from calibration.fittings import Fitting, Unit
    from cli.answer import Answer, PremarkAnswer
    from vision.depths import Depths
    from vision.drawn import Before
    from vision.records import Doubt, PremarkVerdict, Verdict
    from vision.ring import Wave
    from vision.views import ByPipe


@dataclass(frozen=True)
class Viewed:
    """A photo that was looked at.  verdict: by itself, its line believed where its marked pipe shows that there is one;
    answer: with all that the marked pipe tells."""

    path: Path
    verdict: Verdict
    answer: Answer


@dataclass(frozen=True)
class Piped:
    """The marked pipe of a joint: its photos, the one that counts, for it tells the depth best if one does, and what
    all of them tell of the depth round the pipe.  sides: from where they were taken; None: nobody knows."""

    photos: tuple[tuple[PremarkVerdict, PremarkAnswer], ...] = ()
    sides: tuple[float | None, ...] = ()
    best: tuple[PremarkVerdict, PremarkAnswer] | None = None
    depths: Depths | None = None

    @classmethod
    def of(cls, photos: Sequence[tuple[PremarkVerdict, PremarkAnswer]], at_deg: Sequence[float] = (),
           in_order: bool = False) -> Piped:
        """The best is chosen as a job does: the surest of those that agree with the last.  at_deg: from which sides
        they were taken, where that is known.  in_order: the last named is the last, where their times tell nothing."""
        from cli.jobs.before import best
        from vision.depths import Depths

        told = [answer.model_dump(mode="json") for _, answer in photos]
        chosen = best(told, in_order)
        if chosen is None:
            return cls()
        index = next(k for k, each in enumerate(told) if each is chosen)
        piped = cls(tuple(photos), tuple(at_deg) or (None,) * len(photos), photos[index])
        return replace(piped, depths=Depths.of(piped._befores, index))

    @property
    def verdicts(self) -> list[PremarkVerdict]:
        """Of every photo."""
        return [verdict for verdict, _ in self.photos]

    @property
    def shots(self) -> list[Shot]:
        """Its photos, to be held against others."""
        return [Shot.of(*photo, side) for photo, side in zip(self.photos, self.sides, strict=True)]

    @property
    def _befores(self) -> list[Before]:
        from vision.drawn import Before

        return [Before(verdict, side) for verdict, side in zip(self.verdicts, self.sides, strict=True)]

    @property
    def mark(self) -> Wave | None:
        """The mark's own wave round the pipe, by the photos that show one line."""
        from vision.drawn import mark_wave

        befores = self._befores
        return mark_wave([befores[k] for k in self.depths.used] if self.depths else befores)

    def beside(self, verdict: Verdict, fitting: Fitting, at_deg: float | None) -> Verdict:
        """What a photo of the joint says together with the marked pipe; at_deg: from where it was taken."""
        from vision.pipeline import with_premark

        if self.best is None:
            return verdict
        if at_deg is None or self.depths is None or not self.depths.sided:
            return with_premark(verdict, self.best[0], fitting)
        return with_premark(verdict, self.best[0], fitting, self.depths, at_deg)

    def told(self, verdicts: Sequence[Verdict], fitting: Fitting, at_deg: Sequence[float] | None) -> ByPipe | None:
        """What it adds for the whole joint."""
        from vision.insertion import least_high_mm
        from vision.views import ByPipe

        if self.best is None:
            return None
        sides: Sequence[float | None] = at_deg or [None] * len(verdicts)
        said = [self.beside(verdict, fitting, side) for verdict, side in zip(verdicts, sides, strict=True)]
        differs = (number for number, each in enumerate(said, 1)
                   if any(doubt.reason == "mark-differs" for doubt in each.reasons))
        inserted = [each.insertion.length for each in said if each.insertion and each.insertion.depth]
        sure = next((each.measurement.confidence for each in said if each.measurement), 0.95)
        return ByPipe(self.depths, self.best[0].word, tuple(each.word for each in said), tuple(differs), self._doubts(),
                      least_high_mm(inserted, sure))

    def _doubts(self) -> tuple[Doubt, ...]:
        """That no depth was told, or which photos show another line."""
        from vision.both import premark_unread
        from vision.records import Doubt

        if self.depths is None:
            return (premark_unread(doubt.reason for doubt in self.verdicts[0].reasons),)
        left = [answer.photo for k, (verdict, answer) in enumerate(self.photos)
                if verdict.placement and k not in self.depths.used]
        counts = self.best[1].photo if self.best else ""
        return (Doubt("mark-redrawn", f"{counts} counts, left out: {', '.join(left)}"),) if left else ()


@dataclass(frozen=True)
class Look:
    """How photos are looked at."""

    fitting: Fitting
    unit: Unit
    camera: Profile | None
    confidence: float

    def at(self, path: Path, piped: Piped | None = None, at_deg: float | None = None) -> Viewed:
        """Read and inspect one photo, from this side, of a joint with this marked pipe.  Raises Misuse for a file that
        can't be read."""
        from cli import disk
        from cli.answer import answer_of, before_of
        from cli.say import shown
        from vision.pipeline import as_marked

        piped = piped or Piped()
        data = disk.read_photo(path)
        began = time.perf_counter()
        verdict = check.inspect(data, self.fitting, self.camera, self.confidence)
        for pipe in piped.verdicts:
            verdict = as_marked(verdict, pipe, self.fitting)
        before = before_of(piped.best[1]) if piped.best else None
        answer = answer_of(piped.beside(verdict, self.fitting, at_deg), self.fitting, photo=shown(path),
                           sha256=hashlib.sha256(data).hexdigest(), unit=self.unit,
                           seconds=time.perf_counter() - began, before=before)
        return Viewed(path, verdict, answer)

    def at_pipes(self, paths: Sequence[Path]) -> list[tuple[PremarkVerdict, PremarkAnswer]]:
        """Photos of the marked pipe.  Raises Misuse for a file that can't be read."""
        from cli import disk
        from cli.premark import answer_of_pipe

        asked = check.Asked(self.fitting, self.unit, self.camera, self.confidence, None, False, False)
        return [answer_of_pipe(path, disk.read_photo(path), asked) for path in paths]

    def at_all(self, paths: Sequence[Path], piped: Piped | None = None,
               at_deg: Sequence[float] | None = None) -> list[Viewed]:
        """Every photo; raises Misuse where one picture stands for two views, or for the marked pipe too."""
        piped = piped or Piped()
        sides: Sequence[float | None] = at_deg or [None] * len(paths)
        views = [self.at(path, piped, side) for path, side in zip(paths, sides, strict=True)]
        shots = (Shot.of(view.verdict, view.answer, side) for view, side in zip(views, sides, strict=True))
        refuse_copies([*piped.shots, *shots])
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
        if is_output_lost(error):
            raise
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
