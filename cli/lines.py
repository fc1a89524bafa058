"""Lines that a person placed on a photo: our own small JSON file, and what may be wrong with one.

`collargap check --assist FILE` reads it; beside a photo of a job folder it lies as PHOTO.lines.json, where the
phone page puts it and `collargap job` finds it.
"""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from calibration.fittings import Misuse

if TYPE_CHECKING:
    from vision.records import Hand, Verdict

SUFFIX = ".lines.json"
LARGEST_BYTES = 64 * 2**10

Number = Annotated[float, Field(ge=-1, le=100_000)]
Point = tuple[Number, Number]
Side = tuple[Point, Point]
Edge = Annotated[tuple[Point, ...], Field(min_length=2, max_length=50)]


class UnusableLines(Misuse):
    """A file of lines that can't be used, or that belongs to another picture."""


class Lines(BaseModel):
    """Points are pixels of the upright photo: the centre of the top left one is (0, 0), x right, y down.

    collar, pipe: two sides, two points on each; pipe may be left out.  mouth, mark: points on the collar's mouth
    and on the mark's edge that is nearer to it, where each is seen.  point_u_px: standard uncertainty of a
    point, each way.  sha256: of the photo's file, or "" for any photo of that size.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    format: Literal["collargap-lines-1"]
    placed_by: str = Field(min_length=1, max_length=80, pattern=r"^[^\s\x00-\x1f\x7f][^\x00-\x1f\x7f]*$")
    placed_at: str = Field(default="", max_length=40, pattern=r"^[\x20-\x7e]*$")
    sha256: str = Field(default="", pattern=r"^([0-9a-f]{64})?$")
    size_px: tuple[int, int]
    point_u_px: float = Field(default=2.5, ge=0.5, le=100)
    collar: tuple[Side, Side]
    pipe: tuple[Side, Side] | None = None
    mouth: Edge
    mark: Edge

    def hand(self) -> Hand:
        """The lines as the measuring takes them."""
        import numpy as np

        from vision.records import Hand

        collar, pipe = ((np.array(pair[0], float), np.array(pair[1], float)) if pair else None
                        for pair in (self.collar, self.pipe))
        assert collar is not None
        return Hand(collar, np.array(self.mouth, float), np.array(self.mark, float), pipe, self.point_u_px)

    def fit_bytes(self, sha256: str) -> None:
        """Raise UnusableLines where they were placed on another file."""
        if self.sha256 and self.sha256 != sha256:
            raise UnusableLines(f"The lines were placed on another photo (sha256 {self.sha256[:12]}…, this one has "
                                f"{sha256[:12]}…). Name the photo they belong to, or place them anew.")

    def fit_picture(self, verdict: Verdict) -> None:
        """Raise UnusableLines where they were placed on a picture of another size."""
        photo = verdict.photo
        if photo is not None and photo.size_px != self.size_px:
            raise UnusableLines(misfit(self.size_px, photo.size_px))


def misfit(lines_px: tuple[int, int], photo_px: tuple[int, int]) -> str:
    """What is said of lines that were placed on a picture of another size."""
    (w, h), (wide, high) = lines_px, photo_px
    return (f"The lines were placed on a picture of {w} x {h} pixels, this one has {wide} x {high}. Name the photo "
            "they belong to, or place them anew.")


def parse_lines(text: str, name: str) -> Lines:
    """Lines from JSON text; `name` is what the file is called in sentences.  Raises UnusableLines."""
    try:
        return Lines.model_validate(json.loads(text))
    except ValidationError as error:
        told = "; ".join(f"{_place(each)}: {each['msg']}" for each in error.errors()[:4])
        raise UnusableLines(f"{name} holds no lines that can be used: {told}. Correct it, or place the lines on the "
                            "phone page, which writes this file.") from None
    except (ValueError, RecursionError) as error:
        raise UnusableLines(f"{name} is not JSON ({error}). Name a file of placed lines.") from None


def _place(error: Any) -> str:
    return ".".join(str(part) for part in error["loc"]) or "the whole"


def beside(photo: str | os.PathLike[str]) -> str:
    """Where the lines of a photo of a job folder lie."""
    return os.fspath(photo) + SUFFIX


def lines_beside(photo: str) -> Lines | None:
    """The lines that lie beside a photo, or None.  Raises UnusableLines; links aren't followed."""
    path = beside(photo)
    name = Path(path).name
    try:
        facts = os.lstat(path)
    except OSError:
        return None
    if not stat.S_ISREG(facts.st_mode) or facts.st_size > LARGEST_BYTES:
        raise UnusableLines(f"{name} is not a file of placed lines. Remove it, or place the lines anew.")
    try:
        return parse_lines(Path(path).read_text("utf-8-sig"), name)
    except (OSError, UnicodeDecodeError) as error:
        raise UnusableLines(f"{name} could not be read ({error}). Remove it, or place the lines anew.") from None
